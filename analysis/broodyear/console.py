"""What goes to the terminal: results to stdout, everything else to stderr, progress where a person watches."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

#: Seconds of work before a progress line appears: what ends sooner needs none.
PROGRESS_AFTER_SECONDS = 2.0
_ERASE_LINE = "\r\x1b[K"


def colour_wanted() -> bool:
    """Whether stdout may carry colour: a terminal, and the user has not said no (NO_COLOR)."""
    return sys.stdout.isatty() and not os.environ.get("NO_COLOR")


def say(text: str, *, quiet: bool = False) -> None:
    """A remark on stderr, unless quiet."""
    if not quiet:
        print(text, file=sys.stderr, flush=True)


class Progress:
    """A line on stderr that says what is being done; silent when stderr is not a terminal, or when quiet."""

    def __init__(self, quiet: bool = False) -> None:
        self._shown = False
        self._active = sys.stderr.isatty() and not quiet
        self._began = time.monotonic()

    def __call__(self, done: int, total: int, what: str) -> None:
        """done of total steps are done; what is being done now."""
        if self._active and time.monotonic() - self._began > PROGRESS_AFTER_SECONDS:
            share = f"{100 * done // total:3d} % " if total else ""
            print(f"{_ERASE_LINE}{share}{what[:70]}", end="", file=sys.stderr, flush=True)
            self._shown = True

    def close(self) -> None:
        """Take the line away."""
        if self._shown:
            print(_ERASE_LINE, end="", file=sys.stderr, flush=True)


@contextmanager
def progress(quiet: bool = False) -> Iterator[Progress]:
    """A Progress that is taken away at the end, also after an error."""
    line = Progress(quiet)
    try:
        yield line
    finally:
        line.close()
