"""One piece of work at a time: queue, busy, stop."""

from __future__ import annotations

import errno
import threading
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import duckdb
import pytest

from broodyear.desk.jobs import MOST_WAITING, Busy, Job, Runner
from broodyear.desk.worker import Ended, failure

MOMENT_SECONDS = 10


class Fake:
    """A worker that does what its order says: ends, fails, or waits to be stopped."""

    def __init__(self, log: list[str]) -> None:
        self.log = log
        self.stopped = threading.Event()

    def run(self, kind: str, order: Mapping[str, Any], tell: Callable[[int, int, str], None]) -> Ended:
        self.log.append(f"{kind} {order.get('name', '')}".strip())
        tell(1, 2, "half")
        if order.get("wait"):
            self.stopped.wait(MOMENT_SECONDS)
            return Ended("failed", "broken off")
        return Ended("failed", "it would not") if order.get("fail") else Ended("done", "well done", {"n": 1})

    def stop(self) -> None:
        self.stopped.set()


class Place:
    """A runner with its log."""

    def __init__(self) -> None:
        self.log: list[str] = []
        self.ended: list[Job] = []
        self.rested = threading.Semaphore(0)
        self.runner = Runner(lambda: Fake(self.log), self.ended.append, self.rested.release)  # type: ignore[arg-type, return-value]

    def ask(self, kind: str, **order: Any) -> Job:
        return self.runner.submit(kind, f"doing {kind}", order)

    def until_running(self, job: Job) -> None:
        for _ in range(MOMENT_SECONDS * 100):
            running = next((one for one in self.runner.pending() if one.state == "running"), None)
            if running and running.number == job.number and running.total:
                return
            threading.Event().wait(0.01)
        raise AssertionError("it did not begin")


@pytest.fixture
def place() -> Iterator[Place]:
    made = Place()
    yield made
    made.runner.close()


def test_work_is_done_in_order_and_remembered(place: Place) -> None:
    last = [place.ask("forecast", name=name) for name in "abc"][-1]
    assert place.runner.wait_over(last.number, MOMENT_SECONDS)
    assert place.log == ["forecast a", "forecast b", "forecast c"]
    found = place.runner.latest("forecast")
    assert found and found.state == "done" and found.message == "well done" and found.outcome == {"n": 1}


def test_whoever_learns_of_the_end_finds_its_traces(place: Place) -> None:
    job = place.ask("export")
    assert place.runner.wait_over(job.number, MOMENT_SECONDS)
    assert [ended.number for ended in place.ended] == [job.number]
    assert place.rested.acquire(timeout=MOMENT_SECONDS)


def test_the_same_work_is_not_begun_twice(place: Place) -> None:
    place.ask("report_regions", wait=True)
    with pytest.raises(Busy, match="at it already: doing report_regions"):
        place.ask("report_regions", wait=True)


@pytest.mark.parametrize(
    ("first", "second"), [("load", "report_regions"), ("report_regions", "load"), ("load", "withdraw")]
)
def test_a_change_runs_alone(place: Place, first: str, second: str) -> None:
    place.ask(first, wait=True)
    with pytest.raises(Busy, match="Nothing else was started"):
        place.ask(second)
    assert [job.kind for job in place.runner.pending()] == [first]


def test_only_so_much_waits(place: Place) -> None:
    for number in range(MOST_WAITING):
        place.ask("forecast", name=str(number), wait=True)
    with pytest.raises(Busy, match="wait already"):
        place.ask("forecast", name="more")


def test_running_work_can_be_stopped_and_the_next_begins(place: Place) -> None:
    first, second = place.ask("export", wait=True), place.ask("forecast")
    place.until_running(first)
    assert place.runner.stop(first.number)
    assert place.runner.wait_over(second.number, MOMENT_SECONDS)
    assert [(job.kind, job.state) for job in place.ended] == [("export", "stopped"), ("forecast", "done")]
    assert not place.runner.stop(first.number)


def test_waiting_work_can_be_taken_off_the_list(place: Place) -> None:
    first, second = place.ask("export", wait=True), place.ask("forecast")
    place.until_running(first)
    place.runner.stop(second.number)
    place.runner.stop(first.number)
    assert place.runner.wait_over(first.number, MOMENT_SECONDS)
    assert place.log == ["export"]


def test_what_a_person_asks_for_puts_off_what_the_desk_does_by_itself(place: Place) -> None:
    count = place.ask("count", wait=True)
    place.until_running(count)
    job = place.ask("load")
    assert place.runner.wait_over(job.number, MOMENT_SECONDS)
    assert [(ended.kind, ended.state) for ended in place.ended] == [("count", "stopped"), ("load", "done")]


@pytest.mark.parametrize(
    ("error", "told"),
    [
        (
            duckdb.IOException("Corrupt block at 8"),
            "The store s.duckdb is damaged or cannot be read (Corrupt block",
        ),
        (
            OSError(errno.ENOSPC, "No space left on device", "page.html"),
            "There is no room left on the disk for page",
        ),
        (MemoryError(), "There is not enough memory for this"),
        (KeyError("x"), "Unexpected failure (KeyError: 'x'); this is a mistake of the program."),
    ],
)
def test_what_goes_wrong_in_a_worker_is_told_as_on_the_command_line(
    error: Exception, told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    said = failure(error, Path("s.duckdb"))
    assert said["message"].startswith(told) and not said["busy"]
    assert ("KeyError" in capsys.readouterr().err) == isinstance(error, KeyError)


def test_a_failure_is_told_and_the_next_work_begins(place: Place) -> None:
    place.ask("export", fail=True)
    job = place.ask("forecast")
    assert place.runner.wait_over(job.number, MOMENT_SECONDS)
    failed = place.runner.latest("export")
    assert failed and failed.state == "failed" and failed.message == "it would not"
