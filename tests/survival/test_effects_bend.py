"""Whether the report says when one step per degree cannot stand for the effect of temperature."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import expit

from broodyear.survival import effects_report
from broodyear.synthetic.tank_seasons import draw_tank_seasons

#: °C; survival is planted highest here in the bent programme.
BEST_C = 9.0
#: A curve of 4 knots through 300 tanks tells the place of a maximum no better than this, °C.
NEAR_C = 1.0


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


def test_too_few_temperatures_for_a_curve_are_said() -> None:
    frame = draw_tank_seasons(np.random.default_rng(2))
    whole = frame.assign(mean_water_temp_c=frame["mean_water_temp_c"].gt(9.0).map({True: 10.0, False: 8.0}))
    note, fitted = step_of(whole)
    assert "straight line" not in note
    assert "Whether temperature acts in a straight line cannot be told: Column" in fitted
    assert "2 distinct values" in fitted
