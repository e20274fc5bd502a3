"""A folder as people keep it, and the layouts that read it."""

from __future__ import annotations

import datetime as dt
import tomllib
from pathlib import Path

import openpyxl

from broodyear.layouts import Layouts, layouts_from

LAYOUTS = r"""
[[layout]]
name = "diary"
files = "diary *.xlsx"
header = ["Date", "Water (F)", "Dead"]
date_order = "month_first"
ignore = ["Weather"]
  [[layout.rows]]
  table = "temperatures"
  only_when = ["Water (F)"]
    [layout.rows.columns]
    tank_id = { file_name = "diary (?P<value>[A-Z]+-[0-9]+)" }
    read_at = { column = "Date", and = "Time" }
    water_temp = { column = "Water (F)" }
    unit = { constant = "F" }
    instrument = { constant = "thermometer" }
  [[layout.rows]]
  table = "losses"
  only_when = ["Dead"]
    [layout.rows.columns]
    tank_id = { cell = "B1" }
    checked_on = { column = "Date" }
    stage = { column = "Stage", words = { "sac fry" = "alevin" } }
    dead = { column = "Dead", words = { "none" = "0" } }

[[layout]]
name = "one column per tank"
header = ["Day"]
date_order = "day_first"
  [[layout.rows]]
  table = "temperatures"
  unpivot = "GUL-*"
    [layout.rows.columns]
    tank_id = { heading = true }
    water_temp = { cell_value = true }
    read_at = { column = "Day" }
    instrument = { constant = "thermometer" }
"""

SITES = "site_id,region\nS-1,R\n"
TANKS = "tank_id\nGUL-01\nGUL-02\n"
SETUPS = (
    "season,tank_id,site_id,room_type,gravel_practice,filled_on\n"
    "2026/27,GUL-01,S-1,classroom,bare,1-Oct-26\n2026-2027,GUL-02,S-1,classroom,bare,\n"
)


def layouts(text: str = LAYOUTS) -> Layouts:
    return layouts_from(tomllib.loads(text), "layouts.toml")


def write_programme(folder: Path) -> None:
    """A site, two tanks and their set-ups."""
    folder.mkdir(exist_ok=True)
    for name, content in (("sites", SITES), ("tanks", TANKS), ("setups", SETUPS)):
        (folder / f"{name}.csv").write_text(content, encoding="utf-8")


def write_diary(place: Path) -> None:
    """A diary of one tank: a title, a row of groups, the headings in line 3, real date cells beside typed ones."""
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "Log 1"
    sheet["A1"], sheet["B1"] = "Tank diary", "GUL-01"
    sheet.merge_cells("C1:E1")
    sheet["C2"] = "every morning"
    rows = [
        ["Date", "Time", "Water (F)", "Dead", "Stage", "Weather", "Note"],
        [dt.date(2026, 11, 6), dt.time(7, 30), 46.4, None, None, "sun", "x"],
        [dt.date(2026, 11, 7), None, 46.0, 2, "egg", "sun", None],
        ["11/8/2026", "7:15 PM", "47", "none", "Sac fry", None, None],
        [],
        ["Total", None, None, 2, None, None, None],
        [dt.date(2026, 11, 9), None, None, None, None, "rain", None],
    ]
    for line, row in enumerate(rows, 3):
        for column, value in enumerate(row, 1):
            sheet.cell(line, column, value)
    book.create_sheet("Notes")["A1"] = "hello"
    book.create_sheet("Empty")
    book.save(place)
