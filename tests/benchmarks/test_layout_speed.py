"""A logger's export read through a layout against the same readings as a plain file, and a diary of twelve sheets.

Run with: pytest tests/benchmarks -k layout_speed -s. Takes BROODYEAR_ROWS readings (ten million) and about 1 GB of
disk; ratios want an otherwise idle machine.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import subprocess
import sys
import time
from pathlib import Path

import duckdb
import openpyxl
import pytest
from tests.intake.messy import layouts, write_programme

from broodyear.intake import check_paths

ROWS = int(os.environ.get("BROODYEAR_ROWS", "10000000"))
#: Limits of the contract.
MOST_TIMES_THE_PLAIN_FILE = 1.3
MOST_RESIDENT_MIB = 1536.0
MOST_SECONDS_FOR_A_WORKBOOK = 2.0
REPEATS = 3

LAYOUT = """
[[layout]]
name = "logger"
header = ["Date Time", "Water °C"]
ignore = ["Scan", "Battery V"]
  [[layout.rows]]
  table = "temperatures"
    [layout.rows.columns]
    tank_id    = { file_name = "(?P<value>T-[0-9]+)" }
    read_at    = { column = "Date Time" }
    water_temp = { column = "Water °C" }
    unit       = { constant = "C" }
    instrument = { constant = "logger" }
"""
PREAMBLE = "Serial;10442\nInterval;60 s\n\nDate Time;Water °C;Scan;Battery V\n"


def write_plain(place: Path) -> Path:
    readings = _readings("%Y-%m-%dT%H:%M:%S")
    columns = "'T-001' AS tank_id, moment AS read_at, temp AS water_temp, 'C' AS unit, 'logger' AS instrument"
    duckdb.execute(f"COPY (SELECT {columns} FROM ({readings})) TO '{place}' (HEADER true)")
    return place


def write_export(place: Path) -> Path:
    body = place.with_suffix(".body")
    query = f"SELECT moment, temp, i, 3.6 FROM ({_readings('%Y-%m-%d %H:%M:%S')})"
    duckdb.execute(f"COPY ({query}) TO '{body}' (HEADER false, DELIMITER ';')")
    with place.open("wb") as out:
        out.write(PREAMBLE.encode())
        out.write(body.read_bytes())
    body.unlink()
    return place


def _readings(form: str) -> str:
    moment = f"strftime(TIMESTAMP '2005-10-01' + to_seconds(60 * i), '{form}')"
    temp = "printf('%.2f', 8 + (hash(i) % 400) / 100.0)"
    return f"SELECT i, {moment} AS moment, {temp} AS temp FROM range({ROWS}) AS r(i)"


def timed(file: Path, folder: Path, known: str) -> dict[str, float]:
    """The best of a few runs, each in a new process and folder."""
    runs = []
    for number in range(REPEATS):
        place = folder / f"{file.stem} {number}"
        place.mkdir()
        script = Path(__file__).with_name("layout_speed_runs.py")
        words = [sys.executable, str(script), str(file), str(place), known]
        runs.append(json.loads(subprocess.run(words, capture_output=True, text=True, check=True).stdout))
        for leftover in place.iterdir():
            leftover.unlink()
    return {**min(runs, key=lambda run: run["seconds"]), "peak_mib": max(run["peak_mib"] for run in runs)}


def test_a_loggers_export(tmp_path: Path) -> None:
    (tmp_path / "layouts.toml").write_text(LAYOUT, encoding="utf-8")
    plain = timed(write_plain(tmp_path / "temperatures.csv"), tmp_path, "-")
    (tmp_path / "temperatures.csv").unlink()
    export = timed(write_export(tmp_path / "log T-001.csv"), tmp_path, str(tmp_path / "layouts.toml"))
    ratio = export["seconds"] / plain["seconds"]
    print(
        f"\n{export['rows']:,.0f} rows by a layout in {export['seconds']:.2f} s, {export['peak_mib']:.0f} MiB, "
        f"{ratio:.2f} times the plain file's {plain['seconds']:.2f} s and {plain['peak_mib']:.0f} MiB"
    )
    assert export["rows"] == plain["rows"] == ROWS
    assert ratio <= MOST_TIMES_THE_PLAIN_FILE
    assert export["peak_mib"] <= MOST_RESIDENT_MIB


def test_a_diary_of_twelve_sheets(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_programme(tmp_path)
    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    for number in range(12):
        sheet = book.create_sheet(f"Log {number}")
        sheet.append(["Tank diary", f"GUL-{number % 2 + 1:02d}"])
        sheet.append(["Date", "Time", "Water (F)", "Dead", "Stage", "Weather"])
        for day in range(300):
            date = dt.date(2020 + number, 8, 15) + dt.timedelta(days=day)
            sheet.append([date, dt.time(7, 30), 46.5, day % 3, "egg", "sun"])
    book.save(tmp_path / "diary GUL-01.xlsx")
    monkeypatch.chdir(tmp_path)
    began = time.perf_counter()
    result = check_paths([Path()], layouts=layouts())
    seconds = time.perf_counter() - began
    print(f"\n12 sheets of 300 rows checked in {seconds:.2f} s")
    assert sum(report.rows_read for report in result.files if "#" in report.path) == 3600
    assert seconds <= MOST_SECONDS_FOR_A_WORKBOOK
