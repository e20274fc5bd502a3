"""Programmes in which one region got the poor batches and no region has an effect of its own."""

from __future__ import annotations

import numpy as np
import pandas as pd

BAD_BATCH = -1.0


def worst_region_worst_batch(
    seed: int, *, share: float = 0.8, shared: float = 0.05, own: bool = False
) -> pd.DataFrame:
    """Four seasons of 80 tanks in three regions; R1 gets `share` of its tanks from each season's bad batch.

    shared: chance that a tank of another region has the bad batch. own: R1's batches go nowhere else.
    """
    rng = np.random.default_rng(seed)
    parts = [_season(rng, 2020 + index, share, shared, own) for index in range(4)]
    return pd.concat(parts, ignore_index=True)


def _season(rng: np.random.Generator, season: int, share: float, shared: float, own: bool) -> pd.DataFrame:
    index = np.arange(81)
    region = index % 3
    bad = rng.random(81) < np.where(region == 0, 1.0 if own else share, 0.0 if own else shared)
    batch = np.where(bad, 0, rng.integers(1, 5, 81))
    effect = np.concatenate([[BAD_BATCH], rng.normal(0.0, 0.3, 4)])
    log_odds = 1.66 + effect[batch] + rng.normal(0.0, 0.45, 81)
    eggs = rng.integers(60, 250, 81)
    return pd.DataFrame(
        {
            "season": season,
            "tank_id": [f"T{number}" for number in index],
            "site_id": [f"S{number}" for number in index],
            "region": [f"R{number + 1}" for number in region],
            "batch_id": [f"B{season}{number}" for number in batch],
            "eggs": eggs,
            "survivors": rng.binomial(eggs, 1.0 / (1.0 + np.exp(-log_odds))),
        }
    )
