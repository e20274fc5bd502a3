"""The long work of a large programme's review, shared out between this process and one of its own beside it.

The fits of practices take most of a review's time. Beside it are worked out those of every outcome but the last.
The same function does the work either way, and the numbers are the same to the last digit.
"""

from __future__ import annotations

import contextlib
import os
import signal
import threading
from multiprocessing import get_context, parent_process
from multiprocessing.connection import Connection
from multiprocessing.context import SpawnProcess
from types import TracebackType
from typing import TYPE_CHECKING

from threadpoolctl import threadpool_limits

if TYPE_CHECKING:
    import pandas as pd

    from broodyear.survival.practices import EffectsReport
    from broodyear.survival.practices.outcome import OutcomeReport

#: From this many rows (three a tank-season) on, the work takes several times as long as starting a process.
WORTH_A_PROCESS_ROWS = 20_000
_GONE = 70


Pieces = list["OutcomeReport"]


def worked_out(rows: pd.DataFrame, outcomes: tuple[str, ...]) -> Pieces:
    """What the fits of some outcomes say, on one linear-algebra thread.

    Sums are rounded as threads share them out, so the number of threads has to be the same wherever this runs.
    """
    from broodyear.survival.practices import outcome_reports

    with threadpool_limits(limits=1, user_api="blas"):
        return outcome_reports(rows, outcomes)


class Beside:
    """Work under way, as a context: `result` waits for it; leaving without having asked ends the process.

    For small programmes, on computers with one processor, and when a process cannot be started or breaks off, all
    the work is done here when its result is asked for.
    """

    def __init__(self, outcomes: pd.DataFrame) -> None:
        self._outcomes = outcomes
        self._there, self._here = _shares(outcomes)
        self._process: SpawnProcess | None = None
        if _is_worth_it(outcomes):
            self._process, self._answer = _start(outcomes, self._there)

    def __enter__(self) -> Beside:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._process:
            self._process.kill()
            self._process.join()

    def result(self) -> EffectsReport:
        """The report of all outcomes; raises what it is refused for."""
        from broodyear.survival.practices import report_from

        here = worked_out(self._outcomes, self._here)
        if self._process:
            with contextlib.suppress(EOFError, OSError):  # it broke off
                return report_from([*self._answer.recv(), *here])
        return report_from([*worked_out(self._outcomes, self._there), *here])


def _shares(outcomes: pd.DataFrame) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The outcomes worked out by the other process and by this one, in the order of a tank's life.

    The whole stay is worked out here, the stages beside it: they are the smaller fits, and this process has more
    to do.
    """
    from broodyear.survival.practices import outcomes_in

    present = outcomes_in(outcomes)
    return present[:-1], present[-1:]


def _is_worth_it(outcomes: pd.DataFrame) -> bool:
    return len(outcomes) >= WORTH_A_PROCESS_ROWS and len(_shares(outcomes)[0]) > 0 and _processors() > 1


def _processors() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _start(rows: pd.DataFrame, outcomes: tuple[str, ...]) -> tuple[SpawnProcess | None, Connection]:
    """A process of its own, started afresh as on every system, and where its answer comes from."""
    context = get_context("spawn")
    answer, sending = context.Pipe(duplex=False)
    process = context.Process(target=_work, args=(sending, rows, outcomes), daemon=True)
    try:
        process.start()
    except OSError:
        return None, answer
    finally:
        sending.close()
    return process, answer


def _work(sending: Connection, rows: pd.DataFrame, outcomes: tuple[str, ...]) -> None:
    """Work the outcomes out and send them; whatever goes wrong, the review does the work itself and says it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the review ends this process when it is interrupted
    threading.Thread(target=_leave_with_the_review, daemon=True).start()
    with contextlib.suppress(Exception):
        sending.send(worked_out(rows, outcomes))


def _leave_with_the_review() -> None:
    """End at once when the review is gone, however it ended."""
    review = parent_process()
    if review:
        review.join()
    os._exit(_GONE)
