"""A second table below the first is told; blank lines between ordinary rows are not."""

from __future__ import annotations

import csv
import tomllib
from pathlib import Path

import pytest

from broodyear.findings import Finding
from broodyear.intake import check_paths
from broodyear.layouts import layouts_from

SITES = "site_id,region\nMill Creek,North\nOld Mill,South\n"
LOSSES = "tank_id,checked_on,stage,dead\nT-001,2024-11-08,eggs,3\nT-001,2024-11-09,eggs,1\n"

DIARY = """
[[layout]]
name = "diary"
header = ["Date", "Tank", "Water", "Dead"]
  [[layout.rows]]
  table = "temperatures"
  only_when = ["Water"]
    [layout.rows.columns]
    tank_id = { column = "Tank" }
    read_at = { column = "Date" }
    water_temp = { column = "Water" }
  [[layout.rows]]
  table = "losses"
  only_when = ["Dead"]
    [layout.rows.columns]
    tank_id = { column = "Tank" }
    checked_on = { column = "Date" }
    stage = { constant = "egg" }
    dead = { column = "Dead" }
"""


def told(folder: Path, name: str, text: str) -> list[Finding]:
    place = folder / name
    place.write_text(text, encoding="utf-8")
    return [one for one in check_paths([place]).findings if one.rule == "second_table"]


def test_a_second_table_is_told_with_its_lines(tmp_path: Path) -> None:
    [finding] = told(tmp_path, "sites.csv", SITES + "\n\nName,Key no.\nAlder,K\nBirch,L\n\nElm,M\n")
    assert (finding.line, finding.level, finding.table) == (6, "error", "sites")
    assert finding.message == (
        'a second table seems to begin here, with the headings "Name", "Key no."; '
        "lines 6 to 10 are kept out of sites"
    )
    assert finding.advice == (
        "Put the second table into a file or on a sheet of its own. If these are rows of sites, take the blank "
        "line above them out, or load their copy."
    )


def test_headings_alone_are_told_as_one_line(tmp_path: Path) -> None:
    [finding] = told(tmp_path, "sites.csv", SITES + "\nName,Key no.\n")
    assert finding.message.endswith('"Name", "Key no."; this line is kept out of sites')


def test_rows_of_a_second_table_that_read_well_are_kept_out_and_their_copy_loads(tmp_path: Path) -> None:
    place = tmp_path / "sites.csv"
    place.write_text(SITES + "\nName,Key no.\nAlder,12\nMill Creek,North\n", encoding="utf-8")
    [report] = check_paths([place], rejects=tmp_path / "mend").files
    # One of the three repeats a row above, which says nothing new.
    assert (report.rows_read, report.rows_accepted, report.rows_rejected, report.rows_repeated) == (5, 2, 3, 1)
    copy = tmp_path / "mend" / "sites.csv"
    with copy.open(encoding="utf-8", newline="") as rows:
        assert [row[:2] for row in csv.reader(rows)] == [
            ["site_id", "region"],
            ["Name", "Key no."],
            ["Alder", "12"],
        ]
    assert check_paths([copy]).exit_code == 0


def test_a_second_table_is_kept_out_of_every_table_that_a_file_feeds(tmp_path: Path) -> None:
    place = tmp_path / "diary.csv"
    text = "Date,Tank,Water,Dead\n2024-11-08,T-1,8.1,3\n\nDate,Tank,Long,Heavy\n2024-11-09,T-1,7.9,2\n"
    place.write_text(text, encoding="utf-8")
    layouts = layouts_from(tomllib.loads(DIARY), "layouts.toml")
    (tmp_path / "tanks.csv").write_text("tank_id\nT-1\n", encoding="utf-8")
    result = check_paths([tmp_path / "tanks.csv", place], layouts=layouts)
    [told] = [one for one in result.findings if one.rule == "second_table"]
    assert told.message.endswith("lines 4 to 5 are kept out of temperatures and losses")
    assert [(one.table, *one.rows) for one in result.files[1].tables] == [
        ("temperatures", 3, 1, 2), ("losses", 3, 1, 2),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "lines"),
    [
        (SITES + ",\nName,Key no.\nAlder,12\n", [5]),
        (SITES + '\n"Keys\nof sites",\nName,Key no.\nAlder,12\n', [6]),
        (SITES + "\nKeys\n\nName,Key no.\nAlder,12\n", [7]),
        (SITES + "\nPerson,Telephone\nAlder,55 12\nBirch,55 14\n", [5]),
        (SITES + "\nName,Key no.\nAlder,12\n\nPerson name,Telephone no.\nBirch,M\n", [5, 8]),
    ],
    ids=[
        "line of commas",
        "title with a line break",
        "title apart",
        "unknown words above numbers",
        "three tables",
    ],
)
def test_where_a_second_table_begins(tmp_path: Path, text: str, lines: list[int]) -> None:
    assert [finding.line for finding in told(tmp_path, "sites.csv", text)] == lines


def test_words_where_numbers_and_days_stand_above(tmp_path: Path) -> None:
    [finding] = told(tmp_path, "losses.csv", LOSSES + "\nPerson,Phone,Street,Keys\nAlder,none,Main,yes\n")
    assert finding.line == 5


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("sites.csv", SITES + "\nEast Mill,North\nWest Mill,South\n"),
        ("sites.csv", SITES + "\nEast Mill,East\n\nWest Mill,West\n"),
        ("sites.csv", SITES + "\nsite_id,region\nEast Mill,East\n"),
        ("sites.csv", SITES + "Name,Key no.\nAlder,12\n"),
        ("sites.csv", SITES + "\n\n"),
        ("sites.csv", "site_id,region\n\nName,Key no.\n"),
        ("losses.csv", LOSSES + "\nT-002,2024-11-08,alevins,unknown\nT-002,2024-11-09,alevins,2\n"),
        ("losses.csv", LOSSES + "\nMill tank,unknown,alevins,not counted\nT-002,2024-11-09,alevins,2\n"),
        ("losses.csv", LOSSES + "\nTotal,,,4\n\nchecked by the class,,,\n"),
    ],
    ids=[
        "groups of names", "one by one", "header again", "no blank line", "blank at the end", "blank above all",
        "other words", "no numbers", "totals and a remark",
    ],
)  # fmt: skip
def test_ordinary_rows_behind_a_blank_line_are_silent(tmp_path: Path, name: str, text: str) -> None:
    assert told(tmp_path, name, text) == []


TITLED = DIARY.replace('tank_id = { column = "Tank" }', 'tank_id = { cell = "A1" }').replace('"Tank", ', "")
ROWS = "2024-11-{},8.1,1\n"


def _kept_out(folder: Path, text: str, layout: str = TITLED) -> tuple[list[str], list[tuple[int, int]]]:
    """What is told of second tables, and accepted and rejected rows by table."""
    (folder / "tanks.csv").write_text("tank_id\nT-1\nT-2\n", encoding="utf-8")
    (folder / "diary.csv").write_text(text, encoding="utf-8")
    layouts = layouts_from(tomllib.loads(layout), "layouts.toml")
    result = check_paths([folder / "tanks.csv", folder / "diary.csv"], layouts=layouts)
    counts = [(one.rows_accepted, one.rows_rejected) for one in result.files[1].tables]
    return [one.message for one in result.findings if one.rule == "second_table"], counts


FIRST = "T-1,,\nDate,Water,Dead\n" + ROWS.format("08") + ROWS.format("09")


@pytest.mark.parametrize(
    ("below", "last"),
    [
        ("\nT-2,,\nDate,Water,Dead\n" + ROWS.format("10"), 8),
        ("T-2,,\nDate,Water,Dead\n" + ROWS.format("10"), 7),
        ("T-2\n" + ROWS.format("10"), 6),
        ("Diary of tank T-2,,\n\n" + ROWS.format("10") + "\n", 7),
        ("left tank,,\nDate,Water,Dead\n" + ROWS.format("10"), 7),
    ],
)
def test_rows_under_the_title_of_another_tank_are_not_of_the_first(tmp_path: Path, below: str, last: int) -> None:
    said, counts = _kept_out(tmp_path, FIRST + below)
    title = next(line for line in below.splitlines() if line).strip(",")
    begins = 6 if below.startswith("\n") else 5
    assert said == [
        f'a second table begins here, under "{title}", and the layout has one tank for all rows; lines {begins} '
        f"to {last} are kept out of temperatures and losses"
    ]
    assert [accepted for accepted, _ in counts] == [2, 2]
    assert all(rejected >= 1 for _, rejected in counts)


def test_each_of_three_tables_under_titles_is_told(tmp_path: Path) -> None:
    said, _ = _kept_out(tmp_path, FIRST + "T-2\n" + ROWS.format("10") + "\nT-3\n" + ROWS.format("11"))
    assert [message.partition("lines ")[2].partition(" are")[0] for message in said] == ["5 to 7", "8 to 9"]


@pytest.mark.parametrize(
    "below",
    [
        "T-1,,\nDate,Water,Dead\n" + ROWS.format("10"),  # the same tank again
        "Date,Water,Dead\n" + ROWS.format("10"),  # a new page
        "windy all week\n" + ROWS.format("10"),  # a remark
        "2024-11-10,,\n" + ROWS.format("11"),  # a day on which nothing was read
    ],
)
def test_lines_that_are_no_title_of_another_tank(tmp_path: Path, below: str) -> None:
    said, counts = _kept_out(tmp_path, FIRST + below)
    assert said == []
    assert [accepted for accepted, _ in counts] == [3, 3]


def test_where_rows_say_their_tank_titles_say_nothing(tmp_path: Path) -> None:
    rows = "2024-11-08,T-1,8.1,1\nT-2,,,\nDate,Tank,Water,Dead\n2024-11-09,T-2,8.1,1\n"
    said, counts = _kept_out(tmp_path, "Date,Tank,Water,Dead\n" + rows, DIARY)
    assert said == []
    assert [accepted for accepted, _ in counts] == [2, 2]
