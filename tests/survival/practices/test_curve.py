"""Whether the report says when one step per degree cannot stand for the effect of temperature."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import expit
from scipy.stats import chi2
from tests.simulated.tank_seasons import draw_tank_seasons

from broodyear.survival import effects_report, fit_survival
from broodyear.survival.practices.diagnostics import curvature_of, spline_columns
from broodyear.survival.practices.factors import outcome_rows
from broodyear.survival.practices.model import centred, fit_adjusted
from broodyear.survival.tank_frame import prepare

#: °C; survival is planted highest here in the bent programme.
BEST_C = 9.0
#: A curve of 4 knots through 300 tanks tells the place of a maximum no better than this, °C.
NEAR_C = 1.0
#: Second differences of cubes of numbers near ten.
ROUNDING = 1e-10


def step_of(frame: pd.DataFrame) -> tuple[str, str]:
    """The note of the step, and that of the temperature model."""
    report = effects_report(frame)
    rows, notes = report.effects.set_index("level"), report.fit_notes.set_index("model")
    return str(rows.loc["+1 °C", "note"]), str(notes.loc["temperature", "note"])


def bent(frame: pd.DataFrame) -> pd.DataFrame:
    """The same tanks, their survival falling with the square of the distance from the best temperature."""
    off_c = frame["mean_water_temp_c"] - BEST_C
    chance = expit(2.2 - 0.35 * off_c**2)
    return frame.assign(survivors=np.random.default_rng(4).binomial(frame["eggs"], chance))


def test_a_line_is_left_alone() -> None:
    note, fitted = step_of(draw_tank_seasons(np.random.default_rng(2)))
    assert "straight line" not in note
    assert "Temperature is not shown to act in anything but a straight line (p = 0." in fitted


def test_an_optimum_is_said_beside_the_step() -> None:
    note, fitted = step_of(bent(draw_tank_seasons(np.random.default_rng(2))))
    assert note.startswith(
        "not a straight line (p < 0.001): one step cannot stand for every temperature; by the curve"
    )
    assert "Temperature does not act in a straight line (p < 0.001)." in fitted
    near_c = float(note.split("highest near ")[1].split(" °C")[0])
    assert abs(near_c - BEST_C) < NEAR_C


def test_too_few_temperatures_for_a_curve_leave_the_step_alone() -> None:
    frame = draw_tank_seasons(np.random.default_rng(2))
    whole = frame.assign(mean_water_temp_c=frame["mean_water_temp_c"].gt(9.0).map({True: 10.0, False: 8.0}))
    note, fitted = step_of(whole)
    assert "straight line" not in note + fitted


def test_the_spline_is_straight_beyond_its_outer_knots_and_bent_between() -> None:
    knots = np.array([6.0, 8.0, 10.0, 12.0])
    outside, inside = (
        spline_columns(np.array([12.0, 13.0, 14.0]), knots),
        spline_columns(np.linspace(7, 9, 3), knots),
    )
    assert np.abs(np.diff(outside, n=2, axis=0)).max() < ROUNDING
    assert np.abs(np.diff(inside, n=2, axis=0)).max() > 0.01
    assert not spline_columns(np.array([4.0, 6.0]), knots).any()


def test_the_test_of_a_line_is_about_that_of_a_likelihood_ratio() -> None:
    """One step from the fit against two fits of the whole model, on a programme that is plainly bent."""
    frame = draw_tank_seasons(np.random.default_rng(2))
    off_c = frame["mean_water_temp_c"] - BEST_C
    chance = expit(1.9 - 0.06 * off_c**2)
    frame["survivors"] = np.random.default_rng(4).binomial(frame["eggs"], chance)
    frame["tank_season"] = np.arange(len(frame))
    line, spline = (
        fit_survival(
            frame, f"gravel_practice + room_type + species + {term}", survived="survivors", trials="eggs",
            groups=["site_id", "batch_id", "season", "tank_season"],
        )
        for term in ("mean_water_temp_c", "cr(mean_water_temp_c, df=3, constraints='center')")
    )  # fmt: skip
    want = chi2.sf(2.0 * (spline.log_likelihood - line.log_likelihood), 2)
    rows = prepare(frame)
    temps = rows["mean_water_temp_c"].to_numpy(dtype=float)
    coded = outcome_rows(rows, "delivered_to_release")
    model = fit_adjusted(coded.used, list(coded.factors.values()), centred("mean_water_temp_c", temps))
    found = curvature_of(model, "mean_water_temp_c", temps)
    # The knots differ a little (5 and 95 % against the ends), so only the size of the evidence is compared.
    assert abs(np.log10(found.p_value) - np.log10(want)) < 0.15 * abs(np.log10(want)) + 0.5
