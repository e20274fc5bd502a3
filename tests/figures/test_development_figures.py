"""Figures of development: what is drawn, and what is refused."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import pandas as pd
import pytest
from tests.development.derived_frames import daily_temperature, records, tank_seasons
from tests.development.programmes import simulate_programme

from broodyear.development import assess_development
from broodyear.development.forecast.figure_data import curve_data, fan_data, pairs_data
from broodyear.errors import NothingToAnalyse, Refused
from broodyear.figures.development import bands_figure, biases_figure, fan_figure
from broodyear.figures.development_stage import calibration_figure, errors_figure, stage_figure
from broodyear.figures.style import SERIES

KEY = ("chinook", "hatch_half")


@pytest.fixture(scope="module")
def found() -> Any:
    made = simulate_programme(5, tanks=120, batches=10)
    frame = made.frame.copy()
    frame.loc[0, "seen_day"] = np.nan
    return assess_development(frame, daily=made.daily, schemes=("batch_out",))


@pytest.fixture(scope="module")
def fan() -> pd.DataFrame:
    tanks = tank_seasons(1)
    source = records(tanks, daily_temperature(tanks, 12))
    return fan_data(source, 2024, "T00000", "hatch_half", dt.date(2024, 11, 19))


def drawn_stage(found: Any, **changes: Any) -> str:
    shown = {"curves": curve_data(found, *KEY), "predictions": found.predictions, "pairs": pairs_data(*KEY)}
    return stage_figure(**(shown | changes), name="stage", title="Chinook, half hatched")


def drawn_errors(found: Any, **changes: Any) -> str:
    shown = {"curves": curve_data(found, *KEY), "predictions": found.predictions}
    return errors_figure(**(shown | changes), name="errors", title="Chinook, half hatched: errors")


def test_a_stage_is_drawn_in_four_panels_the_same_way_each_time(found: Any) -> None:
    svg = drawn_stage(found)
    for model in curve_data(found, *KEY)["model"].unique():
        assert model in svg
    assert "Days to the stage" in svg and "Observed against predicted" in svg
    errors = drawn_errors(found)
    assert "Error by temperature" in errors and "Error by stock" in errors and errors == drawn_errors(found)
    assert "published values" in svg
    assert "stock not known" in drawn_errors(found, predictions=found.predictions.assign(donor_stock=None))
    curves = curve_data(found, *KEY)
    assert curves.loc[curves["model"].str.startswith("own_"), "low"].notna().all()
    assert svg == drawn_stage(found) and svg.startswith("<svg") and 'role="img"' in svg


def test_stocks_are_named_below_their_errors(found: Any) -> None:
    stocks = ["N-1", "S-2"] * len(found.predictions)
    svg = drawn_errors(found, predictions=found.predictions.assign(donor_stock=stocks[: len(found.predictions)]))
    assert "N-1" in svg and "S-2" in svg


def test_calibration_shows_transforms_and_held_shares(found: Any) -> None:
    svg = calibration_figure(found.pit, found.calibration, name="c", title="c")
    assert svg.count("event in its prediction") == 2 and "held (%): hollow 50, filled 95" in svg


def biases(**changes: Any) -> pd.DataFrame:
    one = {"group": "Coho", "label": "a model", "bias_days": 2.0, "bias_low": 1.0, "bias_high": 3.0}
    rows = [
        one | {"is_claimed": True},
        one | {"label": "b", "bias_low": -90.0, "bias_high": 94.0, "is_claimed": False},
    ]
    return pd.DataFrame(rows).assign(**changes)


def test_models_stand_under_their_group_and_wide_intervals_are_cut_off() -> None:
    svg = biases_figure(biases(), name="b", title="Bias")
    assert "Coho" in svg and "a model" in svg
    assert svg.count(f"stroke: {SERIES[1].colour}") >= 1  # the claimed one is in the colour of findings


def test_observed_bars_lie_about_the_own_curve(found: Any) -> None:
    own = found.predictions[found.predictions["model"] == found.shown[KEY][0]].dropna(
        subset=["equivalent_high_days"]
    )
    drawn = found.fits[KEY][found.shown[KEY][0].removeprefix("own_")].curve
    middle = 0.5 * (own["equivalent_low_days"] + own["equivalent_high_days"])
    # Batches differ by 3 % and looks are a day or three apart.
    assert np.median(middle / drawn.days(own["mean_temp_c"].to_numpy())) == pytest.approx(1.0, abs=0.03)


def test_bias_names_bands_with_too_few_batches(found: Any) -> None:
    cells = found.scores[found.scores["scheme"] == "batch_out"]
    cells = cells[cells["model"].isin(["own_log_inverse", "own_constant_units"])]
    svg = bands_figure(cells, name="bias", title="Chinook, half hatched")
    assert "too few batches" in svg
    assert "own_constant_units" in svg


def test_bias_names_bands_without_an_estimate(found: Any) -> None:
    cells = found.scores[found.scores["scheme"] == "batch_out"].copy()
    cells = cells[cells["model"] == "own_log_inverse"]
    cells.loc[cells["band"] == "7-9", ["bias_days", "bias_low", "bias_high"]] = np.nan
    cells.loc[cells["band"] == "7-9", "unscored"] = "no_interval"
    assert "no estimate" in bands_figure(cells, name="bias", title="Chinook, half hatched")


def test_fan_reaches_the_stage(fan: pd.DataFrame) -> None:
    assert fan["done_pct"].is_monotonic_increasing
    assert fan["done_pct"].iloc[-1] > 100
    assert (fan["low_95"] < fan["low_80"]).all() and (fan["high_80"] < fan["high_95"]).all()
    assert fan["is_recorded"].sum() == 13  # the moment of delivery and twelve days
    svg = fan_figure(fan, name="fan", title="Forecast of one tank")
    assert "stage reached" in svg and "from readings" in svg


def test_what_cannot_be_drawn_is_refused(found: Any, fan: pd.DataFrame) -> None:
    with pytest.raises(Refused, match="needs the column 'band'"):
        bands_figure(found.scores.drop(columns="band"), name="b", title="bias")
    with pytest.raises(Refused, match="nothing to draw"):
        fan_figure(fan.iloc[:0], name="f", title="fan")
    with pytest.raises(Refused, match="would hold 61 rows"):
        biases_figure(pd.concat([biases()] * 30), name="b", title="biases")
    curves = pd.concat([curve_data(found, *KEY).assign(model=f"m{i}") for i in range(5)])
    with pytest.raises(Refused, match="models are too many"):
        drawn_stage(found, curves=curves)
    tanks = tank_seasons(1)
    with pytest.raises(NothingToAnalyse, match="tank T9 has no eggs"):
        fan_data(records(tanks, daily_temperature(tanks, 3)), 2024, "T9", "hatch_half", dt.date(2024, 11, 9))
