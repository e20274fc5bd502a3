"""Load and check of 10 and 50 million readings against DuckDB's own reader, and pandas with pandera.

Run with: pytest tests/benchmarks -k intake_speed -s. Needs about 8 GB of disk and an otherwise idle machine.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import duckdb
import pytest
from tests.benchmarks.intake_speed_runs import TANKS

TEN_MILLION = 10_000_000
#: Limits of the contract for two cores.
MOST_TIMES_THE_FLOOR = 3.0
LEAST_TIMES_PANDAS = 4.0
MOST_RESIDENT_MIB = 1536.0
MOST_TIMES_FOR_FIFTY_MILLION = 5.5
REPEATS = 3

ALL_COLUMNS = "tank_id, read_at, water_temp, 'C' AS unit, 'logger' AS instrument"
THREE_COLUMNS = "tank_id, read_at, water_temp"


def write_readings(place: Path, rows: int, columns: str, bad_every: int = 0) -> Path:
    """Readings of 500 tanks every ten minutes, tank after tank; every bad_every-th one is no temperature."""
    per_tank = rows // TANKS
    wrong = "['warm', '150', '', '7.5C'][1 + i // 100 % 4]"
    temp = f"CASE WHEN i % {bad_every} = 7 THEN {wrong} ELSE good END" if bad_every else "good"
    numbers = f"SELECT i, printf('%.2f', 8 + (hash(i) % 400) / 100.0) AS good FROM range({rows}) AS r(i)"
    query = (
        f"SELECT {columns} FROM (SELECT printf('TANK-%04d', i // {per_tank}) AS tank_id, "
        f"strftime(TIMESTAMP '2015-10-01' + to_minutes(10 * (i % {per_tank})), '%Y-%m-%dT%H:%M') AS read_at, "
        f"{temp} AS water_temp FROM ({numbers}))"
    )
    duckdb.execute(f"COPY ({query}) TO '{place}' (HEADER true)")
    return place


def timed(way: str, file: Path, folder: Path) -> dict[str, float]:
    """The best of a few runs, each in a new process and folder."""
    runs = []
    for number in range(REPEATS):
        place = folder / f"{way}_{file.stem}_{number}"
        place.mkdir()
        script = Path(__file__).with_name("intake_speed_runs.py")
        done = subprocess.run(
            [sys.executable, str(script), way, str(file), str(place)], capture_output=True, text=True, check=True
        )
        runs.append(json.loads(done.stdout))
        for leftover in place.iterdir():
            leftover.unlink()
    return {
        "rows": runs[0]["rows"],
        "seconds": min(run["seconds"] for run in runs),
        "peak_mib": max(run["peak_mib"] for run in runs),
    }


def told(name: str, run: dict[str, float], floor: dict[str, float]) -> None:
    print(
        f"\n{name}: {run['rows']:,.0f} rows in {run['seconds']:.2f} s, "
        f"{run['seconds'] / floor['seconds']:.2f} times the floor of {floor['seconds']:.2f} s, "
        f"{run['peak_mib']:.0f} MiB"
    )


@pytest.mark.parametrize(
    ("name", "columns", "bad_every"),
    [
        ("five columns", ALL_COLUMNS, 0),
        ("three columns", THREE_COLUMNS, 0),
        ("five columns, 1 % bad", ALL_COLUMNS, 100),
    ],
)
def test_ten_million(name: str, columns: str, bad_every: int, tmp_path: Path) -> None:
    file = write_readings(tmp_path / "readings.csv", TEN_MILLION, columns, bad_every)
    floor, run = timed("floor", file, tmp_path), timed("load", file, tmp_path)
    told(name, run, floor)
    assert run["rows"] == TEN_MILLION - (TEN_MILLION // bad_every if bad_every else 0)
    assert run["seconds"] <= MOST_TIMES_THE_FLOOR * floor["seconds"]
    assert run["peak_mib"] <= MOST_RESIDENT_MIB


def test_pandas_with_pandera_takes_longer(tmp_path: Path) -> None:
    file = write_readings(tmp_path / "readings.csv", TEN_MILLION, ALL_COLUMNS)
    run, pandas = timed("load", file, tmp_path), timed("pandas", file, tmp_path)
    print(
        f"\npandas and pandera: {pandas['seconds']:.1f} s and {pandas['peak_mib']:.0f} MiB, "
        f"{pandas['seconds'] / run['seconds']:.1f} times as long as load and check ({run['seconds']:.2f} s)"
    )
    assert pandas["seconds"] >= LEAST_TIMES_PANDAS * run["seconds"]


def test_fifty_million(tmp_path: Path) -> None:
    ten = timed("load", write_readings(tmp_path / "ten.csv", TEN_MILLION, ALL_COLUMNS), tmp_path)
    fifty = timed("load", write_readings(tmp_path / "fifty.csv", 5 * TEN_MILLION, ALL_COLUMNS), tmp_path)
    print(
        f"\n50 million: {fifty['seconds']:.1f} s and {fifty['peak_mib']:.0f} MiB, "
        f"{fifty['seconds'] / ten['seconds']:.2f} times the {ten['seconds']:.2f} s of 10 million"
    )
    assert fifty["seconds"] <= MOST_TIMES_FOR_FIFTY_MILLION * ten["seconds"]
    assert fifty["peak_mib"] <= MOST_RESIDENT_MIB
