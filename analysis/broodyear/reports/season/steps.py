"""The steps of a review, for whoever waits for it."""

from __future__ import annotations

from collections.abc import Callable

#: Hears how many steps are done, of how many, and what is being done.
Tell = Callable[[int, int, str], None]
STEPS = 4
