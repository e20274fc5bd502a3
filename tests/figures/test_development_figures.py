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
from broodyear.figures.development import bias_figure, curves_figure, fan_figure, predicted_figure

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


def test_curves_draw_own_and_published_models_with_the_tanks(found: Any) -> None:
    curves = curve_data(found, *KEY)
    own = found.predictions[found.predictions["model"] == found.shown[KEY][0]]
    svg = curves_figure(curves, own, pairs_data(*KEY), name="curves", title="Days to half hatched")
    for model in curves["model"].unique():
        assert model in svg
    assert "published values" in svg
    assert curves.loc[curves["model"].str.startswith("own_"), "low"].notna().all()
    assert svg == curves_figure(curves, own, pairs_data(*KEY), name="curves", title="Days to half hatched")


def test_observed_bars_lie_about_the_own_curve(found: Any) -> None:
    own = found.predictions[found.predictions["model"] == found.shown[KEY][0]].dropna()
    drawn = found.fits[KEY][found.shown[KEY][0].removeprefix("own_")].curve
    middle = 0.5 * (own["equivalent_low_days"] + own["equivalent_high_days"])
    # Batches differ by 3 % and looks are a day or three apart.
    assert np.median(middle / drawn.days(own["mean_temp_c"].to_numpy())) == pytest.approx(1.0, abs=0.03)


def test_predicted_against_observed_has_one_panel_per_model(found: Any) -> None:
    svg = predicted_figure(found.predictions, name="predicted", title="Predicted and observed")
    assert svg.count("predicted (days after delivery)") == 2
    assert svg.startswith("<svg") and 'role="img"' in svg


def test_bias_names_bands_with_too_few_batches(found: Any) -> None:
    cells = found.scores[found.scores["scheme"] == "batch_out"]
    svg = bias_figure(cells, name="bias", title="Bias by temperature")
    assert "too few batches" in svg
    assert "own_constant_units" in svg


def test_bias_names_bands_that_cannot_be_told(found: Any) -> None:
    cells = found.scores[found.scores["scheme"] == "batch_out"].copy()
    cells.loc[cells["band"] == "7-9", ["bias_days", "bias_low", "bias_high"]] = np.nan
    assert "cannot be told" in bias_figure(cells, name="bias", title="Bias by temperature")


def test_fan_reaches_the_stage(fan: pd.DataFrame) -> None:
    assert fan["done_pct"].is_monotonic_increasing
    assert fan["done_pct"].iloc[-1] > 100
    assert (fan["low_95"] < fan["low_80"]).all() and (fan["high_80"] < fan["high_95"]).all()
    assert fan["is_recorded"].sum() == 13  # the moment of delivery and twelve days
    svg = fan_figure(fan, name="fan", title="Forecast of one tank")
    assert "stage reached" in svg and "from readings" in svg


def test_what_cannot_be_drawn_is_refused(found: Any, fan: pd.DataFrame) -> None:
    with pytest.raises(Refused, match="needs the column 'band'"):
        bias_figure(found.scores.drop(columns="band"), name="b", title="bias")
    with pytest.raises(Refused, match="nothing to draw"):
        fan_figure(fan.iloc[:0], name="f", title="fan")
    many = pd.concat([found.predictions.assign(model=f"m{i}") for i in range(4)])
    with pytest.raises(Refused, match="4 models are too many"):
        predicted_figure(many, name="p", title="predictions")
    curves = pd.concat([curve_data(found, *KEY).assign(model=f"m{i}") for i in range(5)])
    with pytest.raises(Refused, match="5 models are too many"):
        curves_figure(curves, found.predictions, pairs_data(*KEY), name="c", title="curves")
    tanks = tank_seasons(1)
    with pytest.raises(NothingToAnalyse, match="tank T9 has no eggs"):
        fan_data(records(tanks, daily_temperature(tanks, 3)), 2024, "T9", "hatch_half", dt.date(2024, 11, 9))
