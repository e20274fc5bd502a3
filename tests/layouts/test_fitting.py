"""Which layouts fit a file, and what its headings are called."""

from __future__ import annotations

import pytest

from broodyear.layouts import Layout, fitting, header_position, heading_names
from broodyear.layouts.model import cell_place, column_letters

ROWS = [["Tank diary", "", ""], ["", "", ""], [" DATE", "Water\n(F)", "Dead"], ["2026-11-06", "46", "1"]]


def test_the_header_is_the_first_row_that_holds_all_headings() -> None:
    assert header_position(Layout("a", ("Date", "water (f)")), ROWS) == 2
    assert header_position(Layout("a", ("Date", "Stage")), ROWS) is None


@pytest.mark.parametrize(
    ("layout", "fits"),
    [
        (Layout("a", ("Date",)), True),
        (Layout("a", ("Date",), files="Diary *.XLSX"), True),
        (Layout("a", ("Date",), files="log*"), False),
        (Layout("a", ("Date",), sheet="log*"), True),
        (Layout("a", ("Date",), sheet="notes"), False),
        (Layout("a", ("Eggs",)), False),
    ],
)
def test_name_sheet_and_header_must_all_fit(layout: Layout, fits: bool) -> None:
    assert (fitting([layout], "diary GUL-01.xlsx", "Log 1", ROWS) == [layout]) is fits


def test_a_layout_for_a_sheet_fits_no_plain_file() -> None:
    assert fitting([Layout("a", ("Date",), sheet="*")], "diary.csv", None, ROWS) == []


def test_blank_and_repeated_headings_have_names_of_their_own() -> None:
    names = heading_names(["Date", "Water", " ", "water", "Dead"])
    assert names.shown == ("Date", "Water", "column C", "water (2)", "Dead")
    assert names.position(" WATER ") == 1
    assert names.position("column c") == 2
    assert names.position("Stage") is None
    assert names.matching("wat*") == [1, 3]


def test_addresses_as_a_spreadsheet_shows_them() -> None:
    assert [column_letters(place) for place in (0, 25, 26, 701, 702)] == ["A", "Z", "AA", "ZZ", "AAA"]
    assert cell_place("B1") == (1, 1)
    assert cell_place("AAA12") == (12, 702)
