"""The effects worked out in a process of its own, beside the rest of a large programme's review.

All outcomes but the last are: that one is left for when the rest of the review is done and would only wait.

Run as ``python -m broodyear.reports.effects_beside`` it reads a pickled frame of tank outcomes from standard input
and writes the pickled effects, or the sentence with which they refuse. It ends when that input is closed, so
that nothing goes on working for a review that is gone. The same functions do the work either way, and the numbers
are the same to the last digit.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import subprocess
import sys
import threading
from dataclasses import fields
from types import TracebackType
from typing import IO, TYPE_CHECKING

from broodyear.errors import BroodyearError

if TYPE_CHECKING:
    import pandas as pd

    from broodyear.survival import EffectsReport

#: From this many rows (three a tank-season) on, effects take several times as long as starting a process.
WORTH_A_PROCESS_ROWS = 20_000
_LENGTH_BYTES = 8
_GONE = 70


def effects_or_refusal(outcomes: pd.DataFrame) -> EffectsReport | str:
    """The effects of tank outcomes, or the sentence with which they refuse; on one linear-algebra thread.

    Sums are rounded as threads share them out, so the number of threads has to be the same wherever this runs.
    """
    from threadpoolctl import threadpool_limits

    from broodyear.survival import effects_report

    with threadpool_limits(limits=1, user_api="blas"):
        try:
            return effects_report(outcomes)
        except BroodyearError as error:
            return str(error)


class EffectsBeside:
    """Effects under way, as a context: `result` waits for them; leaving without having asked ends the process.

    For small programmes, on computers with one processor, and when a process cannot be started or breaks off, the
    work is done here when its result is asked for.
    """

    def __init__(self, outcomes: pd.DataFrame) -> None:
        self._outcomes = outcomes
        self._there, self._here = _shared_out(outcomes)
        self._answer = b""
        self._process = _start() if _is_worth_it(outcomes) else None
        self._talk = threading.Thread(target=self._ask, daemon=True)
        if self._process:
            self._talk.start()

    def __enter__(self) -> EffectsBeside:
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
        content = pickle.dumps(self._there)
        with contextlib.suppress(OSError):  # where it has ended, its answer is empty
            self._process.stdin.write(len(content).to_bytes(_LENGTH_BYTES, "big") + content)
            self._process.stdin.flush()
        with self._process.stdout as answers:
            self._answer = answers.read()
        with contextlib.suppress(OSError):
            self._process.stdin.close()

    def result(self) -> EffectsReport | str:
        """The effects, or the sentence with which they refused."""
        if self._process:
            here = effects_or_refusal(self._here) if len(self._here) else None
            self._talk.join()
            if self._process.wait() == 0:
                return _together(pickle.loads(self._answer), here)
        return effects_or_refusal(self._outcomes)


def _shared_out(outcomes: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rows for the other process and rows for this one: each outcome is a piece of work of its own."""
    from broodyear.survival.effects_rows import outcomes_in

    present = outcomes_in(outcomes)
    is_last = outcomes["outcome"] == present[-1] if len(present) > 1 else outcomes["outcome"].isin([])
    return outcomes[~is_last], outcomes[is_last]


def _together(there: EffectsReport | str, here: EffectsReport | str | None) -> EffectsReport | str:
    """The effects of both processes in the order of a tank's life; what one refuses, the whole refuses."""
    import pandas as pd

    from broodyear.survival import EffectsReport

    if isinstance(there, str) or here is None:
        return there
    if isinstance(here, str):
        return here
    parts = {
        field.name: pd.concat([getattr(there, field.name), getattr(here, field.name)], ignore_index=True)
        for field in fields(EffectsReport)
    }
    return EffectsReport(**parts)


def _is_worth_it(outcomes: pd.DataFrame) -> bool:
    return len(outcomes) >= WORTH_A_PROCESS_ROWS and _processors() > 1


def _processors() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _start() -> subprocess.Popen[bytes] | None:
    words = [sys.executable, "-P", "-m", __name__]
    try:
        return subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    except OSError:
        return None


def main() -> None:
    """Read the outcomes, work the effects out, write them."""
    given: IO[bytes] = sys.stdin.buffer
    outcomes = pickle.loads(given.read(int.from_bytes(given.read(_LENGTH_BYTES), "big")))
    threading.Thread(target=_leave_with_the_review, args=(given,), daemon=True).start()
    sys.stdout.buffer.write(pickle.dumps(effects_or_refusal(outcomes)))
    sys.stdout.buffer.flush()
    # A thread that waits for the review must not keep the process.
    os._exit(0)


def _leave_with_the_review(given: IO[bytes]) -> None:
    given.read()
    os._exit(_GONE)


if __name__ == "__main__":
    main()
