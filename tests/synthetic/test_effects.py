"""The true effects in the truth are the effects one gets by planting them and simulating again."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from broodyear.synthetic import Programme, simulate
from broodyear.synthetic.plan import Plan
from broodyear.synthetic.traps import changed

EXPECTED_TOLERANCE_POINTS = 0.02
"""Expected survival is printed to 0.01 points."""


def effect(programme: Programme, factor: str, level: str) -> dict[str, dict[str, float]]:
    row = next(e for e in programme.truth["effects"] if (e["factor"], e["level"]) == (factor, level))
    return row["outcomes"]


def expected(plan: Plan) -> pd.DataFrame:
    programme = simulate(3, seasons=2, tanks=60, plan=plan, with_readings=False)
    return pd.DataFrame(programme.truth["tank_seasons"])


@pytest.mark.parametrize(
    ("number", "column", "level"),
    [
        ("hallway_log_hazard", "room_type", "hallway"),
        ("layered_stones_alevin_log_hazard", "gravel_practice", "layered_stones"),
    ],
)
def test_the_effect_is_what_planting_it_does(number: str, column: str, level: str) -> None:
    """Only tanks with the practice change when its number does, and by the stated points on average."""
    plan = changed(Plan(), places={"poor_tanks": 0, "poor_sites": 0})
    with_it, without = expected(plan), expected(changed(plan, survival={number: 0.0}))
    change = with_it["expected_release_pct"] - without["expected_release_pct"]
    has_it = with_it[column] == level
    assert (change[~has_it] == 0).all()
    assert (change[has_it] < 0).all()
    programme = simulate(3, seasons=2, tanks=60, plan=plan, with_readings=False)
    stated = effect(programme, column, level)["delivered_to_release"]["difference_points"]
    # the statement averages over all tanks, the change over those that have it
    assert change[has_it].mean() == pytest.approx(stated, rel=0.45)


def test_warmth_costs_points_and_gravel_none(programme: Programme) -> None:
    assert effect(programme, "mean_water_temp_c", "+1 °C")["delivered_to_release"]["difference_points"] < -0.5
    gravel = effect(programme, "gravel_practice", "gravel")
    assert all(outcome == {"difference_points": 0.0, "odds_ratio": 1.0} for outcome in gravel.values())


def test_expected_survival_is_met_on_average(programme: Programme) -> None:
    """The daily draw, with its contagion and spread of hatch, agrees with the sum of hazards on average."""
    tanks = pd.DataFrame(programme.truth["tank_seasons"])
    true_pct = 100 * tanks["true_left_alive"] / (tanks["true_eggs"] - tanks["true_escaped"])
    gap = (true_pct - tanks["expected_release_pct"])[~tanks["collapsed"]]
    assert abs(gap.mean()) < 1.5
    assert np.percentile(np.abs(gap), 90) < 12


def test_planted_sizes_can_be_found(programme: Programme) -> None:
    assert effect(programme, "gravel_practice", "layered_stones")["delivered_to_release"]["difference_points"] < -6
    assert effect(programme, "room_type", "hallway")["delivered_to_release"]["difference_points"] < -4
    assert -1.5 < effect(programme, "light_cover", "False")["hatch"]["difference_points"] < 0
