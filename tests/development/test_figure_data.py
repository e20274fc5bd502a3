"""Curves are drawn of what could be scored, and of nothing where nothing could."""

from __future__ import annotations

from types import SimpleNamespace

import pandas as pd

from broodyear.development.forecast.figure_data import curve_data
from broodyear.development.models.published import default_model
from broodyear.development.scoring.assessment import PREDICTION_COLUMNS


def test_a_stage_that_could_not_be_scored_has_no_curves_and_spoils_no_others() -> None:
    found = SimpleNamespace(
        shown={("coho", "hatch_half"): (), ("chinook", "hatch_half"): (default_model("chinook", "hatch_half"),)},
        predictions=pd.DataFrame(columns=list(PREDICTION_COLUMNS)),
        fits={("coho", "hatch_half"): {}, ("chinook", "hatch_half"): {}},
    )
    none = curve_data(found, "coho", "hatch_half")
    some = curve_data(found, "chinook", "hatch_half")
    assert none.empty and len(some)
    joined = pd.concat([none, some], ignore_index=True)
    assert joined.dtypes[["temp_c", "days", "low", "high"]].eq(float).all()
