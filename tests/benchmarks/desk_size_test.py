"""The desk at the sizes promised: a logger file of 1 GB, and pages over 20 seasons of 1 000 tanks.

Run: python -m pytest tests/benchmarks/desk_size_test.py -s
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import duckdb
import pytest
from tests.desk.conftest import RunningDesk, Visitor
from tests.desk.large_files import at_rest, hand_over_and_load, resident, write_logger_file
from tests.desk.test_server import hand_over

from broodyear.store import open_store

FILE_BYTES = 1_000_000_000
MOST_TOGETHER_MB = 500
#: More than the desk remembers of what it did, so that everything is there that stays.
WARM_UP_JOBS = 60
JOBS, MOST_ADDED_MB = 200, 5.0
SEASONS, TANKS = 20, 1_000
SLOWEST_PAGE_SECONDS = 0.2
TIMES_ASKED = 11
PAGES = (
    "/", "/store", "/store/season/2024", "/store/season/2024?lacks=water_tests&leaf=2", "/store/uploads",
    "/store/uploads?with=losses", "/store/upload/4000", "/reports", "/words", "/words/setups", "/work.json",
)  # fmt: skip

#: A programme of the size promised, written set-wise: a reading a day, a check every fourth.
FILL = f"""
INSERT INTO received_sites SELECT 'S-' || i, 'region ' || i % 12, 'school', NULL, NULL, NULL, 1, i, NULL
FROM range({TANKS}) AS t(i);
INSERT INTO received_tanks (tank_id, upload, line) SELECT 'TK-' || i, 2, i FROM range({TANKS}) AS t(i);
INSERT INTO received_setups (season, tank_id, site_id, room_type, gravel_practice, closed_on, upload, line)
SELECT 2005 + s, 'TK-' || i, 'S-' || i, 'classroom', 'bare', make_date(2006 + s, 5, 20), 10 + s * 200, i
FROM range({TANKS}) AS t(i), range({SEASONS}) AS q(s);
INSERT INTO received_batches (batch_id, donor_stock, species, brood_year, upload, line)
SELECT 'B-' || s, 'D-' || s % 4, 'chinook', 2005 + s, 3, s FROM range({SEASONS}) AS q(s);
INSERT INTO received_deliveries
(tank_id, batch_id, delivered_on, delivered_on_has_hour, stage_at_delivery, eggs_live, upload, line)
SELECT 'TK-' || i, 'B-' || s, make_date(2006 + s, 1, 10), false, 'eyed', 150, 11 + s * 200, i
FROM range({TANKS}) AS t(i), range({SEASONS}) AS q(s);
INSERT INTO received_temperatures (tank_id, read_at, read_at_has_hour, water_temp, unit, instrument, upload, line)
SELECT 'TK-' || i, make_date(2006 + s, 1, 10) + d::INTEGER, false, 8 + (d % 20) / 10.0, 'C', 'thermometer',
    12 + s * 200 + i % 100, i * 130 + d
FROM range({TANKS}) AS t(i), range({SEASONS}) AS q(s), range(130) AS r(d);
INSERT INTO received_losses (tank_id, checked_on, stage, dead, entry, upload, line)
SELECT 'TK-' || i, make_date(2006 + s, 1, 11) + (4 * d)::INTEGER, 'egg', d % 3, 'counted', 115 + s * 200 + i % 80,
    i * 30 + d
FROM range({TANKS}) AS t(i), range({SEASONS}) AS q(s), range(30) AS r(d);
INSERT INTO received_exits (tank_id, exited_on, fate, "count", upload, line)
SELECT 'TK-' || i, make_date(2006 + s, 5, 20), 'released', 110, 199 + s * 200, i
FROM range({TANKS}) AS t(i), range({SEASONS}) AS q(s);
INSERT INTO uploads
SELECT u, 'mail/' || u || '/' || kind || '_' || u || '.csv', kind, 'hash' || u, TIMESTAMP '2025-01-01', 10, 9,
    9, 0, false, NULL, []
FROM (SELECT i + 1 AS u, CASE WHEN i = 0 THEN 'sites' WHEN i = 1 THEN 'tanks' WHEN i = 2 THEN 'batches'
    WHEN i % 200 = 9 THEN 'setups' WHEN i % 200 = 10 THEN 'deliveries' WHEN i % 200 < 112 THEN 'temperatures'
    WHEN i % 200 < 196 THEN 'losses' ELSE 'exits' END AS kind FROM range({SEASONS * 200 + 10}) AS t(i));
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="memory is read from /proc")
def test_a_logger_file_of_1_gb_stays_under_500_mb_of_memory(tmp_path: Path) -> None:
    place = tmp_path / "temperatures.csv"
    rows = write_logger_file(place, FILE_BYTES)
    desk = RunningDesk(tmp_path / "store.duckdb")
    try:
        watch, took = hand_over_and_load(desk, place, 1_800)
    finally:
        desk.end()
    print(
        f"\n{place.stat().st_size / 1e9:.2f} GB, {rows:,} rows; own memory at most: server {watch.server:.0f} MB, "
    )
    print(f"worker {watch.worker:.0f} MB, together {watch.together:.0f} MB; seconds: {took}")
    with open_store(tmp_path / "store.duckdb") as store:
        assert int(store.uploads()["rows_accepted"].max()) == rows
    assert watch.together < MOST_TOGETHER_MB


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="memory is read from /proc")
def test_two_hundred_pieces_of_work_leave_nothing_in_memory(tmp_path: Path) -> None:
    desk = RunningDesk(tmp_path / "store.duckdb")
    try:
        visitor = Visitor(desk)
        hand_over(visitor, "tanks.csv", b"tank_id\nT-1\nT-1\n")
        took = [_memory_after(visitor, desk.process.pid, jobs) for jobs in (WARM_UP_JOBS, JOBS)]
    finally:
        desk.end()
    print(f"\nown memory of the server after {WARM_UP_JOBS} and {JOBS} more pieces of work: {took} MB")
    assert took[1] - took[0] < MOST_ADDED_MB


def _memory_after(visitor: Visitor, server: int, jobs: int) -> float:
    """Megabytes of the server after so many looks at a file, each with its page."""
    for _ in range(jobs):
        visitor.post("/files/check")
        at_rest(visitor, 60)
        assert visitor.ask("GET", "/")[0].status == 200
    return resident(server)


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Visitor]:
    """A visitor of a desk over 20 seasons of 1 000 tanks, after they were counted."""
    place = tmp_path_factory.mktemp("large") / "store.duckdb"
    open_store(place, for_loading=True).close()
    with duckdb.connect(str(place)) as connection:
        connection.execute(FILL)
    desk = RunningDesk(place)
    visitor = Visitor(desk)
    print(f"\ncounted in {at_rest(visitor, 600):.1f} s, {place.stat().st_size / 1e6:.0f} MB")
    yield visitor
    desk.end()


@pytest.mark.parametrize("path", PAGES)
def test_pages_answer_within_a_fifth_of_a_second(large: Visitor, path: str) -> None:
    took = []
    for _ in range(TIMES_ASKED):
        began = time.perf_counter()
        answer, content = large.ask("GET", path)
        took.append(time.perf_counter() - began)
        assert answer.status == 200
    middle = statistics.median(took)
    print(
        f"\n{path}: middle {1000 * middle:.0f} ms, worst {1000 * max(took):.0f} ms, {len(content) / 1000:.0f} kB"
    )
    assert middle < SLOWEST_PAGE_SECONDS
