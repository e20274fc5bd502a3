"""Drafts of files as tired people keep them: what their cells, names and neighbours say is taken, nothing else."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pytest
from tests.intake.drafting.test_drafts import draft, drafts, read

from broodyear.intake.drafting import Draft, draft_text
from broodyear.intake.drafting.tables_beside import blocks_of
from broodyear.layouts import Rows, Value, heading_names


def only(made: Draft) -> Rows:
    """The rows of a draft that feeds one table."""
    (rows,) = made.layout.rows
    return rows


RELEASES = (
    "Tank,Day,Fish,Counted by\nA-1,5/16/2025,119 fry,hand\nB-1,5/19/2025,about 120,?\nC-1,5/21/2025,161,hand\n"
)


def test_numbers_of_fish_are_a_count_and_no_species(tmp_path: Path) -> None:
    made = draft(tmp_path, "releases 2025.csv", f"{RELEASES}\nTotal,,400,\n")
    rows = only(made)
    assert (rows.table, rows.only_when) == ("exits", ("Day",))
    assert dict(rows.columns)["count"] == Value("column", "Fish", without=("fry",))
    assert dict(rows.columns)["fate"] == Value("constant", "released")
    assert made.guesses["exits", "fate"] == "the name of the file says it"
    assert made.words["exits", "count"] == ("about 120",)


def test_a_heading_says_that_fish_were_released(tmp_path: Path) -> None:
    made = draft(tmp_path, "fish.csv", 'Tank,Released on,How many\nA-1,"Friday, 16 May 2025",119\n')
    assert made.guesses["exits", "fate"] == "the heading says it"
    assert [row for _, row in made.preview[0].rows] == [("A-1", "2025-05-16", "released", "119")]


def test_what_became_of_fish_is_asked_for_where_no_name_says_it(tmp_path: Path) -> None:
    assert draft(tmp_path, "fish.csv", RELEASES).unknown == (("exits", "fate"),)


@pytest.mark.parametrize(
    ("heading", "cells", "table"),
    [
        ("What happened", ("power cut", "leak", "we forgot"), "incidents"),
        ("What happened", ("released", "Escaped"), "exits"),
        ("Fish", ("coho", "chum", "king"), "batches"),
        ("Kind", ("school", "library"), "sites"),
        ("Kind", ("leak", "power_cut"), "incidents"),
    ],
)
def test_of_two_columns_of_words_the_one_whose_words_most_cells_are(
    tmp_path: Path, heading: str, cells: tuple[str, ...], table: str
) -> None:
    text = f"When,{heading}\n" + "".join(f"2025-02-0{day},{cell}\n" for day, cell in enumerate(cells, 1))
    assert only(draft(tmp_path, "list.csv", text)).table == table


def test_words_written_apart_are_mapped_and_others_asked_for(tmp_path: Path) -> None:
    made = draft(tmp_path, "cuts.csv", "When,Tank,What happened\n2025-02-03,A-1,Power cut\n2025-02-04,A-1,gulls\n")
    assert dict(only(made).columns)["kind"].words == (("power cut", "power_cut"),)
    assert made.words == {("incidents", "kind"): ("gulls",)}


HATCHING = "Tank,Last look without,First hatched,Not yet,All hatched,Buttoned up\n"


def test_the_last_look_before_a_stage_stands_before_its_column(tmp_path: Path) -> None:
    made = draft(
        tmp_path, "hatching.csv", f"{HATCHING}A-1,2024-12-02,2024-12-03,2024-12-06,2024-12-09,2025-01-20\n"
    )
    absent = [dict(rows.columns).get("last_absent_on") for rows in made.layout.rows]
    assert absent == [Value("column", "Last look without"), Value("column", "Not yet"), None]
    assert all(heading.uses for heading in made.headings)
    assert [row for _, row in made.preview[0].rows] == [
        ("A-1", "hatch_first", "2024-12-02", "2024-12-03"),
        ("A-1", "hatch_all", "2024-12-06", "2024-12-09"),
        ("A-1", "button_up", "", "2025-01-20"),
    ]


def test_what_a_kit_measures_stands_in_a_column_each(tmp_path: Path) -> None:
    text = "Date,Tank,Ammonia (ppm),NO2,pH\n2024-12-02,A-1,0.25,<0.1,7.2\n2024-12-09,A-1,0.5,0,7.4\n"
    made = draft(tmp_path, "tests.csv", text)
    assert [(rows.table, rows.only_when) for rows in made.layout.rows] == [
        ("water_tests", ("Ammonia (ppm)",)), ("water_tests", ("NO2",)), ("water_tests", ("pH",)),
    ]  # fmt: skip
    assert [row for _, row in made.preview[0].rows][:3] == [
        ("A-1", "2024-12-02", "total_ammonia_n", "0.25", "mg_l"),
        ("A-1", "2024-12-02", "nitrite_n", "<0.1", "mg_l"),
        ("A-1", "2024-12-02", "ph", "7.2", "ph"),
    ]
    assert made.unknown == ()


@pytest.mark.parametrize(
    ("text", "unit", "ground"),
    [
        ("Temperatures in F\n\nDay,A-1,B-1\n2024-11-09,46.1,45\n", "F", "the unit above the header"),
        ("Day,A-1,B-1\n2024-11-09,46.1,45\n", "F", "no water is so warm in °C"),
        ("Water in C,taken in Celsius\nDay,A-1,B-1\n2024-11-09,46.1,45\n", "C", "the unit above the header"),
        ("Day,A-1,B-1\n2024-11-09,8.1,9\n", None, None),
        ("Day,A-1,B-1\n2024-11-09,8.1,46\n", None, None),
    ],
)
def test_the_unit_of_a_grid(tmp_path: Path, text: str, unit: str | None, ground: str | None) -> None:
    made = draft(tmp_path, "grid.csv", text)
    assert dict(only(made).columns).get("unit") == (unit and Value("constant", unit))
    assert made.guesses.get(("temperatures", "unit")) == ground


def test_thermal_units_have_the_unit_of_their_heading(tmp_path: Path) -> None:
    text = "Date,Tank,Batch,Eggs alive,Dead in bag,Stage,Degree days (F)\n2024-11-08,A-1,B,150,2,eyed,545\n"
    values = dict(only(draft(tmp_path, "eggs.csv", text)).columns)
    assert values["thermal_unit"] == Value("constant", "f_days")
    assert values["eggs_dead_on_arrival"] == Value("column", "Dead in bag")


def test_days_without_a_year_beside_unsure_numbers(tmp_path: Path) -> None:
    dead = ["none", "1", "3?", "approx 4"]
    text = "Day;Temp;Dead\n" + "".join(f"{day} Nov;46,{day};{cell}\n" for day, cell in enumerate(dead, 11))
    made = draft(tmp_path, "log 2024-25.csv", text)
    assert [rows.table for rows in made.layout.rows] == ["temperatures", "losses"]
    assert [row[1] for _, row in made.preview[0].rows] == ["2024-11-11", "2024-11-12", "2024-11-13", "2024-11-14"]
    assert made.words["losses", "dead"] == ("3?", "approx 4")


def test_a_draft_asks_for_no_cell_that_its_rows_do_not_take(tmp_path: Path) -> None:
    """A later row without its time of day would give nothing: the line of averages is kept out by itself."""
    lines = "".join(f"2024-11-{day},A-1,8:30,{day % 3}\n" for day in range(11, 21))
    made = draft(tmp_path, "dead.csv", f"Date,Tank,Time,Dead eggs\n{lines}Average,A-1,,0.9\n")
    assert only(made).only_when == ()


def _two_tanks(place: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet["A1"], sheet["E1"] = "Tank C-1", "Diary of tank C-2"
    sheet.append(["Date", "Temp (F)", "Dead eggs", None, "Date", "Temp (F)", "Dead eggs"])
    sheet.append(["2024-11-11", 47.1, 3, None, "2024-11-12", 47.4, None])
    book.save(place)


def test_tables_side_by_side_are_drafted_one_by_one(tmp_path: Path) -> None:
    _two_tanks(tmp_path / "two tanks.xlsx")
    (made,) = drafts(tmp_path, "two tanks.xlsx").drafts
    assert [(rows.table, rows.only_when) for rows in made.layout.rows] == [
        ("temperatures", ("Temp (F)",)), ("losses", ("Dead eggs",)),
        ("temperatures", ("Temp (F) (2)",)), ("losses", ("Dead eggs (2)",)),
    ]  # fmt: skip
    assert [row for part in made.preview for _, row in part.rows] == [
        ("C-1", "2024-11-11", "47.1", "F"), ("C-2", "2024-11-12", "47.4", "F"), ("C-1", "2024-11-11", "egg", "3"),
    ]  # fmt: skip
    text = draft_text(made)
    assert read(text).layouts == (made.layout,)
    assert "left over" not in text


@pytest.mark.parametrize(
    ("headings", "blocks"),
    [
        (["Date", "Temp", "Dead"], [(0, 1, 2)]),
        (["Date", "Temp", "Dead", "Temp", "Dead"], [(0, 1, 2), (0, 3, 4)]),
        (["Date", "Note", "Temp", "Note"], [(0, 1, 2, 3)]),
        (["A", "B", "A", "B", "A"], [(0, 1, 2, 3, 4)]),
        ([], [()]),
    ],
)
def test_which_headings_are_of_tables_side_by_side(headings: list[str], blocks: list[tuple[int, ...]]) -> None:
    assert [block.positions for block in blocks_of(heading_names(headings))] == blocks
