"""A second table below the first is told; blank lines between ordinary rows are not."""

from __future__ import annotations

from pathlib import Path

import pytest

from broodyear.findings import Finding
from broodyear.intake import check_paths

SITES = "site_id,region\nMill Creek,North\nOld Mill,South\n"
LOSSES = "tank_id,checked_on,stage,dead\nT-001,2024-11-08,eggs,3\nT-001,2024-11-09,eggs,1\n"


def told(folder: Path, name: str, text: str) -> list[Finding]:
    place = folder / name
    place.write_text(text, encoding="utf-8")
    return [one for one in check_paths([place]).findings if one.rule == "second_table"]


def test_a_second_table_is_told_with_its_lines(tmp_path: Path) -> None:
    [finding] = told(tmp_path, "sites.csv", SITES + "\n\nName,Key no.\nAlder,K\nBirch,L\n\nElm,M\n")
    assert (finding.line, finding.level, finding.table) == (6, "warning", "sites")
    assert finding.message == (
        'a second table seems to begin here, with the headings "Name", "Key no."; '
        "lines 6 to 10 were read as rows of sites"
    )
    assert finding.advice == (
        "Put the second table into a file or on a sheet of its own, or end this one above the blank line. "
        "If these are rows of sites, nothing needs doing."
    )


def test_headings_alone_are_told_as_one_line(tmp_path: Path) -> None:
    [finding] = told(tmp_path, "sites.csv", SITES + "\nName,Key no.\n")
    assert finding.message.endswith('"Name", "Key no."; this line was read as a row of sites')


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
