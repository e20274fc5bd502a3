"""What goes to the terminal: results to stdout, everything else to stderr, progress where a person watches."""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from broodyear.layouts import LAYOUTS_VARIABLE, joined_labels
from broodyear.settings import Settings, read_settings

if TYPE_CHECKING:
    from broodyear.store import Store

#: Seconds of work before a progress line appears: what ends sooner needs none.
PROGRESS_AFTER_SECONDS = 2.0
_ERASE_LINE = "\r\x1b[K"


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


@contextmanager
def waiting(what: str, quiet: bool = False) -> Iterator[None]:
    """Say on a terminal what is being done and for how long, where the steps still to come are not known."""
    if quiet or not sys.stderr.isatty():
        yield
        return
    done = threading.Event()
    ticking = threading.Thread(target=_tick, args=(what, done), daemon=True)
    ticking.start()
    try:
        yield
    finally:
        done.set()
        ticking.join()


def _tick(what: str, done: threading.Event) -> None:
    began = time.monotonic()
    shown = False
    while not done.wait(1.0):
        elapsed = time.monotonic() - began
        if elapsed > PROGRESS_AFTER_SECONDS:
            print(f"{_ERASE_LINE}{what} … {elapsed:.0f} s", end="", file=sys.stderr, flush=True)
            shown = True
    if shown:
        print(_ERASE_LINE, end="", file=sys.stderr, flush=True)


def programme_settings(settings: Path | None, store: Path, layouts: Path | None = None) -> Settings:
    """The programme's settings, with the labels that its layouts file says mean one thing.

    layouts: that file; None: the one that the environment names, else the usual one.
    """
    named = os.environ.get(LAYOUTS_VARIABLE)
    given = layouts or (Path(named) if named else None)
    return replace(read_settings(settings), same=joined_labels(given, store))


@contextmanager
def opened_store(store: Path, settings: Path | None, layouts: Path | None = None) -> Iterator[Store]:
    """The store, for reading. What an earlier run left undone or untold is said first."""
    from broodyear.store import open_store

    with open_store(store, settings=programme_settings(settings, store, layouts)) as opened:
        say_broken_off(opened)
        say_untold = opened.untold()
        if say_untold:
            say(say_untold)
        yield opened


def say_broken_off(opened: Store) -> None:
    said = opened.broken_off()
    if said:
        say(said)
