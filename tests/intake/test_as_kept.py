"""A folder as a programme keeps it comes in whole with one layouts.toml, each value as in the source.

The source is read a second time, cell by cell, with another library; where a value goes is written out here once
more, without any of the code that reads layouts.
"""

from __future__ import annotations

import datetime as dt
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path

import openpyxl
import pytest
from tests.intake.messy import layouts, write_programme
from tests.intake.sources.open_document import write_ods

from broodyear.intake import load_paths
from broodyear.store import open_store

pytestmark = pytest.mark.usefixtures("with_suspicions")

DAYS = 12
FIRST = dt.date(2026, 11, 2)
STAGES = ("egg", "Sac fry", "swim up")
MEANT = {"egg": "egg", "Sac fry": "alevin", "swim up": "fry"}
SHEETS = ("GUL-01", "GUL-02")

LAYOUTS = r"""
[[layout]]
name = "diary, a sheet for each tank"
header = ["Date", "Dead"]
date_order = "month_first"
ignore = ["Weather"]
  [[layout.rows]]
  table = "temperatures"
  only_when = ["Water (°F)", "Time"]
    [layout.rows.columns]
    tank_id = { sheet_name = "(?P<value>[A-Z]+-[0-9]+)" }
    read_at = { column = "Date", and = "Time" }
    water_temp = { column = "Water (°F)" }
    unit = { constant = "F" }
    instrument = { constant = "thermometer" }
  [[layout.rows]]
  table = "losses"
  only_when = ["Stage"]
    [layout.rows.columns]
    tank_id = { sheet_name = "(?P<value>[A-Z]+-[0-9]+)" }
    checked_on = { column = "Date" }
    stage = { column = "Stage", words = { "sac fry" = "alevin", "swim up" = "fry" } }
    dead = { column = "Dead", words = { "none" = "0" } }

[[layout]]
name = "a column for each tank"
header = ["Day"]
date_order = "day_first"
  [[layout.rows]]
  table = "temperatures"
  unpivot = "GUL-*"
    [layout.rows.columns]
    tank_id = { heading = true }
    water_temp = { cell_value = true }
    read_at = { column = "Day" }
    instrument = { constant = "controller" }
"""

Rows = list[list[object]]


def diary(tank: int, *, real_dates: bool) -> Rows:
    """A title, a row of groups, the headings, twelve mornings, a total and a remark."""
    rows: Rows = [["Diary of tank", None], ["", "Water", None, "Fish"]]
    rows.append(["Date", "Time", "Water (°F)", "Dead", "Stage", "Weather"])
    for day in range(DAYS):
        date = FIRST + dt.timedelta(days=day)
        written: object = date if real_dates else f"{date.month}/{date.day}/{date.year}"
        dead: object = "none" if day % 4 == 0 else day % 3 if day % 5 else None
        stage = STAGES[day % 3] if dead is not None else None
        water = None if day == 5 else 44.5 + day / 4 + tank
        rows.append([written, dt.time(7, 15 + day), water, dead, stage, "sun" if day % 2 else None])
    rows.append(["Total", None, None, 9])
    rows.append([None, None, None, None, None, "a mild November"])
    return rows


def wide(*, real_dates: bool) -> Rows:
    rows: Rows = [["Controllers"], [], ["Day", *SHEETS]]
    for day in range(DAYS):
        date = dt.date(2027, 1, 8) + dt.timedelta(days=day)
        written: object = date if real_dates else f"{date.day:02d}.{date.month:02d}.{date.year}"
        rows.append([written, 8 + day / 8, None if day % 3 == 1 else 9.25])
    return rows


def write_xlsx(place: Path, sheets: dict[str, Rows]) -> None:
    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for line, row in enumerate(rows, 1):
            for column, value in enumerate(row, 1):
                sheet.cell(line, column, value)
        if len(rows[0]) > 1:
            sheet.merge_cells("A1:D1")
            sheet["A4"].comment = openpyxl.comments.Comment("cold night", "a hand")
    book.create_sheet("Read me")["A1"] = "One sheet for each tank."
    book.save(place)


def as_xlsx(folder: Path, *, real_dates: bool) -> None:
    write_xlsx(
        folder / "diaries.xlsx", {name: diary(number, real_dates=real_dates) for number, name in enumerate(SHEETS)}
    )
    write_xlsx(folder / "controllers.xlsx", {"Winter": wide(real_dates=real_dates)})


def typed(folder: Path) -> None:
    as_xlsx(folder, real_dates=True)


def as_text(folder: Path) -> None:
    as_xlsx(folder, real_dates=False)


def open_documents(folder: Path) -> None:
    write_ods(folder / "diaries.ods", {name: diary(number, real_dates=True) for number, name in enumerate(SHEETS)})
    write_ods(folder / "controllers.ods", {"Winter": wide(real_dates=True)})


def in_an_archive(folder: Path) -> None:
    as_xlsx(folder, real_dates=True)
    with zipfile.ZipFile(folder / "all of it.zip", "w") as archive:
        for name in ("diaries.xlsx", "controllers.xlsx"):
            archive.write(folder / name, f"winter/{name}")
            (folder / name).unlink()
        archive.writestr("winter/tank.jpg", b"\xff\xd8\xff")


def read_again(folder: Path, scratch: Path) -> Iterator[tuple[str, str, Rows]]:
    """Every sheet of the folder, as another library reads it: file, sheet, rows."""
    as_xlsx(scratch, real_dates=True)  # the open document and the archive hold the same cells
    for name in ("diaries.xlsx", "controllers.xlsx"):
        place = folder / name if (folder / name).exists() else scratch / name
        for sheet in openpyxl.load_workbook(place, data_only=True).worksheets:
            yield name, sheet.title, [list(row) for row in sheet.iter_rows(values_only=True)]


def day(value: object) -> dt.date | None:
    if isinstance(value, dt.datetime):
        return value.date()
    if not isinstance(value, str) or not value[0].isdigit():
        return None
    if "." in value:
        return dt.datetime.strptime(value, "%d.%m.%Y").date()
    return dt.datetime.strptime(value, "%m/%d/%Y").date()


def expected(folder: Path, scratch: Path) -> tuple[set[tuple[object, ...]], set[tuple[object, ...]]]:
    """Readings and losses that the folder holds."""
    readings: set[tuple[object, ...]] = set()
    losses: set[tuple[object, ...]] = set()
    for name, sheet, rows in read_again(folder, scratch):
        if sheet == "Read me":
            continue
        for line, row in enumerate(rows[3:], 4):
            date = day(row[0]) if row[0] is not None else None
            if date is None:
                continue
            if name == "controllers.xlsx":
                for tank, value in zip(SHEETS, row[1:3], strict=True):
                    if value is not None:
                        moment = dt.datetime.combine(date, dt.time())
                        readings.add((tank, moment, False, value, "C", "controller", line))
                continue
            if row[2] is not None:
                readings.add((sheet, dt.datetime.combine(date, row[1]), True, row[2], "F", "thermometer", line))
            if row[4] is not None:
                losses.add((sheet, date, MEANT[row[4]], 0 if row[3] == "none" else row[3], line))
    return readings, losses


@pytest.mark.parametrize("write", [typed, as_text, open_documents, in_an_archive])
def test_a_folder_as_it_is_kept_comes_in_whole(write: Callable[[Path], None], tmp_path: Path) -> None:
    folder, scratch = tmp_path / "kept", tmp_path / "scratch"
    scratch.mkdir()
    write_programme(folder)
    write(folder)
    (folder / "tank.png").write_bytes(b"\x89PNG")
    with open_store(tmp_path / "s.duckdb", for_loading=True) as store:
        result = load_paths(store, [folder], layouts=layouts(LAYOUTS))
        readings = store.connection.execute(
            "SELECT tank_id, read_at, read_at_has_hour, water_temp, unit, instrument, line FROM temperatures"
        ).fetchall()
        losses = store.connection.execute("SELECT tank_id, checked_on, stage, dead, line FROM losses").fetchall()
    wanted = expected(folder, scratch)
    assert len(wanted[0]) > 30 and len(wanted[1]) > 15
    assert (set(readings), set(losses)) == wanted
    assert (len(readings), len(losses)) == (len(wanted[0]), len(wanted[1]))
    assert (result.exit_code, result.refused) == (0, ())
    named = {Path(skipped.path).name for skipped in result.skipped}
    assert "tank.png" in named
    assert {"diaries.xlsx#Read me", "tank.jpg"} & named or write is open_documents
    for report in result.files:
        assert report.rows_read == report.rows_accepted + report.rows_rejected
        if "diaries" in report.path:
            # The total, the remark and a morning without records: they give nothing, and are counted.
            assert "3 rows gave nothing, for lack of Water (°F) and Time or Stage" in report.notes
            assert report.rows_read == DAYS + 2
