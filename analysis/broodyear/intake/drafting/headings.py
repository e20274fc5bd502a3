"""What a heading may mean: the declared columns whose names or synonyms it has, and the unit it tells."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from typing import Literal

from broodyear.schemas import Column, all_tables

#: How a heading came to be taken for a column, the surest first.
Ground = Literal["name", "synonym", "words in it"]
_GROUNDS: tuple[Ground, ...] = ("name", "synonym", "words in it")
_UNIT = re.compile(r"[\[(]?\s*(?:°|º|deg(?:rees)?\.?\s*)([CF])\b\s*[\])]?|[\[(]\s*([CF])\s*[\])]", re.IGNORECASE)
_IN_BRACKETS = re.compile(r"[\[(][^\])]*[\])]")


@dataclass(frozen=True)
class Meaning:
    """A column that a heading may mean, and on what ground."""

    table: str
    column: Column
    ground: Ground

    @property
    def rank(self) -> int:
        """The smaller, the surer."""
        return _GROUNDS.index(self.ground)


def unit_in(heading: str) -> str | None:
    """The unit of temperature that a heading tells, C or F; None when it tells none."""
    found = _UNIT.search(heading)
    return (found[1] or found[2]).upper() if found else None


def plain_words(heading: str) -> str:
    """The words of a heading in small letters, without units, brackets and signs."""
    without = _IN_BRACKETS.sub(" ", _UNIT.sub(" ", heading))
    return re.sub(r"[\W_]+", " ", without).strip().lower()


def meanings(heading: str) -> list[Meaning]:
    """The columns that a heading may mean, the surest first, tables in load order."""
    words = plain_words(heading)
    if not words:
        return []
    found = [
        Meaning(table, column, ground)
        for table, column, names in _known()
        if (ground := _ground(words, names)) is not None
    ]
    return sorted(found, key=lambda meaning: meaning.rank)


@cache
def _known() -> list[tuple[str, Column, tuple[str, ...]]]:
    """Table, column, and what it is called: its name first, then its synonyms."""
    return [
        (table.name, column, tuple(plain_words(name) for name in (column.name, *column.synonyms)))
        for table in all_tables()
        for column in table.columns
    ]


def _ground(words: str, names: tuple[str, ...]) -> Ground | None:
    if words == names[0]:
        return "name"
    if words in names:
        return "synonym"
    said = set(words.split())
    return "words in it" if any(len(name) > 3 and set(name.split()) <= said for name in names) else None
