"""The true effects in the truth are the effects one gets by planting them and simulating again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from tests.simulated.traps import changed

from broodyear.synthetic import Programme, conditions, simulate
from broodyear.synthetic.effects import OUTCOMES, PRACTICES
from broodyear.synthetic.plan import Plan
from broodyear.synthetic.survival import hazards_of
from broodyear.synthetic.water import Water

EXPECTED_TOLERANCE_POINTS = 0.02
"""Expected survival is printed to 0.01 points."""


def effect(programme: Programme, factor: str, level: str) -> dict[str, dict[str, float]]:
    row = next(e for e in programme.truth["effects"] if (e["factor"], e["level"]) == (factor, level))
    return row["outcomes"]


def lived(**parts: dict[str, float]) -> Programme:
    """Two seasons of sixty tanks without readings, some numbers of the plan replaced."""
    return simulate(3, seasons=2, tanks=60, plan=changed(Plan(), **parts), with_readings=False)


def tank_seasons(programme: Programme) -> pd.DataFrame:
    return pd.DataFrame(programme.truth["tank_seasons"])


NOBODY_POOR = {"poor_tanks": 0, "poor_sites": 0}


@pytest.fixture(scope="module")
def ordinary() -> Programme:
    """Nobody is planted poor."""
    return lived(places=NOBODY_POOR)


@pytest.mark.parametrize(
    ("number", "column", "level"),
    [
        ("hallway_log_hazard", "room_type", "hallway"),
        ("layered_stones_alevin_log_hazard", "gravel_practice", "layered_stones"),
    ],
)
def test_the_effect_is_what_planting_it_does(ordinary: Programme, number: str, column: str, level: str) -> None:
    """Only tanks with the practice change when its number does, and by the stated points on average."""
    with_it, without = tank_seasons(ordinary), tank_seasons(lived(places=NOBODY_POOR, survival={number: 0.0}))
    change = with_it["expected_release_pct"] - without["expected_release_pct"]
    has_it = with_it[column] == level
    assert (change[~has_it] == 0).all()
    assert (change[has_it] < 0).all()
    stated = effect(ordinary, column, level)["delivered_to_release"]["difference_points"]
    # the statement averages over all tanks, the change over those that have it
    assert change[has_it].mean() == pytest.approx(stated, rel=0.45)


def survival_with(programme: Programme, column: str, value: object) -> dict[str, float]:
    """Mean expected survival by outcome, day by day, with one column of the set-ups at one value everywhere."""
    found: dict[str, list[np.ndarray]] = {outcome: [] for outcome in OUTCOMES}
    for truth in programme.seasons:
        changed_tanks = replace(truth, setups=truth.setups.assign(**{column: value}))
        hazard, _ = hazards_of(changed_tanks)
        background, shock = hazard.cumulative()
        for outcome, stages in OUTCOMES.items():
            met = (background + shock)[list(stages)][:, truth.main]
            found[outcome].append(np.exp(-met.sum(axis=0)))
    return {outcome: np.concatenate(met)[counted(programme, outcome)].mean() for outcome, met in found.items()}


def counted(programme: Programme, outcome: str) -> np.ndarray:
    """Tank-seasons the truth averages over: records reach the outcome, and not planted poor."""
    return np.concatenate([t.reaches()[outcome] & t.ordinary for t in programme.seasons])


@pytest.mark.parametrize("practice", PRACTICES, ids=lambda practice: practice.level)
def test_a_practice_is_lived_in_every_tank(programme: Programme, practice) -> None:
    with_it, without = (
        survival_with(programme, practice.factor, value) for value in (practice.with_it, practice.without)
    )
    stated = effect(programme, practice.factor, practice.level)
    assert set(stated) == set(OUTCOMES)
    for outcome, high in with_it.items():
        low = without[outcome]
        assert stated[outcome]["difference_points"] == pytest.approx(100 * (high - low), abs=0.006), outcome
        odds = high / (1 - high) / (low / (1 - low))
        assert stated[outcome]["odds_ratio"] == pytest.approx(odds, abs=0.0001), outcome


def test_one_degree_is_the_same_programme_in_warmer_water(monkeypatch: pytest.MonkeyPatch) -> None:
    """The whole programme simulated again with every hour of water 1 °C warmer, and the same luck."""
    as_it_was = lived(survival={"collapse_share": 0.0})
    run = conditions.simulate_water

    def warmer(*given: object) -> Water:
        water = run(*given)  # type: ignore[arg-type]
        return replace(water, hourly_c=water.hourly_c + 1.0)

    monkeypatch.setattr(conditions, "simulate_water", warmer)
    again = lived(survival={"collapse_share": 0.0})
    for outcome, column in (("hatch", "expected_hatch_pct"), ("delivered_to_release", "expected_release_pct")):
        change = tank_seasons(again)[column] - tank_seasons(as_it_was)[column]
        stated = effect(as_it_was, "mean_water_temp_c", "+1 °C")[outcome]["difference_points"]
        assert stated == pytest.approx(change[counted(as_it_was, outcome)].mean(), abs=EXPECTED_TOLERANCE_POINTS)
        assert stated < -0.3


def harmless_warmth(**further: float) -> Programme:
    """A programme in which neither warmth, hot hours nor bad days harm, with further numbers of survival."""
    usual = {"warm_log_hazard_per_c": 0.0, "hot_hazard_per_hour": 0.0, "bad_day_probability": 0.0}
    return lived(survival={**usual, **further})


def test_a_collapse_does_not_change_its_stage_with_a_quicker_hatch() -> None:
    """With nothing but collapses and development, a warmer tank is neither better nor worse in any outcome."""
    programme = harmless_warmth(still_water_hazard_per_hour=0.0, fry_hazard_per_day=0.0, collapse_share=0.3)
    assert sum(row["collapsed"] for row in programme.truth["tank_seasons"]) > 20
    for numbers in effect(programme, "mean_water_temp_c", "+1 °C").values():
        assert abs(numbers["difference_points"]) < 0.05


def test_warmth_that_harms_nobody_changes_nothing_at_hatch() -> None:
    """Eggs die by development, not by days: without warmth planted, a quicker hatch is no better or worse."""
    programme = harmless_warmth(collapse_share=0.0)
    assert abs(effect(programme, "mean_water_temp_c", "+1 °C")["hatch"]["difference_points"]) < 0.1


def test_the_truth_says_what_its_effects_mean(programme: Programme) -> None:
    named = set(programme.truth["effects_meaning"])
    for row in programme.truth["effects"]:
        assert set(row) - {"factor", "level", "reference", "outcomes"} <= named
        for numbers in row["outcomes"].values():
            assert set(numbers) <= named
    assert {"averaged_over", "+1 °C"} <= named


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
