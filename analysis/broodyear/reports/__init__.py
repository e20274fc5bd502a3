"""Pages people read, print and follow back to their rows: selecting, ordering and wording, no arithmetic."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from typing import Any

#: The steps of a report, for whoever waits for it: hears how many are done, of how many, and what is being done.
Tell = Callable[[int, int, str], None]


def tell_nobody(done: int, steps: int, doing: str) -> None:
    """For a report that nobody waits for."""


def writer(kind: str) -> Callable[..., Any]:
    """The function that writes the report of this kind: season, regions, development or week."""
    write: Callable[..., Any] = getattr(import_module(f"broodyear.reports.{kind}"), f"report_{kind}")
    return write
