"""The command as a whole: one desk per store, this computer only, and nothing lost when it is killed."""

from __future__ import annotations

import datetime as dt
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from tests.desk.conftest import HOST, PATIENCE_SECONDS, RunningDesk, Visitor

from broodyear.store import open_store

RunDesk = Callable[[Path], RunningDesk]
#: Enough rows for a load that lasts long enough to be killed in the middle.
MANY_READINGS = 200_000


def command(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "broodyear", *words],
        capture_output=True,
        text=True,
        timeout=PATIENCE_SECONDS,
        check=False,
    )


def own_addresses() -> list[str]:
    """Addresses of this computer that others can reach."""
    found = {str(info[4][0]) for info in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)}
    return sorted(address for address in found if not address.startswith("127."))


def test_it_listens_to_this_computer_only(run_desk: RunDesk, tmp_path: Path) -> None:
    desk = run_desk(tmp_path / "store.duckdb")
    socket.create_connection((HOST, desk.port), timeout=5).close()
    for address in own_addresses():
        with pytest.raises(OSError):
            socket.create_connection((address, desk.port), timeout=5)


def test_a_second_desk_is_told_where_the_first_is(run_desk: RunDesk, tmp_path: Path) -> None:
    first = run_desk(tmp_path / "store.duckdb")
    second = command("desk", "--no-browser", "--store", str(tmp_path / "store.duckdb"))
    assert second.returncode == 13 and first.base in second.stderr and first.token not in second.stderr
    port = command("desk", "--no-browser", "--port", str(first.port), "--store", str(tmp_path / "other.duckdb"))
    assert port.returncode == 2 and "is taken" in port.stderr
    assert first.end(signal.SIGINT) == 0
    assert run_desk(tmp_path / "store.duckdb").base != ""


def test_no_folder_for_the_store_is_a_mistake_of_use(tmp_path: Path) -> None:
    done = command("desk", "--no-browser", "--store", str(tmp_path / "none" / "store.duckdb"))
    assert done.returncode == 2 and "no folder" in done.stderr


def test_the_page_can_close_the_desk(run_desk: RunDesk, tmp_path: Path) -> None:
    desk = run_desk(tmp_path / "store.duckdb")
    status, page = Visitor(desk).post("/close")
    assert status == 200 and b"The desk is closed" in page
    assert desk.process.wait(PATIENCE_SECONDS) == 0


def until(condition: Callable[[], bool]) -> None:
    limit = time.monotonic() + PATIENCE_SECONDS
    while not condition():
        assert time.monotonic() < limit, "it did not come"
        time.sleep(0.05)


def hand_over(visitor: Visitor, name: str, content: bytes) -> None:
    status, said = visitor.post("/files/upload", content, X_File_Name=name)
    assert status == 200, said


def load(visitor: Visitor) -> int:
    """Have every waiting file loaded, as if all had been shown."""
    return visitor.post("/files/load", b"up_to=999999", Content_Type="application/x-www-form-urlencoded")[0]


def work(visitor: Visitor) -> bytes:
    return visitor.ask("GET", "/work.json")[1].strip()


def many_readings() -> bytes:
    start = dt.datetime(2024, 10, 1)
    moments = (start + dt.timedelta(seconds=30 * number) for number in range(MANY_READINGS))
    lines = "".join(f"T-1,{moment:%Y-%m-%dT%H:%M:%S},8.{moment.second % 9}\n" for moment in moments)
    return b"tank_id,read_at,water_temp\n" + lines.encode()


def readings_kept(store: Path) -> tuple[int, int]:
    """Readings in the store, and readings that its uploads say they brought."""
    with open_store(store) as opened:
        uploads = opened.uploads()
        kept = len(opened.table("temperatures"))
    return kept, int(uploads.loc[uploads["table"] == "temperatures", "rows_accepted"].sum())


def test_killing_it_in_the_middle_of_a_load_loses_nothing(run_desk: RunDesk, tmp_path: Path) -> None:
    store = tmp_path / "store.duckdb"
    desk = run_desk(store)
    visitor = Visitor(desk)
    hand_over(visitor, "tanks.csv", b"tank_id\nT-1\n")
    hand_over(visitor, "temperatures.csv", many_readings())
    assert load(visitor) == 303
    until(lambda: b"hecking temperatures" in work(visitor))
    desk.end(signal.SIGKILL)

    visitor = Visitor(run_desk(store))
    until(lambda: work(visitor) == b"[]")
    kept, told = readings_kept(store)
    assert kept == told and kept in {0, MANY_READINGS}
    assert b"temperatures.csv" in visitor.ask("GET", "/")[1]  # it still waits
    assert load(visitor) == 303
    hand_over(visitor, "more_tanks.csv", b"tank_id\nT-2\nT-3\n")  # while the load runs
    assert b"loading 2 files" in work(visitor) and visitor.post("/files/check")[0] == 303
    until(lambda: b"Load the 2 good rows" in visitor.ask("GET", "/")[1])  # it waited, and was looked at
    assert readings_kept(store) == (MANY_READINGS, MANY_READINGS)
    assert load(visitor) == 303
    until(lambda: work(visitor) == b"[]")
    with open_store(store) as opened:
        assert set(opened.table("tanks")["tank_id"]) == {"T-1", "T-2", "T-3"}
    assert not list(store.with_name("store.duckdb.desk").glob("files/*"))


def test_another_program_that_has_the_store_is_told_in_plain_words(run_desk: RunDesk, small_store: Path) -> None:
    visitor = Visitor(run_desk(small_store))
    until(lambda: work(visitor) == b"[]")
    hand_over(visitor, "tanks.csv", b"tank_id\nT-7\n")
    with open_store(small_store, for_loading=True):
        assert load(visitor) == 303
        until(lambda: work(visitor) == b"[]")
        page = visitor.ask("GET", "/")[1]
        assert b"The store is busy." in page and b"is open in another program" in page and b"tanks.csv" in page
        assert visitor.ask("GET", "/store")[0].status == 200
    assert load(visitor) == 303
    until(lambda: work(visitor) == b"[]")
    with open_store(small_store) as store:
        assert "T-7" in set(store.table("tanks")["tank_id"])
