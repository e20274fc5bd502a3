"""Pages people read, print and follow back to their rows: selecting, ordering and wording, no arithmetic."""

from __future__ import annotations

from collections.abc import Callable

#: The steps of a report, for whoever waits for it: hears how many are done, of how many, and what is being done.
Tell = Callable[[int, int, str], None]


def tell_nobody(done: int, steps: int, doing: str) -> None:
    """For a report that nobody waits for."""
