"""Filling a sentence with the numbers of a case."""

from __future__ import annotations

import datetime as dt
import string
from typing import Any


class _Sentence(string.Formatter):
    """Format strings whose blanks may be missing values, dates, and numbers with their noun.

    ``{n:of reading}`` gives "1 reading", "2 readings"; ``{t:day}`` a date; ``{t:minute}`` a moment to the minute;
    a value that is not recorded gives "not recorded".
    """

    def format_field(self, value: Any, format_spec: str) -> str:
        if value is None:
            return "not recorded"
        if format_spec.startswith("of "):
            return counted(int(value), format_spec.removeprefix("of "))
        if format_spec == "day":
            return f"{value:%Y-%m-%d}"
        if format_spec == "minute":
            return f"{value:%Y-%m-%d %H:%M}"
        if isinstance(value, dt.datetime | dt.date):
            return value.isoformat(*([" "] if isinstance(value, dt.datetime) else []))
        return str(format(value, format_spec))


def counted(number: int, noun: str) -> str:
    """The number with its noun: "1 reading", "2 readings"; in thousands with a comma."""
    return f"{number:,} {noun}" if number == 1 else f"{number:,} {noun}s"


def filled(sentence: str, case: dict[str, Any]) -> str:
    """``sentence`` with its blanks filled from ``case``."""
    return _Sentence().vformat(sentence, (), case)
