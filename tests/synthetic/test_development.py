"""The development of the invented programme, by hand where it can be."""

from __future__ import annotations

import numpy as np
import pytest

from broodyear.synthetic.development import TRUE_CURVES, crossing, develop
from broodyear.synthetic.plan import DevelopmentPlan

HOURLY_STEP_DAYS = 0.002
"""Hours are summed and crossings interpolated inside the hour: rounding is all that is left."""


@pytest.mark.parametrize("species", sorted(TRUE_CURVES))
@pytest.mark.parametrize("temp_c", [4.0, 8.0, 12.0])
def test_constant_water_takes_the_days_of_the_curve(species: str, temp_c: float) -> None:
    hourly = np.full((1, 24 * 300), temp_c)
    start = np.array([48.0])
    grown = develop(np.array([species]), hourly, start, np.zeros(1), np.ones(1), DevelopmentPlan())
    to_hatch, to_button_up = TRUE_CURVES[species]
    assert grown.hatch_day[0] - 2 == pytest.approx(to_hatch.days(temp_c), abs=HOURLY_STEP_DAYS)
    # button-up counts whole hours after hatch: up to an hour is rounded
    assert grown.button_up_day[0] - grown.hatch_day[0] == pytest.approx(to_button_up.days(temp_c), abs=1.1 / 24)


def test_a_faster_batch_is_earlier_by_its_factor() -> None:
    hourly = np.full((2, 24 * 200), 8.0)
    coho = np.array(["coho", "coho"])
    grown = develop(coho, hourly, np.zeros(2), np.zeros(2) + 1e-9, np.array([1.0, 1.1]), DevelopmentPlan())
    assert grown.hatch_day[0] / grown.hatch_day[1] == pytest.approx(1.1, rel=1e-4)


def test_variance_within_the_day_quickens_a_little() -> None:
    steady = np.full((1, 24 * 120), 8.0)
    swinging = steady + 2 * np.sin(2 * np.pi * np.arange(24 * 120) / 24)
    coho = np.array(["coho"])
    days = [
        develop(coho, water, np.zeros(1), np.full(1, 0.01), np.ones(1), DevelopmentPlan()).hatch_day[0]
        for water in (steady, swinging)
    ]
    assert 0.1 < days[0] - days[1] < 2.0


def test_crossing_inside_a_step() -> None:
    # 0.5 after step 1, 1.5 after step 2: 1.0 is reached half-way through the third step (steps count from 0)
    assert crossing(np.array([[0.0, 0.5, 1.5]]), 1.0)[0] == pytest.approx(2.5)
    assert crossing(np.array([[0.0, 0.5, 1.5]] * 2), np.array([1.0, 0.25])) == pytest.approx([2.5, 1.5])
    assert np.isnan(crossing(np.array([[0.0, 0.5, 0.9]]), 1.0)[0])
    assert np.isnan(crossing(np.array([[1.0, 1.5, 1.9]]), 1.0)[0]), "passed before anyone could see it"


@pytest.mark.parametrize(
    ("species", "temp_c", "low", "high"),
    [("chinook", 8, 65, 75), ("coho", 8, 54, 63), ("rainbow_trout", 10, 29, 35)],
)
def test_curves_lie_where_hatcheries_see_hatch(species: str, temp_c: float, low: float, high: float) -> None:
    """Plausible, not fitted: chinook 71 d at 8 °C (Heming 1982), trout 32 d at 10 °C (From 1991)."""
    assert low < TRUE_CURVES[species][0].days(temp_c) < high
