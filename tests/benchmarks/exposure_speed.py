"""How long exposure and thermal units of ten million readings take, beside a bare GROUP BY of the same table.

Run from the project's folder: ``python tests/benchmarks/exposure_speed.py [minutes between readings]``. Prints the
best of several runs of each, in one process on one store, and their ratio.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import duckdb

from broodyear.derived import run_queries
from broodyear.derived.catalogue import needed_for
from broodyear.settings import Settings
from broodyear.store.layout import create_layout

READINGS = 10_000_000
SEASONS = (2021, 2022, 2023, 2024)
DAYS = 150
RUNS = 7
WANTED = ("exposure_windows", "thermal_units")

BARE = """
    CREATE OR REPLACE TEMP TABLE bare AS
    SELECT tank_id, read_at::DATE AS day, avg(water_temp), min(water_temp), max(water_temp), count(*)
    FROM temperatures GROUP BY tank_id, read_at::DATE
"""

TANKS = """
    CREATE TEMP TABLE tank_seasons_wanted AS
    SELECT 2021 + n % 4 AS season, 'TK-' || lpad((n // 4)::VARCHAR, 4, '0') AS tank_id, n
    FROM range($tanks) t(n);
    INSERT INTO received_setups
        (season, tank_id, site_id, room_type, gravel_practice, set_point_c, closed_on, upload)
    SELECT season, tank_id, 'S1', 'classroom', 'gravel', 8.0, make_date(season, 11, 1) + $days - 1, 1
    FROM tank_seasons_wanted;
    INSERT INTO received_batches (batch_id, donor_stock, species, brood_year, upload)
    SELECT DISTINCT 'B' || season, 'D1', 'chinook', season, 1 FROM tank_seasons_wanted;
    INSERT INTO received_deliveries (tank_id, batch_id, delivered_on, delivered_on_has_hour, stage_at_delivery,
        thermal_units_at_delivery, thermal_unit, eggs_live, upload)
    SELECT tank_id, 'B' || season, make_date(season, 11, 1) + INTERVAL 11 HOURS, true, 'eyed', 300.0, 'c_days',
        150, 1
    FROM tank_seasons_wanted;
    INSERT INTO uploads (upload, withdrawn) VALUES (1, false);
"""

# A tank's own level, a daily swing and noise; one tank-day in a hundred has a hole, as loggers do.
READ = """
    INSERT INTO received_temperatures
        (tank_id, read_at, read_at_has_hour, water_temp, unit, instrument, upload, line)
    SELECT tank_id, make_date(season, 11, 1) + step * $minutes * INTERVAL 1 MINUTE, true,
        round(7.5 + hash(n) % 100 / 100 + 0.5 * sin(6.283 * step * $minutes / 1440)
            + hash(n, step) % 100 / 200, 2),
        'C', 'logger', 1, row_number() OVER ()
    FROM tank_seasons_wanted, range($days * 1440 // $minutes) t(step)
    WHERE season = $season AND ($whole OR hash(n, step * $minutes // 1440) % 100 > 0 OR hash(n, step, 1) % 3 > 0)
    ORDER BY n, step
"""


def make_store(path: Path, minutes: int, whole: bool) -> duckdb.DuckDBPyConnection:
    """A store on disk with ten million readings, one every ``minutes``; ``whole``: no logger ever misses one."""
    connection = duckdb.connect(str(path))
    create_layout(connection)
    tanks = READINGS // (DAYS * 1440 // minutes)
    for statement in TANKS.replace("$tanks", str(tanks)).replace("$days", str(DAYS)).split(";"):
        if statement.strip():
            connection.execute(statement)
    for season in SEASONS:
        values = {"season": season, "minutes": minutes, "days": DAYS, "whole": whole}
        connection.execute(READ, values)
    connection.execute("CHECKPOINT")
    return connection


def best_seconds(work: Callable[[], object]) -> tuple[float, float]:
    """Best wall-clock and best processor time of several runs, in seconds."""
    wall, processor = [], []
    for _ in range(RUNS):
        started, spent = time.perf_counter(), time.process_time()
        work()
        wall.append(time.perf_counter() - started)
        processor.append(time.process_time() - spent)
    return min(wall), min(processor)


def compare(minutes: int, whole: bool) -> str:
    """One line with both times and their ratio."""
    with tempfile.TemporaryDirectory() as folder:
        connection = make_store(Path(folder) / "store.duckdb", minutes, whole)
        readings = connection.execute("SELECT count(*) FROM temperatures").fetchone()
        bare = best_seconds(lambda: connection.execute(BARE))
        ours = best_seconds(lambda: run_queries(connection, Settings(), WANTED))
        connection.close()
    assert readings is not None
    return (
        f"{readings[0]:,} readings every {minutes} min, {'no' if whole else '1 % of'} days with holes: "
        f"bare GROUP BY {bare[0]:.3f} s, exposure and units {ours[0]:.3f} s, ratio {ours[0] / bare[0]:.2f} "
        f"(processor time {ours[1] / bare[1]:.2f})"
    )


def main() -> None:
    """Print the comparison, with and without holes."""
    minutes = int(sys.argv[1]) if len(sys.argv) > 1 else 15
    print(f"{len(needed_for(WANTED))} queries")
    for whole in (True, False):
        print(compare(minutes, whole), flush=True)


if __name__ == "__main__":
    main()
