"""Small drawn programmes with one planted trap each."""

from __future__ import annotations

import numpy as np
import pandas as pd
from tests.simulated.tank_seasons import TankSeasonPlan, draw_tank_seasons

#: Spreads at which a shortfall of 12 points in 150 eggs can be found at all.
SMALL_SPREADS = {"tank_sd": 0.15, "site_sd": 0.06}


def programme(seed: int, **plan: object) -> pd.DataFrame:
    """A programme in which no tank differs beyond ordinary variation, unless the plan says so."""
    return draw_tank_seasons(np.random.default_rng(seed), TankSeasonPlan(**plan))  # type: ignore[arg-type]


def with_poor_tanks(frame: pd.DataFrame, seed: int, tanks: list[str], points: float = 12.0) -> pd.DataFrame:
    """The named tanks lose `points` percentage points more than they would have, in every season."""
    return thinned(frame, seed, frame["tank_id"].isin(tanks), points)


def thinned(frame: pd.DataFrame, seed: int, chosen: pd.Series, points: float) -> pd.DataFrame:
    """The chosen tank-seasons lose `points` percentage points more than their batch's mean survival.

    Each survivor is lost with the same chance, so counts stay binomial around the lowered survival.
    """
    found = frame.copy()
    batch = found.groupby("batch_id")[["survivors", "eggs"]].transform("sum")
    kept = 1.0 - points / 100.0 / (batch["survivors"] / batch["eggs"])
    drawn = np.random.default_rng(seed).binomial(found["survivors"], kept.clip(0.0, 1.0))
    found["survivors"] = found["survivors"].where(~chosen, drawn)
    return found


def poor_practice(seed: int) -> pd.DataFrame:
    """60 tanks in 6 batches with layered stones, which cost 8 points."""
    rng = np.random.default_rng(seed)
    frame = programme(seed, seasons=3, sites=120, tanks_per_season=100)
    chosen = pd.Series(False, index=frame.index)
    for _, season in frame.groupby("season"):
        for batch in sorted(season["batch_id"].unique())[:2]:
            tanks = season.index[season["batch_id"] == batch]
            chosen[rng.choice(tanks, min(10, len(tanks)), replace=False)] = True
    frame["gravel_practice"] = frame["gravel_practice"].where(~chosen, "layered_stones")
    return thinned(frame, seed, chosen, 8.0)
