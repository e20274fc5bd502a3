"""What the cells below a heading look like."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from broodyear.intake.shapes import figures, shape
from broodyear.layouts.model import DateOrder

CODE = re.compile(r"[A-Za-z]{1,6}[ _-]?[0-9]{1,4}[A-Za-z]?")
_TIME = f"(?:{shape('half_day')}|{shape('clock')})"
_DAY = f"(?:{shape('iso_day')}|{shape('other_day')})(?:[Tt ,]+{_TIME}.*)?"
_NUMBER = f"(?:{shape('number')}|{shape('comma_number')})"


@dataclass(frozen=True)
class Looks:
    """What most cells of a column are. filled: how many hold something; distinct: their different texts, in
    order of their first."""

    filled: int
    are_dates: bool
    are_times: bool
    are_numbers: bool
    are_codes: bool
    distinct: tuple[str, ...]


def looks_of(cells: Sequence[str]) -> Looks:
    """The looks of the cells of one column."""
    filled = [cell.strip() for cell in cells if cell.strip()]
    return Looks(
        len(filled),
        _most(filled, _DAY),
        _most(filled, _TIME),
        _most(filled, _NUMBER),
        _most(filled, CODE.pattern),
        tuple(dict.fromkeys(filled)),
    )


def _most(cells: Sequence[str], pattern: str) -> bool:
    return bool(cells) and 2 * sum(bool(re.fullmatch(pattern, cell)) for cell in cells) > len(cells)


def proved_order(cells: Sequence[str]) -> tuple[DateOrder, str] | None:
    """The one order in which all dates written in figures can be read, with a date that proves it; None when none
    is proved."""
    pairs = _in_figures(cells)
    day_first = [text for first, second, text in pairs if first > 12 and second <= 12]
    month_first = [text for first, second, text in pairs if second > 12 and first <= 12]
    if bool(day_first) == bool(month_first):
        return None
    return ("day_first", day_first[0]) if day_first else ("month_first", month_first[0])


def in_two_orders(cells: Sequence[str]) -> str | None:
    """A date that can be read in two orders, where no other proves one or both; None when there is none."""
    pairs = _in_figures(cells)
    if any(max(first, second) > 12 for first, second, _ in pairs):
        return None
    return next((text for first, second, text in pairs if first != second), None)


def _in_figures(cells: Sequence[str]) -> list[tuple[int, int, str]]:
    """The first two figures of each date written in figures, and the date without its clock."""
    return [(*found[:2], re.split("[ T,]", cell.strip())[0]) for cell in cells if (found := figures(cell.strip()))]


def common_pattern(headings: Sequence[str]) -> str:
    """A pattern that headings have in common: their common beginning, up to the figures in it, and a star."""
    beginning = headings[0]
    for heading in headings[1:]:
        while not heading.lower().startswith(beginning.lower()):
            beginning = beginning[:-1]
    return beginning.rstrip("0123456789") + "*"
