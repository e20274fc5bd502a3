"""Sheets on end that are read alike are staged in one go: each gives what it gives by itself."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import openpyxl
import pytest

from broodyear.findings import CheckResult
from broodyear.intake import check_paths, load_paths, together
from broodyear.layouts import Layouts, layouts_from
from broodyear.store import Store, open_store

DIARY = {
    "name": "diary",
    "sheet": "T*",
    "header": ["Day", "Water", "Dead"],
    "rows": [
        {
            "table": table,
            "only_when": [needed],
            "columns": {"tank_id": {"sheet_name": "(?P<value>T-[0-9]+)"}, day: {"column": "Day"}} | columns,
        }
        for table, needed, day, columns in (
            ("temperatures", "Water", "read_at", {"water_temp": {"column": "Water"}}),
            ("losses", "Dead", "checked_on", {"dead": {"column": "Dead"}, "stage": {"constant": "egg"}}),
        )
    ],
}
LAYOUTS: Layouts = layouts_from({"layout": [DIARY]}, "layouts.toml")
#: Two sheets of one tank disagree about a day; rows with a bad number, a bad day, no day; a repeat.
SHEETS: dict[str, list[list[object]]] = {
    "T-001": [[dt.date(2024, 11, 8), 8.1, 2], [dt.date(2024, 11, 9), "warm", None], [None, None, 1]],
    "T-001 again": [[dt.date(2024, 11, 8), 8.1, 3], [dt.date(2024, 11, 8), 8.1, 3], ["31.13.2024", 8.0, None]],
    "T-002": [[dt.date(2024, 11, 8), None, None], [], ["2024-11-09", 8.2, 0]],
    "T-777": [[dt.date(2024, 11, 8), 8.3, 4]],
    "T-003": [],
}


@pytest.fixture
def book(tmp_path: Path) -> Path:
    path = tmp_path / "book.xlsx"
    made = openpyxl.Workbook()
    made.remove(made.worksheets[0])
    for name, rows in SHEETS.items():
        sheet = made.create_sheet(name)
        for row in [["Day", "Water", "Dead"], *rows]:
            sheet.append(row)
    plain = made.create_sheet("more losses")
    for row in [["tank_id", "checked_on", "stage", "dead"], ["T-002", dt.date(2024, 11, 10), "egg", "x"]]:
        plain.append(row)
    made.save(path)
    return path


def store(uploads: Path, path: Path) -> Store:
    opened = open_store(path, for_loading=True)
    load_paths(opened, [uploads / name for name in ("sites.csv", "tanks.csv")])
    return opened


@pytest.fixture
def results(
    uploads: Path, book: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> list[tuple[CheckResult, CheckResult, Store]]:
    """Checked and loaded together, then each sheet by itself."""
    found = []
    for most in (together.MOST_ROWS, -1):
        monkeypatch.setattr(together, "MOST_ROWS", most)
        kept = store(uploads, tmp_path / f"{most}.duckdb")
        checked = check_paths([book], store=kept, layouts=LAYOUTS)
        found.append((checked, load_paths(kept, [book], layouts=LAYOUTS), kept))
    return found


def test_sheets_staged_together_give_what_each_gives_by_itself(
    results: list[tuple[CheckResult, CheckResult, Store]],
) -> None:
    (checked, loaded, kept), (checked_alone, loaded_alone, kept_alone) = results
    assert checked == checked_alone
    assert loaded == loaded_alone
    for name in ("losses", "temperatures"):
        assert kept.table(name).equals(kept_alone.table(name))
    for name in ("uploads", "upload_parts", "rejected_rows", "findings"):
        query = f"SELECT * EXCLUDE (loaded_at, told_at) FROM {name}" if name == "uploads" else f"FROM {name}"
        with kept.for_uploads() as one, kept_alone.for_uploads() as other:
            assert one.execute(query).fetchall() == other.execute(query).fetchall()


def test_each_sheet_is_told_of_its_own_lines(results: list[tuple[CheckResult, CheckResult, Store]]) -> None:
    told = [(one.path.rpartition("#")[2], one.line, one.rule) for one in results[0][1].findings]
    assert told == [
        ("T-001", 3, "not_a_number"),
        ("T-001", 4, "required_blank"),
        ("T-001 again", 2, "files_disagree"),
        ("T-001 again", 4, "not_a_date"),
        ("T-777", 2, "unknown_tank"),
        ("T-777", 2, "unknown_tank"),
        ("more losses", 2, "not_a_number"),
    ]


def test_sheets_of_one_kind_are_planned_once(
    uploads: Path, book: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    planned: list[int] = []
    original = together.checked_query
    monkeypatch.setattr(together, "checked_query", lambda *given: planned.append(1) or original(*given))
    check_paths([book], store=store(uploads, tmp_path / "s.duckdb"), layouts=LAYOUTS)
    assert len(planned) == 2  # one for each table, of five sheets
