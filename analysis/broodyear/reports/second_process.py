"""The long work of a large programme's review, shared out between this process and one of its own beside it.

The review shows practices and effects, and either takes most of its time. Beside it are worked out the practices
of every outcome but the main one and the effects of every outcome but the last; the review does the others.

Run as ``python -m broodyear.reports.second_process`` it reads a pickled frame of tank outcomes and the share of
the work from standard input and writes the pickled pieces. It ends when that input is closed, so that nothing goes
on working for a review that is gone. The same functions do the work either way, and the numbers are the same to
the last digit.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import subprocess
import sys
import threading
from dataclasses import dataclass, fields
from types import TracebackType
from typing import IO, TYPE_CHECKING

from threadpoolctl import threadpool_limits

from broodyear.errors import BroodyearError

if TYPE_CHECKING:
    import pandas as pd

    from broodyear.survival import EffectsReport

#: From this many rows (three a tank-season) on, the work takes several times as long as starting a process.
WORTH_A_PROCESS_ROWS = 20_000
_LENGTH_BYTES = 8
_GONE = 70


@dataclass(frozen=True)
class Share:
    """The outcomes of which a process works out the practices, and those of which it works out the effects (None:
    it leaves the effects alone)."""

    practices_of: tuple[str, ...]
    effects_of: tuple[str, ...] | None


@dataclass(frozen=True)
class Pieces:
    """What was worked out: the practices outcome by outcome, and the effects (None: none were wanted); each of
    them may be the sentence of a refusal instead."""

    practices: list[pd.DataFrame] | str
    effects: EffectsReport | str | None


def worked_out(outcomes: pd.DataFrame, share: Share) -> Pieces:
    """The pieces of a share, on one linear-algebra thread.

    Sums are rounded as threads share them out, so the number of threads has to be the same wherever this runs.
    """
    with threadpool_limits(limits=1, user_api="blas"):
        return Pieces(_practices(outcomes, share.practices_of), _effects(outcomes, share.effects_of))


def _practices(outcomes: pd.DataFrame, names: tuple[str, ...]) -> list[pd.DataFrame] | str:
    from broodyear.setups import practice_parts

    try:
        return practice_parts(outcomes, names)
    except BroodyearError as error:
        return str(error)


def _effects(outcomes: pd.DataFrame, names: tuple[str, ...] | None) -> EffectsReport | str | None:
    from broodyear.survival import effects_report

    if names is None:
        return None
    try:
        return effects_report(outcomes[outcomes["outcome"].isin(names)])
    except BroodyearError as error:
        return str(error)


class Beside:
    """Work under way, as a context: `result` waits for it; leaving without having asked ends the process.

    For small programmes, on computers with one processor, and when a process cannot be started or breaks off, all
    the work is done here when its result is asked for.
    """

    def __init__(self, outcomes: pd.DataFrame) -> None:
        self._outcomes = outcomes
        self._all, self._there, self._here = _shares(outcomes)
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

    def result(self) -> tuple[pd.DataFrame | str, EffectsReport | str]:
        """Practices and effects, each of them or the sentence with which it refused."""
        if self._process:
            here = worked_out(self._outcomes, self._here)
            self._talk.join()
            if self._process.wait() == 0:
                return _together(pickle.loads(self._answer), here)
        return _together(worked_out(self._outcomes, self._all))


def _shares(outcomes: pd.DataFrame) -> tuple[Share, Share, Share]:
    """All the work, that of the other process and that of this one: each outcome is a piece of work of its own."""
    from broodyear.setups import MAIN_OUTCOME, OUTCOMES
    from broodyear.survival.effects_rows import outcomes_in

    present = outcomes_in(outcomes)
    others = tuple(name for name in OUTCOMES if name != MAIN_OUTCOME)
    every = Share(OUTCOMES, present)
    if len(present) < 2:
        return every, Share(others, present), Share((MAIN_OUTCOME,), None)
    return every, Share(others, present[:-1]), Share((MAIN_OUTCOME,), present[-1:])


def _together(*pieces: Pieces) -> tuple[pd.DataFrame | str, EffectsReport | str]:
    """The pieces in the order of a tank's life; what one refuses, the whole refuses."""
    return _joined_practices(pieces), _joined_effects([piece.effects for piece in pieces])


def _joined_practices(pieces: tuple[Pieces, ...]) -> pd.DataFrame | str:
    from broodyear.setups import practices_from

    parts: list[pd.DataFrame] = []
    for piece in pieces:
        if isinstance(piece.practices, str):
            return piece.practices
        parts += piece.practices
    return practices_from(parts)


def _joined_effects(found: list[EffectsReport | str | None]) -> EffectsReport | str:
    import pandas as pd

    from broodyear.survival import EffectsReport

    reports = []
    for one in found:
        if isinstance(one, str):
            return one
        if one is not None:
            reports.append(one)
    if len(reports) == 1:
        return reports[0]
    parts = {
        field.name: pd.concat([getattr(report, field.name) for report in reports], ignore_index=True)
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
    """Read the outcomes and the share, work it out, write the pieces."""
    given: IO[bytes] = sys.stdin.buffer
    outcomes, share = pickle.loads(given.read(int.from_bytes(given.read(_LENGTH_BYTES), "big")))
    threading.Thread(target=_leave_with_the_review, args=(given,), daemon=True).start()
    sys.stdout.buffer.write(pickle.dumps(worked_out(outcomes, share)))
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
