"""Dates as people write them: which orders of day and month fit all of a column, and how each reads."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence

#: The orders, as a layout names them, in words.
ORDERS = {"day_first": "day first", "month_first": "month first", "year_first": "year first"}
_NUMBERS = re.compile(r"\s*(\d{1,4})[-/. ](\d{1,2})[-/. ](\d{1,4})\b")
_PLACES = {"day_first": (2, 1, 0), "month_first": (2, 0, 1), "year_first": (0, 1, 2)}


def as_read(text: str, order: str) -> str | None:
    """The date in ``text`` year first, read in ``order``; None when it is no such date."""
    found = _NUMBERS.match(text)
    if found is None:
        return None
    year, month, day = (found.group(place + 1) for place in _PLACES[order])
    if len(year) not in ({4} if order == "year_first" else {2, 4}) or len(day) > 2 or len(month) > 2:
        return None
    try:
        return dt.date(int(year) + (2000 if len(year) == 2 else 0), int(month), int(day)).isoformat()
    except ValueError:
        return None


def is_numeric(text: str) -> bool:
    """Whether ``text`` begins with a date made of three numbers."""
    return _NUMBERS.match(text) is not None


def has_short_year(text: str) -> bool:
    """Whether ``text`` is a date whose year is written in two figures."""
    found = _NUMBERS.match(text)
    return found is not None and all(len(part) <= 2 for part in found.groups())


def orders_that_fit(texts: Sequence[str]) -> list[str]:
    """The orders in which each of these texts is a date."""
    return [order for order in ORDERS if all(as_read(text, order) for text in texts)]
