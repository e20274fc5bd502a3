"""Curves are drawn of what could be scored, and of nothing where nothing could."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from broodyear.development.forecast.figure_data import curve_data
from broodyear.development.models.own_models import DevelopmentModel
from broodyear.development.models.published import default_model
from broodyear.development.scoring.assessment import PREDICTION_COLUMNS


def test_a_stage_that_could_not_be_scored_has_no_curves_and_spoils_no_others() -> None:
    found = SimpleNamespace(
        shown={("coho", "hatch_half"): (), ("chinook", "hatch_half"): (default_model("chinook", "hatch_half"),)},
        predictions=pd.DataFrame(columns=list(PREDICTION_COLUMNS)),
        fits={("coho", "hatch_half"): {}, ("chinook", "hatch_half"): {}},
        given={},
    )
    none = curve_data(found, "coho", "hatch_half")
    some = curve_data(found, "chinook", "hatch_half")
    assert none.empty and len(some)
    joined = pd.concat([none, some], ignore_index=True)
    assert joined.dtypes[["temp_c", "days", "low", "high"]].eq(float).all()


def test_a_model_of_ones_own_is_drawn_with_the_error_of_its_coefficients() -> None:
    mine = DevelopmentModel(
        "mine", "coho", "hatch_half", "constant_units", {"K": 480.0}, covariance=[[144.0]], valid_low_c=6.0,
        valid_high_c=8.0,
    )  # fmt: skip
    key = ("coho", "hatch_half")
    found = SimpleNamespace(
        shown={key: ("mine",)}, predictions=pd.DataFrame(columns=list(PREDICTION_COLUMNS)), fits={key: {}},
        given={"mine": mine},
    )  # fmt: skip
    at_eight = curve_data(found, *key).query("temp_c == 8").iloc[0]
    # 480 ± 12 units at 8 °C are 60 days, times e to ± 1.96 · 12 / 480
    assert (at_eight["days"], at_eight["is_own"]) == (60.0, False)
    assert at_eight["low"] == pytest.approx(60.0 * np.exp(-1.95996 * 0.025), rel=1e-4)
