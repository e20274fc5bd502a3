"""Summing daily rates when the temperature varies."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from broodyear.development import (
    DevelopmentModel,
    PlannedDelivery,
    days_to_stage,
    default_model,
    forecast_day,
    fraction_at_delivery,
    published_disagreements,
    published_models,
    units_c_days,
)
from broodyear.development.models.forms import Curve
from broodyear.errors import BroodyearWarning, UsageError

GOLDEN = Path(__file__).parents[1] / "golden" / "development"
# The cases are exact arithmetic printed to three decimals.
EXACT_DAYS = 0.001

CONSTANT_500 = Curve("units", "constant_units", {"K": 500.0}, 0.0, 30.0)


def _regime(words: str) -> np.ndarray:
    """Daily temperatures of a case, 400 days long."""
    days = np.arange(400)
    regimes = {
        "constant 8 C": np.full(400, 8.0),
        "constant 4 C": np.full(400, 4.0),
        "constant 6 C": np.full(400, 6.0),
        "constant 10 C": np.full(400, 10.0),
        "30 d at 12 C then 5 C": np.where(days < 30, 12.0, 5.0),
        "alternate days 6/10 C (mean 8)": np.where(days % 2 == 0, 6.0, 10.0),
        "alternate days 2/14 C (mean 8)": np.where(days % 2 == 0, 2.0, 14.0),
        "linear 10 to 3 C over 60 d, then 3 C": np.maximum(
            10.0 - 7.0 * days / 59.0, 3.0
        ),  # 10 °C on the first of 60 days, 3 °C on the last
        "20 d at 8 C then 2 C": np.where(days < 20, 8.0, 2.0),
        "10 d at 5 C then 12 C": np.where(days < 10, 5.0, 12.0),
    }
    return regimes[words]


@pytest.mark.parametrize("case", pd.read_csv(GOLDEN / "varying_temperature_cases.csv").to_dict("records"))
def test_exact_cases(case: dict[str, str | float]) -> None:
    day = forecast_day(case["model"], _regime(str(case["regime"])))
    assert day == pytest.approx(float(case["day"]), abs=EXACT_DAYS)


def test_constant_temperature_gives_the_days_of_the_curve() -> None:
    assert forecast_day("Crisp1981_Atlantic_salmon", np.full(200, 7.3)) == pytest.approx(
        days_to_stage("Crisp1981_Atlantic_salmon", 7.3), rel=1e-12
    )


def test_a_stage_reached_at_the_very_end_of_the_record_is_reached() -> None:
    assert forecast_day(CONSTANT_500, np.full(50, 10.0)) == pytest.approx(50.0, abs=1e-9)
    assert np.isnan(forecast_day(CONSTANT_500, np.full(49, 10.0)))
    assert np.isnan(forecast_day(CONSTANT_500, []))


def test_start_counts_and_a_stage_already_reached_is_day_zero() -> None:
    assert forecast_day(CONSTANT_500, np.full(60, 10.0), fraction_at_start=0.6) == pytest.approx(20.0)
    assert forecast_day(CONSTANT_500, np.full(60, 10.0), fraction_at_start=1.0) == 0.0
    assert forecast_day(CONSTANT_500, [], fraction_at_start=1.3) == 0.0


def test_a_day_at_or_below_the_zero_of_the_form_adds_nothing() -> None:
    still = np.concatenate([np.full(25, 10.0), np.full(10, -0.4), np.zeros(5), np.full(25, 10.0)])
    with pytest.warns(BroodyearWarning, match="10 of 65 temperatures"):
        assert forecast_day(CONSTANT_500, still) == pytest.approx(65.0)


def test_missing_temperatures_and_shares_are_refused_in_words() -> None:
    with pytest.raises(UsageError, match="2 of 4 daily temperatures are missing"):
        forecast_day(CONSTANT_500, [8.0, np.nan, None, 8.0])
    with pytest.raises(UsageError, match="fraction at the start"):
        forecast_day(CONSTANT_500, [8.0], fraction_at_start=float("nan"))
    for share in (None, "half", {}, [0.5, 0.6]):
        with pytest.raises(UsageError, match="the fraction at the start is"):
            forecast_day(CONSTANT_500, [8.0], fraction_at_start=share)  # type: ignore[arg-type]
    with pytest.raises(UsageError, match="the fraction at the start is inf; expected 0"):
        forecast_day(CONSTANT_500, [8.0], fraction_at_start=np.inf)
    with pytest.raises(UsageError, match="1 of 2 temperatures are infinite; fill or leave out the gap first"):
        forecast_day(CONSTANT_500, [8.0, np.inf])
    with pytest.raises(UsageError, match="shape"):
        forecast_day(CONSTANT_500, np.full((2, 3), 8.0))
    with pytest.raises(UsageError, match="a temperature is missing"):
        days_to_stage(CONSTANT_500, [8.0, np.nan])


def test_a_model_made_for_nobody_knows_which_temperatures_says_so() -> None:
    mine = DevelopmentModel("mine", "coho", "hatch_half", "constant_units", {"K": 480.0})
    said = (
        "mine: it is not stated for which temperatures it was made; 3 of 3 temperatures, 8.0 °C, may be an "
        "extrapolation; give the number without an interval"
    )
    with pytest.warns(BroodyearWarning, match=f"^{re.escape(said)}$"):
        forecast_day(mine, [8.0, 8.0, 8.0])


def test_model_may_be_a_name_a_row_or_a_curve() -> None:
    models = published_models().set_index("model", drop=False)
    by_row = forecast_day(models.loc["BM1990_chinook_emergence"], np.full(200, 8.0))
    assert by_row == forecast_day("BM1990_chinook_emergence", np.full(200, 8.0))
    with pytest.raises(UsageError, match="a model is the name"):
        forecast_day(3.5, [8.0])


def test_nine_hundred_fahrenheit_units_are_five_hundred() -> None:
    assert units_c_days(900.0, "f_days") == pytest.approx(500.0)
    assert units_c_days(500.0, "c_days") == 500.0
    np.testing.assert_allclose(units_c_days([756.0, 900.0], "f_days"), [420.0, 500.0])
    with pytest.raises(UsageError, match="unknown thermal unit"):
        units_c_days(500.0, "degrees")


def test_fraction_at_delivery_of_three_hundred_units() -> None:
    # Chinook, 300 units at 5, 8 and 11 °C: 0.561, 0.543, 0.562 by the Crisp 1981 coefficients (worked example
    # of the delivery share, computed from D = 10^3.9166 (T + 6)^−1.8126).
    share = fraction_at_delivery("Crisp1981_chinook", 300.0, [5.0, 8.0, 11.0])
    np.testing.assert_allclose(share, [0.561, 0.543, 0.562], atol=0.0006)
    assert np.isnan(fraction_at_delivery("Crisp1981_chinook", 300.0, np.nan))


@settings(max_examples=50, deadline=None)
@given(
    temps=st.lists(st.floats(2.0, 14.0), min_size=120, max_size=120),
    split=st.integers(1, 20),
)
def test_splitting_the_record_changes_nothing(temps: list[float], split: int) -> None:
    """Development so far carried as the starting fraction gives the same day as the whole record."""
    whole = forecast_day("BM1990_chinook_emergence", np.tile(temps, 3)[:330])
    drawn = published_models().set_index("model", drop=False).loc["BM1990_chinook_emergence"]
    before = float(np.sum(1.0 / days_to_stage(drawn, temps[:split])))
    rest = forecast_day(drawn, np.tile(temps, 3)[split:330], fraction_at_start=before)
    assert whole == pytest.approx(split + rest, abs=1e-6)


@pytest.mark.parametrize(
    "call",
    [
        lambda given: default_model(given, "hatch_half"),
        lambda given: fraction_at_delivery("Crisp1981_chinook", given, 8.0),
        lambda given: units_c_days(given, "c_days"),
        lambda given: published_disagreements(given),
        lambda given: PlannedDelivery("coho", given, 300.0),
        lambda given: PlannedDelivery("coho", dt.date(2024, 1, 1), given),
    ],
)
def test_what_is_no_word_number_or_date_is_refused_in_words(call: Callable[[Any], Any]) -> None:
    with pytest.raises(UsageError, match="this is of type dict|are {}; expected 0 to 3000"):
        call({})
