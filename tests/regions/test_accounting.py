"""Bounds over the tanks that did not report."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from broodyear.regions import accounting, survival_bounds


def tanks() -> pd.DataFrame:
    """Ten tanks of 100 eggs: eight report 82 survivors each, two are silent."""
    return pd.DataFrame(
        {
            "season": 2024,
            "tank_id": [f"T{place}" for place in range(10)],
            "site_id": [f"S{place}" for place in range(10)],
            "region": ["East"] * 5 + ["West"] * 5,
            "batch_id": "B1",
            "eggs": 100,
            "survivors": [82.0] * 8 + [np.nan] * 2,
        }
    )


def test_bounds_by_hand() -> None:
    row = survival_bounds(tanks()).iloc[0]
    assert row["observed_pct"] == pytest.approx(82.0)
    assert row["bound_low_pct"] == pytest.approx(65.6)
    assert row["bound_high_pct"] == pytest.approx(85.6)
    assert row["reporting_pct"] == pytest.approx(80.0)
    assert row["sentence"] == (
        "2 of 10 tanks gave no usable count: 82.0 % in those that did; between 65.6 % (all others died) and"
        " 85.6 % (all others lived that were not counted dead)"
    )


def test_dead_that_silent_tanks_counted_did_not_live() -> None:
    """Of the two silent tanks one counted 7 eggs and 5 alevins, the other running totals; 656 + 88 + 100."""
    silent = tanks().assign(dead_egg=7.0, late_picks=0, dead_alevin=[5.0] * 9 + [90.0], dead_fry=None)
    silent = silent.assign(losses_look_cumulative=[False] * 9 + [True])
    assert survival_bounds(silent).iloc[0]["bound_high_pct"] == pytest.approx(84.4)
    hatch = survival_bounds(silent.assign(outcome="hatch")).iloc[0]
    assert hatch["bound_high_pct"] == pytest.approx(84.9)  # the alevins had hatched


def test_everybody_reported() -> None:
    row = survival_bounds(tanks().iloc[:8], by=("region",)).set_index("region").loc["East"]
    assert row["bound_low_pct"] == row["bound_high_pct"] == pytest.approx(82.0)
    assert row["sentence"] == "every tank reported a usable count"


def test_nobody_reported() -> None:
    row = survival_bounds(tanks().assign(survivors=np.nan)).iloc[0]
    assert (row["bound_low_pct"], row["bound_high_pct"]) == (0.0, 100.0)
    assert np.isnan(row["observed_pct"])
    assert "nothing is known about survival here" in row["sentence"]


def test_eggs_delivered_stand_in_where_the_trials_are_blank() -> None:
    frame = tanks().assign(eggs_delivered=100)
    frame["eggs"] = frame["eggs"].where(frame["survivors"].notna())
    assert survival_bounds(frame).iloc[0]["bound_high_pct"] == pytest.approx(85.6)


def test_no_bounds_where_the_hatched_are_not_known() -> None:
    frame = tanks().assign(outcome="hatch_to_release", eggs_delivered=100)
    frame["eggs"] = frame["eggs"].where(frame["survivors"].notna())
    row = survival_bounds(frame).iloc[0]
    assert np.isnan(row["bound_low_pct"])
    assert "no bounds can be given" in row["sentence"]


def test_silent_failures_lie_within_the_bounds() -> None:
    # Collapsed tanks report 35 % of the time, the others 93 %.
    for seed in range(20):
        rng = np.random.default_rng(seed)
        collapsed = rng.random(200) < 0.12
        survival = np.where(collapsed, rng.beta(1, 8, 200), rng.beta(45, 8, 200))
        alive = rng.binomial(100, survival)
        reports = rng.random(200) < np.where(collapsed, 0.35, 0.93)
        frame = pd.DataFrame(
            {
                "season": 2024,
                "tank_id": np.arange(200).astype(str),
                "site_id": np.arange(200).astype(str),
                "batch_id": "B1",
                "eggs": 100,
                "survivors": np.where(reports, alive, np.nan),
            }
        )
        row = survival_bounds(frame).iloc[0]
        truth = 100.0 * alive.sum() / 20_000
        assert row["bound_low_pct"] <= truth <= row["bound_high_pct"]
        assert row["observed_pct"] > truth


def test_accounting_counts_and_reasons() -> None:
    table = accounting(tanks(), by=("region",)).set_index("region")
    assert table.loc["West", ["tanks", "tanks_usable", "eggs", "eggs_usable"]].tolist() == [
        5,
        3,
        500.0,
        300.0,
    ]
    assert table.loc["West", "reasons"] == "2 survivors not recorded yet"
    assert table.loc["East", "reasons"] == ""
