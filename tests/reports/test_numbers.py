"""Numbers as people read them."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from broodyear.reports.numbers import THIN, known, season_name, written


@pytest.mark.parametrize(
    ("value", "kind", "text"),
    [
        (1234567, "whole", f"1{THIN}234{THIN}567"),
        (72.44, "pct", f"72{THIN}%"),
        (72.44, "number", "72.4"),
        (-4.26, "points", "\u22124.3"),
        (4.26, "points", "+4.3"),
        (-0.04, "points", "0.0"),
        (6.4, "points_words", "+6 points"),
        (0.00001, "p", "<0.001"),
        (0.0421, "p", "0.042"),
        (0.42, "p", "0.42"),
        (dt.date(2024, 11, 8), "date", f"8{THIN}Nov{THIN}2024"),
        (pd.Timestamp("2024-11-08"), "date", f"8{THIN}Nov{THIN}2024"),
        ("gravel_and_single_layer_stones", "words", "gravel and single layer stones"),
        (True, "yes_no", "yes"),
        (np.False_, "yes_no", "no"),
        ("below_expected", "verdict", "▼ below expected"),
        (2023, "year", "2023/24"),
    ],
)
def test_each_kind_is_written_for_people(value: object, kind: str, text: str) -> None:
    assert written(value, kind) == text


@pytest.mark.parametrize("nothing", [None, float("nan"), pd.NA, pd.NaT, np.nan])
def test_nothing_known_is_a_dash_and_never_nan(nothing: object) -> None:
    assert not known(nothing)
    assert written(nothing, "whole") == "–"


def test_a_season_of_the_century_turn_keeps_two_digits() -> None:
    assert season_name(2099) == "2099/00"
