"""What goes to the terminal: results to stdout, everything else to stderr, progress where a person watches."""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from broodyear.layouts import Layouts, chosen_layouts, joined_labels
from broodyear.settings import Settings, read_settings

if TYPE_CHECKING:
    from broodyear.store import Store

#: Seconds of work before a progress line appears: what ends sooner needs none.
PROGRESS_AFTER_SECONDS = 2.0
_ERASE_LINE = "\r\x1b[K"


def say(text: str) -> None:
    """A remark on stderr."""
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
def _ticking(what: str) -> Iterator[None]:
    done = threading.Event()
    ticking = threading.Thread(target=_tick, args=(what, done), name="waiting", daemon=True)
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


@dataclass(frozen=True)
class Programme:
    """What a command works on: a store, which need not exist yet, and the files of settings and of layouts where
    such are named. quiet: remarks are kept back."""

    store: Path
    settings_file: Path | None = None
    layouts_file: Path | None = None
    quiet: bool = False

    @property
    def settings(self) -> Settings:
        """The programme's settings, with the labels that its layouts file says mean one thing."""
        return replace(read_settings(self.settings_file), same=joined_labels(self.layouts_file, self.store))

    @property
    def layouts(self) -> Layouts:
        """How files of another shape become rows."""
        return chosen_layouts(self.layouts_file, self.store)

    @contextmanager
    def opened(self) -> Iterator[Store]:
        """The store, for reading. What an earlier run left undone or unreported comes first."""
        from broodyear.store import open_store

        with open_store(self.store, settings=self.settings) as store:
            for remark in (store.broken_off(), store.untold()):
                if remark:
                    say(remark)
            yield store

    @contextmanager
    def analysed(self) -> Iterator[Store]:
        """The store, for what is worked out from it. That nothing kept in it can be used comes first, too."""
        with self.opened() as store:
            if store.keeps_for_other_settings():
                self.say(
                    f"What reports start from is kept in {self.store} for other settings, or other joined labels "
                    "of layouts.toml, and is worked out anew, which takes longer. If those of this run are right, "
                    "load any of its files again: it is kept for them then."
                )
            yield store

    def say(self, text: str) -> None:
        """A remark on stderr, unless quiet."""
        if not self.quiet:
            say(text)

    def waiting(self, what: str) -> AbstractContextManager[None]:
        """Say on a terminal, unless quiet, what is being done and for how long."""
        return nullcontext() if self.quiet or not sys.stderr.isatty() else _ticking(what)
