"""The steps of a report, for whoever waits for it."""

from __future__ import annotations

from collections.abc import Callable

#: Hears how many steps are done, of how many, and what is being done.
Tell = Callable[[int, int, str], None]


def tell_nobody(done: int, steps: int, doing: str) -> None:
    """For a report that nobody waits for."""
