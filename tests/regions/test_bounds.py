"""Bounds over the tanks that did not report."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from broodyear.regions.compare import survival_bounds
from broodyear.survival.tank_frame import prepare


def tanks() -> pd.DataFrame:
    """Ten tanks of 100 eggs: eight report 82 survivors each, two are silent."""
    return pd.DataFrame(
        {
            "season": 2024,
            "tank_id": [f"T{index}" for index in range(10)],
            "site_id": [f"S{index}" for index in range(10)],
            "region": "East",
            "batch_id": "B1",
            "eggs": 100,
            "survivors": [82.0] * 8 + [np.nan] * 2,
        }
    )


def bounds(frame: pd.DataFrame, outcome: str = "delivered_to_release") -> list[float]:
    """Share reporting, lower and upper bound of the one region there is."""
    (row,) = survival_bounds(prepare(frame.assign(outcome=outcome))).to_numpy()
    return [float(value) for value in row]


def test_bounds_by_hand() -> None:
    assert bounds(tanks()) == pytest.approx([80.0, 65.6, 85.6])


def test_dead_that_silent_tanks_counted_did_not_live() -> None:
    """Of the two silent tanks one counted 7 eggs and 5 alevins, the other running totals; 656 + 88 + 100."""
    silent = tanks().assign(dead_egg=7.0, late_picks=0, dead_alevin=[5.0] * 9 + [90.0], dead_fry=None)
    silent = silent.assign(losses_look_cumulative=[False] * 9 + [True])
    assert bounds(silent)[2] == pytest.approx(84.4)
    assert bounds(silent, "hatch")[2] == pytest.approx(84.9)  # the alevins had hatched
    # Of 100 hatched, the eggs died before: 656 + 95 + 100.
    assert bounds(silent, "hatch_to_release")[2] == pytest.approx(85.1)


def test_regions_have_bounds_of_their_own_and_none_where_everybody_reported() -> None:
    found = survival_bounds(prepare(tanks().assign(region=["East"] * 8 + ["West"] * 2, outcome="hatch")))
    assert found.loc["East"].tolist() == pytest.approx([100.0, 82.0, 82.0])
    assert found.loc["West"].tolist() == [0.0, 0.0, 100.0]


def test_eggs_delivered_stand_in_where_the_trials_are_blank() -> None:
    frame = tanks().assign(eggs_delivered=100)
    frame["eggs"] = frame["eggs"].where(frame["survivors"].notna())
    assert bounds(frame)[2] == pytest.approx(85.6)
    # After hatch they would be the hatched, which nobody counted.
    assert np.isnan(bounds(frame, "hatch_to_release")[1:]).all()


def test_silent_failures_lie_within_the_bounds() -> None:
    # Collapsed tanks report 35 % of the time, the others 93 %.
    for seed in range(20):
        rng = np.random.default_rng(seed)
        collapsed = rng.random(200) < 0.12
        survival = np.where(collapsed, rng.beta(1, 8, 200), rng.beta(45, 8, 200))
        alive = rng.binomial(100, survival)
        reports = rng.random(200) < np.where(collapsed, 0.35, 0.93)
        frame = pd.DataFrame(
            {"season": 2024, "tank_id": np.arange(200).astype(str), "batch_id": "B1", "eggs": 100}
        )
        frame = frame.assign(site_id=frame["tank_id"], region="East", survivors=np.where(reports, alive, np.nan))
        _, low, high = bounds(frame)
        assert low <= 100.0 * alive.sum() / 20_000 <= high
