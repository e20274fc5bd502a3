"""Progress appears where a person watches, after a while, and is taken away; elsewhere nothing is said."""

from __future__ import annotations

import io
import sys
import time
from pathlib import Path

import pytest

from broodyear import console
from broodyear.console import Programme

STORE = Path("broodyear.duckdb")


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


def test_a_terminal_is_told_what_is_done_and_the_line_is_taken_away(monkeypatch: pytest.MonkeyPatch) -> None:
    seen = Terminal()
    monkeypatch.setattr(sys, "stderr", seen)
    monkeypatch.setattr(console, "PROGRESS_AFTER_SECONDS", 0.0)
    with Programme(STORE).waiting("writing the annual review"):
        time.sleep(1.2)
    assert "writing the annual review … 1 s" in seen.getvalue()
    assert seen.getvalue().endswith("\r\x1b[K")


def test_steps_are_shown_as_a_share(monkeypatch: pytest.MonkeyPatch) -> None:
    seen = Terminal()
    monkeypatch.setattr(sys, "stderr", seen)
    monkeypatch.setattr(console, "PROGRESS_AFTER_SECONDS", -1.0)
    with console.progress() as line:
        line(1, 4, "losses_north.csv")
    assert " 25 % losses_north.csv" in seen.getvalue()


def test_what_ends_soon_shows_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    seen = Terminal()
    monkeypatch.setattr(sys, "stderr", seen)
    with Programme(STORE).waiting("forecasting"), console.progress() as line:
        line(1, 2, "losses.csv")
    assert seen.getvalue() == ""


@pytest.mark.parametrize("quiet", [True, False])
def test_a_pipe_and_a_quiet_run_are_told_nothing(quiet: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    seen = Terminal() if quiet else io.StringIO()
    monkeypatch.setattr(sys, "stderr", seen)
    monkeypatch.setattr(console, "PROGRESS_AFTER_SECONDS", -1.0)
    with Programme(STORE, quiet=quiet).waiting("exporting"), console.progress(quiet) as line:
        line(1, 2, "losses.csv")
    assert seen.getvalue() == ""
