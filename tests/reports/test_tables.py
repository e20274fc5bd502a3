"""Tables as they are written, and numbers that point at their row."""

from __future__ import annotations

import datetime as dt

import pandas as pd
import pytest
from markupsafe import Markup

from broodyear.reports.parts import say
from broodyear.reports.tables import column, interval_column, report_table, safe_text, table_view


def test_csv_holds_booleans_dates_and_blanks_as_others_read_them() -> None:
    frame = pd.DataFrame(
        {
            "separable": [True, False],
            "last_record_on": [dt.date(2024, 3, 1), None],
            "pct": [72.5, float("nan")],
            "note": ["a, b", None],
            "tanks": pd.array([3, None], dtype="Int64"),
        }
    )
    assert report_table("regions", "Regions", frame).csv() == (
        'separable,last_record_on,pct,note,tanks\ntrue,2024-03-01,72.5,"a, b",3\nfalse,,,,\n'
    )


def test_last_bits_of_a_sum_do_not_change_the_bytes() -> None:
    one, other = 0.1 + 0.2, 0.3
    assert one != other
    tables = [report_table("t", "t", pd.DataFrame({"x": [value]})).csv() for value in (one, other)]
    assert tables[0] == tables[1]


@pytest.mark.parametrize("text", ["=1+1", "+cmd|x", "-2+3", "@sum", "\tx", "+1+cmd|' /C calc'!A0"])
def test_text_that_a_spreadsheet_would_run_gets_an_apostrophe(text: str) -> None:
    assert safe_text(text) == f"'{text}"


@pytest.mark.parametrize("text", ["+1 °C", "-5", "T-001", "a=b", "+0.5 °C"])
def test_steps_and_codes_stay_as_they_are(text: str) -> None:
    assert safe_text(text) == text


def test_required_columns_come_first_and_exist_even_in_an_empty_table() -> None:
    table = report_table("practices", "Practices", pd.DataFrame({"b": [1]}), ("a", "b"))
    assert list(table.frame.columns) == ["a", "b"]
    assert report_table("x", "x", pd.DataFrame(), ("a",)).csv() == "a\n"


def test_a_number_names_its_table_and_spreadsheet_row() -> None:
    table = report_table("setups", "Tanks", pd.DataFrame({"tank_id": ["A", "B"], "observed_pct": [41.26, 80.0]}))
    sentence = say("only {pct} lived", pct=table.at(0, "observed_pct", "pct"))
    assert sentence == Markup(
        'only <data value="41.26" data-from="setups.csv#row=2" data-column="observed_pct">41\u202f%</data> lived'
    )


def test_a_hostile_code_stays_text() -> None:
    table = report_table("setups", "Tanks", pd.DataFrame({"tank_id": ["<script>x</script>\" onload='y'"]}))
    sentence = str(say("{tank}", tank=table.at(0, "tank_id", "id")))
    assert "<script" not in sentence
    assert "onload=&#39;y&#39;" in sentence


def test_columns_without_content_are_left_out_of_the_page_but_not_of_the_file() -> None:
    table = report_table("t", "t", pd.DataFrame({"a": [1], "b": [None]}))
    view = table_view(
        table, "T", [column("a", "a", "whole"), column("b", "b", "whole"), column("c", "c", "whole")]
    )
    assert [one.title for one in view.columns] == ["a"]
    assert table.csv().startswith("a,b\n")


def test_an_interval_stands_in_one_cell() -> None:
    table = report_table("t", "t", pd.DataFrame({"low": [-1.0, None], "high": [2.5, None]}))
    view = table_view(table, "T", [interval_column("low", "high", "95 %", "points")])
    assert [cells[0].text for _, cells in view.lines] == ["\u22121.0 to +2.5", "–"]
