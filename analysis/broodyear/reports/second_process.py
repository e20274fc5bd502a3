"""A process beside this one that takes over part of a report's work: fits, and drawings.

    with SecondProcess(wanted) as beside:
        fitted = beside.ask(worked_out, rows, ("hatch",))   # begun there as soon as it is free
        ...                                                 # other work here, meanwhile
        fitted()                                            # its answer; what is not begun yet is done here
    drawn = beside.leave(picture, rows)                 # for that process alone: it has loaded what draws already

The other process takes one piece after the other, and ends with the report that asks it, however that ends. The
same functions do the work either way, and the results are the same to the last digit. On computers with one
processor, and when a process cannot be started or breaks off, all the work is done here.
"""

from __future__ import annotations

import gc
import os
import pickle
import signal
import threading
from collections import deque
from collections.abc import Callable
from importlib import import_module
from multiprocessing import get_context, parent_process
from multiprocessing.connection import Connection
from multiprocessing.context import SpawnProcess
from types import TracebackType
from typing import TYPE_CHECKING, Any

from threadpoolctl import threadpool_limits

if TYPE_CHECKING:
    import pandas as pd

    from broodyear.survival.practices.outcome import OutcomeReport

#: From this many set-ups on, the work takes longer than starting a process.
WORTH_A_PROCESS_SETUPS = 150
#: Up to this many, fits are done before drawings that wait for the other process would hold up the report.
QUICK_FITS_SETUPS = 5_000
_GONE = 70


def worked_out(rows: pd.DataFrame, outcomes: tuple[str, ...]) -> list[OutcomeReport]:
    """What the fits of some outcomes say, on one linear-algebra thread.

    Sums are rounded as threads share them out, so the number of threads has to be the same wherever this runs.
    """
    from broodyear.survival.practices import outcome_reports

    with threadpool_limits(limits=1, user_api="blas"):
        return outcome_reports(rows, outcomes)


class Asked:
    """One piece of work. is_left: to the other process. answer, once it is there: whether it went well, and what
    came."""

    def __init__(self, work: Callable[..., Any], given: tuple[Any, ...], is_left: bool) -> None:
        self.work, self.given, self.is_left = work, given, is_left
        self.settled = threading.Event()
        self.answer: tuple[bool, Any] | None = None

    def do(self) -> None:
        """Do it here."""
        self.answer = _answer(self.work, self.given)
        self.settled.set()

    def result(self) -> Any:
        """What came, or what was raised, raised again."""
        assert self.answer
        went_well, came = self.answer
        if went_well:
            return came
        raise came


class SecondProcess:
    """Work shared with another process, as a context; leaving it ends the process, whatever it is doing."""

    def __init__(self, is_wanted: bool, loads: str = "broodyear.survival.practices") -> None:
        """loads: the module of the work, which the other process loads before it is asked."""
        self._waiting: deque[Asked] = deque()
        self._more = threading.Condition()
        self._is_over = False
        self._process: SpawnProcess | None = None
        if is_wanted and _processors() > 1:
            self._process, self._line = _start(loads)
        self._is_alone = self._process is None
        self._talk = threading.Thread(target=self._hand_over, daemon=True)
        if self._process:
            self._talk.start()

    def __enter__(self) -> SecondProcess:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with self._more:
            self._is_over = True
            self._more.notify()
        if self._process:
            self._process.kill()
            self._process.join()
            self._talk.join()
            self._line.close()

    def ask(self, work: Callable[..., Any], *given: Any) -> Callable[[], Any]:
        """Have `work(*given)` done; the function that comes back gives its result, or raises what it raised.

        work: a function of a module, or a partial of one; work and answer have to be picklable.
        """
        return self._asked(Asked(work, given, is_left=False))

    def leave(self, work: Callable[..., Any], *given: Any) -> Callable[[], Any]:
        """The same for work that is done here only where there is no other process."""
        return self._asked(Asked(work, given, is_left=True))

    def _asked(self, asked: Asked) -> Callable[[], Any]:
        with self._more:
            self._waiting.append(asked)
            self._more.notify()
        return lambda: self._result(asked)

    def _result(self, asked: Asked) -> Any:
        """The answer; while it is being worked out there, other pieces that are not begun yet are done here."""
        while not asked.settled.is_set() and (piece := self._taken(asked)):
            piece.do()
        asked.settled.wait()
        if asked.answer is None:  # it broke off there
            asked.do()
        return asked.result()

    def _taken(self, asked: Asked) -> Asked | None:
        """The piece itself when it is not begun yet, else the last of those that wait for either, if any does."""
        with self._more:
            ours = [one for one in self._waiting if self._is_alone or not one.is_left]
            if not ours:
                return None
            piece = asked if asked in ours else ours[-1]
            self._waiting.remove(piece)
            return piece

    def _hand_over(self) -> None:
        """Give the other process one piece after the other, until it breaks off or all is over."""
        while (asked := self._next()) is not None:
            try:
                asked.answer = self._done_there(asked)
            except (OSError, EOFError, pickle.PickleError):
                self._give_up()
                return
            finally:
                asked.settled.set()

    def _give_up(self) -> None:
        """Nobody waits for what was left to a process that broke off."""
        with self._more:
            self._is_alone = True
            for asked in self._waiting:
                asked.settled.set()
            self._waiting.clear()

    def _next(self) -> Asked | None:
        with self._more:
            self._more.wait_for(lambda: self._waiting or self._is_over)
            return None if self._is_over else self._waiting.popleft()

    def _done_there(self, asked: Asked) -> tuple[bool, Any]:
        self._line.send((asked.work, asked.given))
        answer: tuple[bool, Any] = self._line.recv()
        return answer


def _processors() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _start(loads: str) -> tuple[SpawnProcess | None, Connection]:
    """A process of its own, started afresh as on every system, and the line to it."""
    context = get_context("spawn")
    here, there = context.Pipe()
    process = context.Process(target=_work, args=(there, loads), daemon=True)
    try:
        process.start()
    except OSError:
        return None, here
    finally:
        there.close()
    return process, here


def _work(line: Connection, loads: str) -> None:
    """Do what is asked, one piece after the other."""
    gc.disable()  # it lives for seconds
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the report ends this process when it is interrupted
    threading.Thread(target=_leave_with_the_report, daemon=True).start()
    _make_ready(loads)
    while True:
        work, given = line.recv()
        line.send(_answer(work, given))


def _leave_with_the_report() -> None:
    """End at once when the report is gone, however it ended."""
    report = parent_process()
    if report:
        report.join()
    os._exit(_GONE)


def _make_ready(loads: str) -> None:
    """Load what the work needs while the report is still reading its records."""
    from broodyear.figures.style import load_library

    import_module(loads)
    load_library()


def _answer(work: Callable[..., Any], given: tuple[Any, ...]) -> tuple[bool, Any]:
    try:
        return True, work(*given)
    except Exception as error:  # raised again where the answer is asked for
        return False, error
