"""A process beside this one that takes over part of a report's work: fits, and drawings.

    with SecondProcess(wanted) as beside:
        fitted = beside.ask(fit, rows, "hatch")   # begun there as soon as it is free
        ...                                       # other work here, meanwhile
        fitted()                                  # its answer; what is not begun yet is done here
    drawn = beside.leave(picture, rows)           # for that process alone: it has loaded what draws already

The other process takes one piece after the other, and ends with the report that asks it, however that ends. The
same functions do the work either way, and the results are the same to the last digit. On computers with one
processor, and when a process cannot be started or breaks off, all the work is done here.

On Linux it is a copy of this one, which has loaded already what this one has. On other systems, and where another
thread may hold what the copy would wait for, it is started afresh.
"""

from __future__ import annotations

import gc
import os
import pickle
import signal
import sys
import threading
import warnings
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import partial
from importlib import import_module
from multiprocessing import get_context, parent_process, resource_tracker
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from typing import Any

from threadpoolctl import threadpool_limits

#: From this many set-ups on, the work takes longer than starting a process.
WORTH_A_PROCESS_SETUPS = 150
_GONE = 70
#: Threads that hold nothing a copy of the process would wait for: the main one, and the one that tells how long.
_HARMLESS_THREADS = frozenset({"MainThread", "waiting"})

#: Whether work went well, and what came of it or was raised.
Answer = tuple[bool, Any]


def on_one_thread(work: Callable[..., Any], *given: Any) -> Any:
    """`work(*given)` on one linear-algebra thread.

    Sums are rounded as threads share them out, so the number of threads has to be the same wherever this runs.
    """
    with threadpool_limits(limits=1, user_api="blas"):
        return work(*given)


@dataclass
class Piece:
    """One piece of work. is_left: to the other process; there: what comes of it, as soon as that one is free."""

    work: Callable[[], Any]
    is_left: bool
    there: Future[Answer] | None
    answer: Answer | None = None

    def take_back(self) -> bool:
        """Take it back, where it is for either and not begun there yet; whether it was."""
        return self.answer is None and not self.is_left and self.there is not None and self.there.cancel()

    def do(self) -> None:
        """Do it here."""
        self.answer = _answer(self.work)

    def result(self) -> Any:
        """What came, or what was raised, raised again."""
        if self.answer is None and self.there is not None:
            with suppress(OSError, EOFError, pickle.PickleError):  # it broke off there
                self.answer = self.there.result()
        went_well, came = self.answer or _answer(self.work)
        if went_well:
            return came
        raise came


class SecondProcess:
    """Work shared with another process, as a context; leaving it ends the process, whatever it is doing."""

    def __init__(self, is_wanted: bool, loads: str = "broodyear.survival.practices") -> None:
        """loads: the module of the work, which is loaded before any piece is begun."""
        self._pieces: list[Piece] = []
        self._process: BaseProcess | None = None
        #: Hands over one piece after the other: what it has not begun can be taken back.
        self._hand = ThreadPoolExecutor(1)
        if is_wanted and _processors() > 1:
            self._process, self._line = _start(loads)

    def __enter__(self) -> SecondProcess:
        return self

    def __exit__(self, *raised: object) -> None:
        self._hand.shutdown(wait=False, cancel_futures=True)
        if self._process:
            self._process.kill()
            self._process.join()
            self._hand.shutdown()
            self._line.close()

    def ask(self, work: Callable[..., Any], *given: Any) -> Callable[[], Any]:
        """Have `work(*given)` done; the function that comes back gives its result, or raises what it raised.

        work: a function of a module, or a partial of one; work and answer have to be picklable.
        """
        return self._ask(partial(work, *given), is_left=False)

    def leave(self, work: Callable[..., Any], *given: Any) -> Callable[[], Any]:
        """The same for work that is done here only where there is no other process."""
        return self._ask(partial(work, *given), is_left=True)

    def _ask(self, work: Callable[[], Any], is_left: bool) -> Callable[[], Any]:
        piece = Piece(work, is_left, self._hand.submit(self._done_there, work) if self._process else None)
        self._pieces.append(piece)
        return lambda: self._result(piece)

    def _result(self, piece: Piece) -> Any:
        """The answer; while it is being worked out there, other pieces that are not begun yet are done here, the
        last first."""
        while piece.there is not None and not piece.there.done():
            taken = next((one for one in (piece, *reversed(self._pieces)) if one.take_back()), None)
            if taken is None:
                break
            taken.do()
        return piece.result()

    def _done_there(self, work: Callable[[], Any]) -> Answer:
        self._line.send(work)
        answer: Answer = self._line.recv()
        return answer


def _processors() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _start(loads: str) -> tuple[BaseProcess | None, Connection]:
    """A process of its own, and the line to it."""
    is_copied = sys.platform == "linux" and all(one.name in _HARMLESS_THREADS for one in threading.enumerate())
    if is_copied:
        import_module(loads)
    elif os.name == "posix":
        resource_tracker.ensure_running()  # where it starts later it lets Ctrl-C through again
    context: Any = get_context("fork" if is_copied else "spawn")
    here, there = context.Pipe()
    process: BaseProcess = context.Process(target=_work, args=(there, loads), daemon=True)
    try:
        with _undisturbed(), warnings.catch_warnings():
            # Newer versions of Python warn of any thread; the database's wait between two questions.
            warnings.filterwarnings("ignore", ".*multi-threaded", DeprecationWarning)
            process.start()
    except OSError:
        return None, here
    finally:
        there.close()
    return process, here


@contextmanager
def _undisturbed() -> Iterator[None]:
    """Hold Ctrl-C back meanwhile; a process begun in it is never disturbed by one, not even as it begins."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _work(line: Connection, loads: str) -> None:
    """Do the pieces that come, one after the other."""
    gc.disable()  # it lives for seconds
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the report ends this process when it is interrupted
    threading.Thread(target=_leave_with_the_report, daemon=True).start()
    _make_ready(loads)
    while True:
        line.send(_answer(line.recv()))


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


def _answer(work: Callable[[], Any]) -> Answer:
    try:
        return True, work()
    except Exception as error:  # raised again where the result is wanted
        return False, error
