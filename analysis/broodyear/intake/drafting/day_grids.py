"""A grid of days: days as headings, and numbers below them, a line for each tank."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase

from broodyear.intake.drafting.headings import Looks, is_date, meanings
from broodyear.intake.shapes import HAS_YEAR
from broodyear.layouts.model import plain

#: How the headings of a grid of days are told from others beside them.
_PATTERNS = (
    "20[0-9][0-9]-*", "[0-9]*/[0-9]*", "[0-9]*.[0-9]*", "[a-z][a-z][a-z]* [0-9]*", "[0-9]* [a-z][a-z][a-z]*",
    "[0-9]*-[a-z][a-z][a-z]*",
)  # fmt: skip
#: The columns of a table that take the day above a cell, and its number.
_COLUMNS = {"losses": ("checked_on", "dead"), "temperatures": ("read_at", "water_temp")}


@dataclass(frozen=True)
class DayGrid:
    """positions: of the columns headed by days; pattern: that their headings match, and no other; table: what is
    counted below them; ground: why this table; has_years: every day tells its year."""

    positions: tuple[int, ...]
    pattern: str
    table: str
    ground: str
    has_years: bool

    @property
    def day(self) -> str:
        """The column that takes the day."""
        return _COLUMNS[self.table][0]

    @property
    def number(self) -> str:
        """The column that takes the number."""
        return _COLUMNS[self.table][1]


def day_grid(names: Sequence[str], looks: Sequence[Looks], texts: Sequence[str]) -> DayGrid | None:
    """The grid that these headings and the looks of their cells make; None when they make none. What is counted is
    told by the name of the sheet or above the headings, ``texts``, else whole numbers are taken for the dead."""
    positions = tuple(position for position, name in enumerate(names) if is_date(name) and not meanings(name))
    filled = [looks[position] for position in positions if looks[position].filled]
    pattern = _pattern(names, positions) if len(positions) > 1 else None
    if pattern is None or not filled or not all(look.are_numbers for look in filled):
        return None
    known = (one.table for text in texts for one in meanings(text) if one.column.name in {"dead", "water_temp"})
    named = next(known, None)
    is_whole = all(re.fullmatch("[0-9]+", cell) for look in filled for cell in look.distinct)
    number = "whole numbers" if is_whole else "numbers with decimals"
    ground = "what stands above the days says it" if named else f"{number} below days"
    table = named or ("losses" if is_whole else "temperatures")
    return DayGrid(
        positions, pattern, table, ground, all(re.search(HAS_YEAR, names[position]) for position in positions)
    )


def _pattern(names: Sequence[str], positions: Sequence[int]) -> str | None:
    """The first pattern that all headings of days match, and none of the others."""

    def fits(pattern: str) -> bool:
        return all(
            bool(fnmatchcase(plain(name), pattern)) == (position in positions)
            for position, name in enumerate(names)
        )

    return next(filter(fits, _PATTERNS), None)
