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
#: What a column is called that holds the day on which a stage was seen, one column beside another.
_STAGE_HEADINGS = {
    "eyed": ("eyed", "eyed up", "eyes"),
    "hatch_first": ("first hatched", "first hatch", "hatch began", "hatch started", "hatch start", "start hatch"),
    "hatch_half": ("half hatched", "half hatch", "50 hatched", "50 hatch", "mid hatch"),
    "hatch_all": ("all hatched", "hatched", "hatch complete", "hatch completed", "hatch ended", "100 hatched"),
    "button_up": ("buttoned up", "button up", "buttoned", "yolk taken up", "yolk absorbed"),
    "first_feeding": ("first feeding", "first fed", "first feed", "feeding began", "feeding started"),
}
_SAYS_NOTHING = {"on", "of", "the", "date", "day", "seen", "when"}
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


def stage_in(heading: str) -> str | None:
    """The stage whose day a column of this heading holds; None when the heading names none."""
    words = " ".join(word for word in plain_words(heading).split() if word not in _SAYS_NOTHING)
    words = words.replace("hatching", "hatch")
    return next((stage for stage, names in _STAGE_HEADINGS.items() if words in names), None)


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
