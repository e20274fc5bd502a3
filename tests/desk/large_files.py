"""Logger files of any size, handed to a running desk, and the memory that its processes take meanwhile."""

from __future__ import annotations

import datetime as dt
import http.client
import threading
import time
from itertools import chain
from pathlib import Path

from tests.desk.conftest import FORM, HOST, RunningDesk, Visitor, form_around
from tests.desk.test_server import hand_over, load, work

TANKS = tuple(f"TK-{number:04d}" for number in range(200))
#: Seconds between two looks at the memory.
GLANCE_SECONDS = 0.05


def write_logger_file(place: Path, size: int) -> int:
    """A logger file of about ``size`` bytes; returns its rows."""
    start, rows, written = dt.datetime(2024, 9, 1), 0, 0
    with place.open("w", encoding="utf-8") as out:
        out.write("tank_id,read_at,water_temp\n")
        while written < size:
            moment = (start + dt.timedelta(minutes=rows // len(TANKS))).isoformat(timespec="minutes")
            text = "".join(
                f"{tank},{moment},{8 + (rows + 13 * n) % 100 / 100:.2f}\n" for n, tank in enumerate(TANKS)
            )
            out.write(text)
            written += len(text)
            rows += len(TANKS)
    return rows


class Watch:
    """Watches the memory of a desk and of its workers, in megabytes; peak: of all of them together."""

    def __init__(self, desk: RunningDesk) -> None:
        self._pid = desk.process.pid
        self._done = threading.Event()
        self.server = self.worker = self.together = 0.0
        self._thread = threading.Thread(target=self._look, daemon=True)
        self._thread.start()

    def _look(self) -> None:
        while not self._done.wait(GLANCE_SECONDS):
            server = resident(self._pid)
            workers = sum(resident(pid) for pid in _children(self._pid))
            self.server, self.worker = max(self.server, server), max(self.worker, workers)
            self.together = max(self.together, server + workers)

    def end(self) -> None:
        self._done.set()
        self._thread.join()


def resident(pid: int) -> float:
    """Megabytes of a process's own memory: what it holds, without the pages of files it has open."""
    try:
        lines = Path(f"/proc/{pid}/status").read_text(encoding="utf-8").splitlines()
    except OSError:
        return 0.0
    return next((int(line.split()[1]) / 1000 for line in lines if line.startswith("RssAnon")), 0.0)


def _children(pid: int) -> list[int]:
    try:
        return [
            int(child)
            for task in Path(f"/proc/{pid}/task").iterdir()
            for child in (task / "children").read_text(encoding="utf-8").split()
        ]
    except OSError:
        return []


def send(visitor: Visitor, place: Path) -> None:
    """Hand over a file as the page's script does, in pieces from the disk."""
    line = http.client.HTTPConnection(HOST, visitor.desk.port, timeout=600)
    head, tail = form_around(visitor.key, place.name)
    headers = {
        "Cookie": visitor.cookie, "Origin": visitor.desk.base, "Accept": "application/json", "Content-Type": FORM,
        "Content-Length": str(len(head) + place.stat().st_size + len(tail)),
    }  # fmt: skip
    with place.open("rb") as file:
        body = chain([head], iter(lambda: file.read(1 << 18), b""), [tail])
        line.request("POST", f"{visitor.home}/files/add", body, headers)
        answer = line.getresponse()
        assert answer.status == 200, answer.read()
    line.close()


def at_rest(visitor: Visitor, seconds: float) -> float:
    """Wait until the desk has nothing to do; how long that took."""
    began = time.monotonic()
    while work(visitor) != b"[]":
        assert time.monotonic() - began < seconds, "it takes too long"
        time.sleep(0.1)
    return time.monotonic() - began


def hand_over_and_load(desk: RunningDesk, place: Path, seconds: float) -> tuple[Watch, dict[str, float]]:
    """The whole way of one large file; the memory it took, and the seconds of each step."""
    visitor = Visitor(desk)
    watch = Watch(desk)
    took: dict[str, float] = {}
    hand_over(visitor, "tanks.csv", "\n".join(["tank_id", *TANKS, ""]).encode())
    began = time.monotonic()
    send(visitor, place)
    took["handing over"] = time.monotonic() - began
    visitor.post("/files/check")
    took["looking"] = at_rest(visitor, seconds)
    load(visitor)
    took["loading and counting"] = at_rest(visitor, seconds)
    watch.end()
    return watch, took
