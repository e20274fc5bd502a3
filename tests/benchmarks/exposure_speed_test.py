"""How long exposure and thermal units of ten million readings take, beside a bare GROUP BY of the same table.

Run: python -m pytest tests/benchmarks/exposure_speed_test.py -s. A store this large keeps its derived tables when
records are loaded. Both are measured in one process on one store: having exposure and units from the store as it
is kept, which is what every report waits for, and working them out anew, which a load does once.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import duckdb
import pytest

from broodyear.derived import keep_derived, run_queries
from broodyear.derived.running import own_name
from broodyear.settings import Settings
from broodyear.store.layout import create_layout

#: Of the contract: what a person waits for who asks for exposure and units of a loaded store.
MOST_TIMES_A_BARE_GROUP_BY = 1.5
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
    INSERT INTO uploads (upload, withdrawn, rows_accepted) VALUES (1, false, $readings);
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
    for statement in TANKS.split(";"):
        if statement.strip():
            for name, number in (("$tanks", tanks), ("$days", DAYS), ("$readings", READINGS)):
                statement = statement.replace(name, str(number))
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


def made_for_use(connection: duckdb.DuckDBPyConnection) -> None:
    """Exposure and units as tables of the session, as the bare GROUP BY leaves its result."""
    run_queries(connection, Settings(), WANTED)
    for name in WANTED:
        connection.execute(f"CREATE OR REPLACE TEMP TABLE have_{name} AS SELECT * FROM {name}")


@pytest.mark.parametrize("minutes", [15, 60])
@pytest.mark.parametrize("whole", [True, False], ids=["no day with holes", "1 % of days with holes"])
def test_exposure_and_units_of_ten_million_readings(minutes: int, whole: bool, tmp_path: Path) -> None:
    with make_store(tmp_path / "store.duckdb", minutes, whole) as connection:
        anew, _ = best_seconds(lambda: made_for_use(connection))
        began = time.perf_counter()
        with connection.cursor() as session:
            session.execute(f"USE {own_name(connection)}")
            assert keep_derived(session, Settings())
        keeping = time.perf_counter() - began
    with duckdb.connect(str(tmp_path / "store.duckdb"), read_only=True) as connection:
        readings = connection.execute("SELECT count(*) FROM temperatures").fetchone()
        bare, _ = best_seconds(lambda: connection.execute(BARE))
        kept, _ = best_seconds(lambda: made_for_use(connection))
        rows = connection.execute("SELECT count(*) FROM have_thermal_units").fetchone()
    assert readings is not None and rows is not None
    print(
        f"\n{readings[0]:,} readings every {minutes} min, {rows[0]:,} tank-days: bare GROUP BY {bare:.3f} s; "
        f"exposure and units from a loaded store {kept:.3f} s, {kept / bare:.2f} times; worked out anew "
        f"{anew:.3f} s, {anew / bare:.2f} times; a load works out and keeps all derived tables in {keeping:.2f} s"
    )
    assert rows[0] > 0
    assert kept <= MOST_TIMES_A_BARE_GROUP_BY * bare
