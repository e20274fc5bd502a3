"""The work of the desk: one piece at a time, each in a process of its own that can be stopped."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from broodyear.desk.worker import CHANGING, Ended, WorkProcess
from broodyear.errors import BroodyearError

State = Literal["waiting", "running", "done", "failed", "stopped"]

#: Work that the desk starts by itself and may put off at any time.
BACKGROUND = frozenset({"count"})
MOST_WAITING = 8
MOST_REMEMBERED = 50


class Busy(BroodyearError):
    """The desk is at work on something that cannot run beside what was asked for."""


@dataclass(frozen=True)
class Job:
    """One piece of work. order: what the worker gets; done of total steps, total 0 when they cannot be counted;
    what: being done now; began, ended: seconds of the clock; message: how it ended, in a sentence; outcome: what
    the worker gave back; busy: it failed because another program has the store."""

    number: int
    kind: str
    title: str
    order: Mapping[str, Any] = field(repr=False)
    state: State = "waiting"
    done: int = 0
    total: int = 0
    what: str = ""
    began: float = 0.0
    ended: float = 0.0
    message: str = ""
    outcome: Mapping[str, Any] = field(default_factory=dict, repr=False)
    busy: bool = False

    @property
    def seconds(self) -> float:
        """How long it ran, or has been running."""
        return (self.ended or time.time()) - self.began if self.began else 0.0

    @property
    def is_over(self) -> bool:
        """Whether it has ended, one way or another."""
        return self.state in {"done", "failed", "stopped"}


class Runner:
    """Runs jobs one after the other, in a thread of its own.

    start: begins a worker process; on_end: called with each job that has ended, before anybody else learns of it;
    on_rest: called after that, when nothing is left to do.
    """

    def __init__(
        self, start: Callable[[], WorkProcess], on_end: Callable[[Job], None], on_rest: Callable[[], None]
    ) -> None:
        self._start = start
        self._on_end = on_end
        self._on_rest = on_rest
        self._jobs: list[Job] = []
        self._process: WorkProcess | None = None
        self._stopping: set[int] = set()
        self._changed = threading.Condition()
        self._closed = False
        self._number = 0
        self._thread = threading.Thread(target=self._run, name="desk-runner", daemon=True)
        self._thread.start()

    def submit(self, kind: str, title: str, order: Mapping[str, Any]) -> Job:
        """Put work in the queue. Raises Busy when it is there already, or cannot run beside what is."""
        with self._changed:
            self._refuse_when_busy(kind, order)
            self._number += 1
            job = Job(self._number, kind, title, dict(order))
            self._jobs.append(job)
            if kind not in BACKGROUND:
                self.stop_kinds(BACKGROUND)
            self._changed.notify_all()
        return job

    def _refuse_when_busy(self, kind: str, order: Mapping[str, Any]) -> None:
        pending = self.pending()
        for job in pending:
            if (job.kind, job.order) == (kind, order):
                raise Busy(f"The desk is at it already: {job.title}. Wait for it, or stop it.")
        ordered = [job for job in pending if job.kind not in BACKGROUND]
        changing = [job for job in ordered if job.kind in CHANGING or kind in CHANGING]
        if changing and kind not in BACKGROUND:
            raise Busy(
                f"The desk is busy: {changing[0].title}. Nothing else was started; wait for it, or stop it."
            )
        if len(ordered) >= MOST_WAITING:
            raise Busy(f"{MOST_WAITING} pieces of work wait already. Let some of them end first.")

    def pending(self) -> list[Job]:
        """What runs and what waits, in order."""
        with self._changed:
            return [job for job in self._jobs if not job.is_over]

    def latest(self, *kinds: str) -> Job | None:
        """The last job of these kinds that has ended."""
        with self._changed:
            over = [job for job in self._jobs if job.is_over and job.kind in kinds]
        return max(over, key=lambda job: job.ended, default=None)

    def stop(self, number: int) -> bool:
        """Stop job ``number``; False when it is over already."""
        with self._changed:
            found = next((job for job in self.pending() if job.number == number), None)
            if found is not None:
                self._stop(found)
            return found is not None

    def stop_kinds(self, kinds: Collection[str]) -> None:
        """Stop all jobs of these kinds."""
        with self._changed:
            for job in self.pending():
                if job.kind in kinds:
                    self._stop(job)

    def _stop(self, job: Job) -> None:
        if job.state == "running":
            self._stopping.add(job.number)
            if self._process is not None:
                self._process.stop()
        else:
            self._put(replace(job, state="stopped", ended=time.time(), message="It was taken off the list."))

    def wait_over(self, number: int, seconds: float) -> bool:
        """Wait until job ``number`` is over, at most so many seconds; whether it is."""
        with self._changed:
            return self._changed.wait_for(lambda: number not in {job.number for job in self.pending()}, seconds)

    def close(self) -> None:
        """Stop everything and end the thread."""
        with self._changed:
            self._closed = True
            for job in self.pending():
                self._stop(job)
            self._changed.notify_all()
        self._thread.join(10)

    def _run(self) -> None:
        while (job := self._next()) is not None:
            ended = self._work(job)
            self._on_end(ended)
            with self._changed:
                self._put(ended)
                self._stopping.discard(job.number)
                self._jobs = self._jobs[-MOST_REMEMBERED:]
            if not self.pending() and not self._closed:
                self._on_rest()

    def _next(self) -> Job | None:
        with self._changed:
            self._changed.wait_for(lambda: self._closed or bool(self.pending()))
            if self._closed:
                return None
            # What a person asked for goes before what the desk does by itself.
            waiting = sorted(self.pending(), key=lambda job: (job.kind in BACKGROUND, job.number))
            job = replace(waiting[0], state="running", began=time.time())
            self._put(job)
            return job

    def _work(self, job: Job) -> Job:
        try:
            with self._changed:
                self._process = self._start()
                if job.number in self._stopping:
                    self._process.stop()
            ended = self._process.run(job.kind, job.order, lambda *step: self._progress(job.number, *step))
        except OSError as error:
            ended = Ended("failed", f"the work could not be started ({error.strerror})")
        finally:
            self._process = None
        with self._changed:
            stopped = job.number in self._stopping and ended.state != "done"
            known = self._job(job.number)
        return replace(known, **vars(Ended("stopped", "It was stopped.") if stopped else ended), ended=time.time())

    def _progress(self, number: int, done: int, total: int, what: str) -> None:
        with self._changed:
            if number in self._stopping and self._process is not None:
                self._process.stop()
            self._put(replace(self._job(number), done=done, total=total, what=what))

    def _job(self, number: int) -> Job:
        return next(job for job in self._jobs if job.number == number)

    def _put(self, job: Job) -> None:
        self._jobs = [job if known.number == job.number else known for known in self._jobs]
        self._changed.notify_all()
