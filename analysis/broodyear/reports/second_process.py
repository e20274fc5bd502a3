"""The long work of a large programme's review, shared out between this process and one of its own beside it.

The fits of practices take most of a review's time. Beside it are worked out those of every outcome but the last.

Run as ``python -m broodyear.reports.second_process`` it reads a pickled frame of tank outcomes and the outcomes
to work out from standard input and writes the pickled pieces. It ends when that input is closed, so that nothing
goes on working for a review that is gone. The same functions do the work either way, and the numbers are the same
to the last digit.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import subprocess
import sys
import threading
from types import TracebackType
from typing import IO, TYPE_CHECKING

from threadpoolctl import threadpool_limits

if TYPE_CHECKING:
    import pandas as pd

    from broodyear.survival.practices import EffectsReport
    from broodyear.survival.practices.outcome import OutcomeReport

#: From this many rows (three a tank-season) on, the work takes several times as long as starting a process.
WORTH_A_PROCESS_ROWS = 20_000
_LENGTH_BYTES = 8
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
        self._answer = b""
        self._process = _start() if _is_worth_it(outcomes) else None
        self._talk = threading.Thread(target=self._ask, daemon=True)
        if self._process:
            self._talk.start()

    def __enter__(self) -> Beside:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._process:
            self._process.kill()
            self._process.wait()
            self._talk.join()

    def _ask(self) -> None:
        assert self._process and self._process.stdin and self._process.stdout
        content = pickle.dumps((self._outcomes, self._there))
        with contextlib.suppress(OSError):  # where it has ended, its answer is empty
            self._process.stdin.write(len(content).to_bytes(_LENGTH_BYTES, "big") + content)
            self._process.stdin.flush()
        with self._process.stdout as answers:
            self._answer = answers.read()
        with contextlib.suppress(OSError):
            self._process.stdin.close()

    def result(self) -> EffectsReport:
        """The report of all outcomes; raises what it is refused for."""
        from broodyear.survival.practices import report_from

        if self._process:
            here = worked_out(self._outcomes, self._here)
            self._talk.join()
            if self._process.wait() == 0:
                return report_from([*pickle.loads(self._answer), *here])
        return report_from(worked_out(self._outcomes, (*self._there, *self._here)))


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


def _start() -> subprocess.Popen[bytes] | None:
    words = [sys.executable, "-P", "-m", __name__]
    try:
        return subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    except OSError:
        return None


def main() -> None:
    """Read the rows and the outcomes wanted, work them out, write the pieces."""
    given: IO[bytes] = sys.stdin.buffer
    rows, outcomes = pickle.loads(given.read(int.from_bytes(given.read(_LENGTH_BYTES), "big")))
    threading.Thread(target=_leave_with_the_review, args=(given,), daemon=True).start()
    sys.stdout.buffer.write(pickle.dumps(worked_out(rows, outcomes)))
    sys.stdout.buffer.flush()
    # A thread that waits for the review must not keep the process.
    os._exit(0)


def _leave_with_the_review(given: IO[bytes]) -> None:
    given.read()
    os._exit(_GONE)


if __name__ == "__main__":
    # Pieces are pickled under the name of the module, not as __main__.
    from broodyear.reports.second_process import main as run

    run()
