"""Tables as they are written, and numbers that point at their row."""

from __future__ import annotations

import datetime as dt

import pandas as pd
import pytest
from markupsafe import Markup

from broodyear.reports.parts import Bullets, Heading, filled, say, side_by_side
from broodyear.reports.tables import declared_first, report_table, safe_text, shown


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
    assert report_table("t", frame).csv() == (
        'separable,last_record_on,pct,note,tanks\ntrue,2024-03-01,72.5,"a, b",3\nfalse,,,,\n'
    )


def test_last_bits_of_a_sum_do_not_change_the_bytes() -> None:
    one, other = 0.1 + 0.2, 0.3
    assert one != other
    tables = [report_table("t", pd.DataFrame({"x": [value]})).csv() for value in (one, other)]
    assert tables[0] == tables[1]


@pytest.mark.parametrize("text", ["=1+1", "+cmd|x", "-2+3", "@sum", "\tx", "+1+cmd|' /C calc'!A0"])
def test_text_that_a_spreadsheet_would_run_gets_an_apostrophe(text: str) -> None:
    assert safe_text(text) == f"'{text}"


@pytest.mark.parametrize("text", ["+1 °C", "-5", "T-001", "a=b", "+0.5 °C"])
def test_steps_and_codes_stay_as_they_are(text: str) -> None:
    assert safe_text(text) == text


def test_required_columns_come_first_and_exist_even_in_an_empty_table() -> None:
    table = report_table("practices", pd.DataFrame({"b": [1]}), ("a", "b"))
    assert list(table.frame.columns) == ["a", "b"]
    assert report_table("x", pd.DataFrame(), ("a",)).csv() == "a\n"


def test_a_number_names_its_table_and_spreadsheet_row() -> None:
    table = report_table("t", pd.DataFrame({"tank_id": ["A", "B"], "observed_pct": [41.26, 80.0]}))
    sentence = say("only {pct} lived", pct=table.at(0, "observed_pct", "pct"))
    assert sentence == Markup(
        'only <data value="41.26" data-from="t.csv#row=2" data-column="observed_pct">41\u202f%</data> lived'
    )


def test_a_hostile_code_stays_text() -> None:
    table = report_table("setups", pd.DataFrame({"tank_id": ["<script>x</script>\" onload='y'"]}))
    sentence = str(say("{tank}", tank=table.at(0, "tank_id", "id")))
    assert "<script" not in sentence
    assert "onload=&#39;y&#39;" in sentence


def test_columns_without_content_are_left_out_of_the_page_but_not_of_the_file() -> None:
    table = report_table("inflation", pd.DataFrame({"factor": ["light_cover"], "gvif_per_df": [None]}))
    assert [one.title for one in shown(table).columns] == ["practice"]
    assert table.csv().startswith("factor,gvif_per_df\n")


def test_an_interval_stands_in_one_cell() -> None:
    limits = {"difference_low": [-1.0, None], "difference_high": [2.5, None]}
    view = shown(report_table("effects", pd.DataFrame(limits), ()))
    assert [cells[0].text for _, cells in view.lines] == ["\u22121.0 to +2.5", "–"]
    assert [(one.title, one.kind) for one in view.columns] == [("95 % interval", "points")]


def test_a_table_may_head_and_write_a_column_in_its_own_way() -> None:
    row = {"site_id": "S-1", "tanks": "T-1; T-2", "in_short": "low"}
    view = shown(report_table("visits", pd.DataFrame([row])), more="2 more are in the table. ")
    assert [(one.title, one.css) for one in view.columns] == [("site", ""), ("tanks", ""), ("why", "long")]
    assert view.note.startswith("2 more are in the table. Points short")
    assert [one.title for one in shown(report_table("losses", pd.DataFrame([{"tanks": 3}]))).columns] == [
        "tanks with a count"
    ]


#: What others read of these tables, in this order.
READ_BY_OTHERS = {
    "watchlist": "tank_id site_id region kind since detail first_check",
    "effects": "outcome factor level reference tanks batches odds_ratio or_low or_high difference_points"
    " difference_low difference_high p_value method note",
    "setups": "season tank_id site_id region batch_id room_type gravel_practice outcome eggs survivors"
    " observed_pct expected_pct shrunken_pct shrunken_low shrunken_high fish_below_expected p_value q_value"
    " verdict losing_stage circumstances place_verdict",
    "practices": "room_type gravel_practice outcome tanks batches seasons eggs adjusted_pct adjusted_low"
    " adjusted_high difference_points difference_low difference_high note",
    "regions": "region outcome tanks batches batches_shared raw_pct adjusted_pct adjusted_low adjusted_high"
    " separable note",
    "scores": "species stage model scheme band tanks batches bias_days bias_low bias_high mae_days coverage_50"
    " coverage_80 coverage_95 log_score skill_vs_constant donor_stock",
}


@pytest.mark.parametrize("name", READ_BY_OTHERS)
def test_tables_keep_the_columns_that_others_read(name: str) -> None:
    assert " ".join(declared_first(name)) == READ_BY_OTHERS[name]


def test_a_page_leaves_out_tables_without_rows_and_lists_without_items() -> None:
    table = report_table("visits", pd.DataFrame({"site_id": ["S-1"], "region": ["north"]}))
    heading, listed, rows = Heading(Markup("Here")), Bullets((Markup("one"),)), shown(table, more="")
    blocks = [heading, Bullets(()), listed, shown(table, [], more=""), rows]
    assert filled(blocks) == list(side_by_side(blocks)) == [heading, listed, rows]
