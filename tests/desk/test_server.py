"""The command as a whole: one desk per store, this computer only, and nothing lost when it is killed."""

from __future__ import annotations

import contextlib
import datetime as dt
import re
import shutil
import signal
import socket
import stat
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from tests.desk.conftest import HOST, PATIENCE_SECONDS, RunningDesk, Visitor

from broodyear.store import open_store

RunDesk = Callable[[Path], RunningDesk]
#: Enough rows for a load that lasts long enough to be killed in the middle.
MANY_READINGS = 100_000
SLOW_CONNECTIONS = 100
SLOWEST_PAGE_SECONDS = 1.0


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


@pytest.fixture(scope="module")
def visitor(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Visitor]:
    """A visitor of a running desk without a store."""
    desk = RunningDesk(tmp_path_factory.mktemp("served") / "store.duckdb")
    yield Visitor(desk)
    desk.end()


def connected(desk: RunningDesk, sent: bytes = b"") -> socket.socket:
    line = socket.create_connection((HOST, desk.port), timeout=PATIENCE_SECONDS)
    line.sendall(sent)
    return line


def test_it_listens_to_this_computer_only(visitor: Visitor) -> None:
    connected(visitor.desk).close()
    for address in own_addresses():
        with pytest.raises(OSError):
            socket.create_connection((address, visitor.desk.port), timeout=5)


def test_a_second_desk_is_told_where_the_first_is_and_how_to_get_in_again(visitor: Visitor) -> None:
    store = visitor.desk.store
    second = command("desk", "--no-browser", "--store", str(store))
    found = re.search(re.escape(visitor.desk.base) + r"/enter\?token=([^\s;]+)", second.stderr)
    assert second.returncode == 13 and found and found.group(1) != visitor.desk.token
    home, visitor.home = visitor.home, ""
    answer, _ = visitor.ask("GET", f"/enter?token={found.group(1)}", cookie="")
    visitor.home = home
    assert answer.status == 303 and answer.getheader("Location") == f"{home}/"


def test_a_port_that_is_taken_is_a_mistake_of_use(visitor: Visitor, tmp_path: Path) -> None:
    port = command("desk", "--no-browser", "--port", str(visitor.desk.port), "--store", str(tmp_path / "store"))
    assert port.returncode == 2 and "is taken" in port.stderr


def test_nobody_else_on_this_computer_can_read_what_the_desk_keeps(visitor: Visitor) -> None:
    folder = visitor.desk.store.with_name("store.duckdb.desk")
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700


@pytest.mark.parametrize(
    "begun",
    [b"", b"GET / HT", b"GET / HTTP/1.1\r\nHost: x\r\n", b"POST / HTTP/1.1\r\nContent-Length: 1000\r\n\r\nhalf"],
)
def test_a_hundred_slow_connections_delay_nobody(visitor: Visitor, begun: bytes) -> None:
    slow = [connected(visitor.desk, begun) for _ in range(SLOW_CONNECTIONS)]
    began = time.monotonic()
    answer, _ = visitor.ask("GET", "/")
    took = time.monotonic() - began
    for line in slow:
        line.close()
    assert answer.status == 200 and took < SLOWEST_PAGE_SECONDS


def test_six_hundred_requests_at_once_are_all_answered(visitor: Visitor) -> None:
    asked = (
        f"GET {visitor.home}/words HTTP/1.1\r\nHost: {HOST}:{visitor.desk.port}\r\nCookie: {visitor.cookie}\r\n"
    )
    lines = [connected(visitor.desk) for _ in range(600)]
    for line in lines:
        line.sendall(f"{asked}Connection: close\r\n\r\n".encode())
    for line in lines:
        assert line.recv(15) == b"HTTP/1.1 200 OK"
        line.close()


def test_a_long_body_is_taken_only_from_the_browser_that_was_let_in(visitor: Visitor) -> None:
    head = f"POST {visitor.home}/files/add HTTP/1.1\r\nHost: {HOST}:{visitor.desk.port}\r\n"
    for length in ("Content-Length: 1000000", "Transfer-Encoding: chunked"):
        with connected(visitor.desk, f"{head}{length}\r\n\r\n".encode()) as line:
            assert line.recv(12) == b"HTTP/1.1 403"
    more_than_any_disk = f"{head}Content-Length: 3999999999\r\nCookie: {visitor.cookie}\r\n\r\n"
    with connected(visitor.desk, more_than_any_disk.encode()) as line:
        free = shutil.disk_usage(visitor.desk.store.parent).free
        if free < 2 * 3_999_999_999:
            assert line.recv(12) == b"HTTP/1.1 507"


@pytest.mark.parametrize(
    "sent",
    [
        b"\x00\xff\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: \xff\r\n\r\n",
        b"GET /" + b"x" * 1_000_000 + b" HTTP/1.1\r\n\r\n",
        b"POST / HTTP/1.1\r\nContent-Length: -1\r\n\r\n",
        b"POST / HTTP/1.1\r\nContent-Length: 1\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
        b"GET http://evil.example/ HTTP/1.1\r\nHost: evil.example\r\n\r\n",
    ],
)
def test_a_broken_request_is_refused_and_the_next_one_answered(visitor: Visitor, sent: bytes) -> None:
    with connected(visitor.desk) as line, contextlib.suppress(OSError):
        line.sendall(sent)
        said = line.recv(100_000)
        assert said.startswith(b"HTTP/1.") and said[9:10] == b"4", said
        assert visitor.key.encode() not in said and visitor.home.encode() not in said
    assert visitor.ask("GET", "/work.json")[0].status == 200


def test_no_folder_for_the_store_is_a_mistake_of_use(tmp_path: Path) -> None:
    done = command("desk", "--no-browser", "--store", str(tmp_path / "none" / "store.duckdb"))
    assert done.returncode == 2 and "no folder" in done.stderr


def test_the_page_can_close_the_desk_and_so_can_ctrl_c(run_desk: RunDesk, tmp_path: Path) -> None:
    desk = run_desk(tmp_path / "store.duckdb")
    status, page = Visitor(desk).post("/close")
    assert status == 200 and b"The desk is closed" in page
    assert desk.process.wait(PATIENCE_SECONDS) == 0
    again = run_desk(tmp_path / "store.duckdb")
    Visitor(again)
    assert again.end(signal.SIGINT) == 0


def until(condition: Callable[[], bool]) -> None:
    limit = time.monotonic() + PATIENCE_SECONDS
    while not condition():
        assert time.monotonic() < limit, "it did not come"
        time.sleep(0.05)


def hand_over(visitor: Visitor, name: str, content: bytes) -> None:
    status, said = visitor.hand_over(name, content)
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
