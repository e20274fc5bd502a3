"""What first seasons of few tanks claim: nothing where nothing matters, at every size; and what a poor site does.

Sites of one or two tanks, two to five batches a season told apart by their units at delivery, practices by tank.
Seeds were chosen before looking. Run one line alone, with fewer programmes, or on seeds never seen:

    PROGRAMMES=40 FIRST_SEED=50000 python -m pytest tests/benchmarks/small_claims_test.py -s -k null
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit, logit
from tests.benchmarks.engine_calibration_test import (
    ALLOWED,
    MAIN,
    PROGRAMMES,
    SEEDS,
    _nothing_but_what_decides,  # noqa: F401 (a fixture)
    claimed,
    claims_of,
)

#: Logits between tanks, sites and batches: tanks alone, and what ordinary programmes show.
TANKS_ALONE, ORDINARY = (0.3, 0.0, 0.0), (0.45, 0.3, 0.3)
SIZES = [(1, 12, 8, 2), (1, 22, 15, 2), (1, 40, 27, 3), (1, 80, 54, 5), (2, 22, 15, 3), (3, 22, 15, 3)]
EGGS, SURVIVAL = 200, 0.87
PRACTICES: Mapping[str, tuple[object, ...]] = {
    "media_carried_over_pct": (0, 0, 50, 100, 50),
    "gravel_practice": ("gravel", "gravel", "bare"),
    "light_cover": (True, True, True, False, False),
    "set_point_c": (7.5, 8.0, 8.0, 8.5, 9.0),
    "room_type": ("classroom", "classroom", "library", "hallway"),
    "conditioning_days": tuple(range(10, 25)),
}


@dataclass(frozen=True)
class Programme:
    """batches: a season; spreads: logits between tanks, sites, batches; media_points: what tanks without
    media carried over lose; site_points: what those of the first site lose."""

    seasons: int = 1
    tanks: int = 22
    sites: int = 15
    batches: int = 2
    spreads: tuple[float, float, float] = TANKS_ALONE
    media_points: float = 0.0
    site_points: float = 0.0


def draw(seed: int, plan: Programme) -> pd.DataFrame:
    """The whole stay of every tank-season."""
    rng = np.random.default_rng(7_919 * (seed + 1))
    second = rng.choice(plan.sites, plan.tanks - plan.sites, replace=False)
    site = np.sort(np.concatenate([np.arange(plan.sites), second]))
    shift = rng.normal(0.0, plan.spreads[1], plan.sites)[site]
    parts = []
    for season in range(plan.seasons):
        frame = pd.DataFrame({name: rng.choice(values, plan.tanks) for name, values in PRACTICES.items()})
        batch = rng.integers(0, plan.batches, plan.tanks)
        log_odds = logit(SURVIVAL) + shift + rng.normal(0.0, plan.spreads[2], plan.batches)[batch]
        share = expit(log_odds + rng.normal(0.0, plan.spreads[0], plan.tanks))
        share -= 0.01 * plan.media_points * (frame["media_carried_over_pct"] == 0).to_numpy()
        share -= 0.01 * plan.site_points * (site == 0)
        frame = frame.assign(season=2022 + season, outcome=MAIN, species="chinook", eggs=float(EGGS))
        frame["mean_water_temp_c"] = frame["set_point_c"] + rng.normal(0.0, 0.25, plan.tanks)
        frame["units_at_delivery_c_days"] = 280.0 + 6.0 * batch
        frame["tank_id"], frame["site_id"] = [f"T{one}" for one in range(plan.tanks)], [f"S{one}" for one in site]
        frame["batch_id"] = [f"B{season}{one}" for one in batch]
        frame["survivors"] = rng.binomial(EGGS, np.clip(share, 0.0, 1.0)).astype(float)
        parts.append(frame)
    return pd.concat(parts, ignore_index=True)


@pytest.mark.parametrize("spreads", [TANKS_ALONE, ORDINARY])
@pytest.mark.parametrize(("seasons", "tanks", "sites", "batches"), SIZES)
def test_null_programmes_of_few_tanks_claim_nothing(
    seasons: int, tanks: int, sites: int, batches: int, spreads: tuple[float, float, float]
) -> None:
    plan = Programme(seasons, tanks, sites, batches, spreads)
    share = np.mean([bool(claimed(claims_of(draw(seed, plan)))) for seed in SEEDS])
    print(f"\nnull, {seasons} × {tanks}, spreads {spreads}: claimed in {100 * share:.1f} % of {PROGRAMMES}")
    assert share <= ALLOWED


@pytest.mark.parametrize(("media", "site"), [(0.0, 22.0), (12.0, 0.0), (12.0, 22.0)])
def test_a_poor_site_is_not_taken_for_a_practice(media: float, site: float) -> None:
    plan = Programme(spreads=(0.3, 0.0, 0.25), media_points=media, site_points=site)
    found = [{claim.subject for claim in claimed(claims_of(draw(seed, plan)))} for seed in SEEDS]
    true, false = ([bool(one & {"media_band"}) for one in found], [bool(one - {"media_band"}) for one in found])
    wrong = np.mean(false if media else np.logical_or(true, false))
    print(f"\nfilter media {media}, one site {site}: media {100 * np.mean(true):.1f} %, wrong {100 * wrong:.1f} %")
    assert wrong <= ALLOWED
