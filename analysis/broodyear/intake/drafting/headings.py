"""What a heading, the cells below it and the name of a sheet or file may mean: declared columns whose names or
synonyms a heading has, the unit it tells, what most of the cells look like, the label of a tank, a year."""

from __future__ import annotations

import calendar
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Literal

from broodyear.intake.labels import CODE
from broodyear.intake.messages import COUNTED, NOTHING
from broodyear.intake.shapes import figures, shape
from broodyear.layouts.model import DateOrder, conversion
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
    # A date of hatch alone does not tell whether it is the first, half or all of them: it is asked for.
    "?": ("hatch",),
    "first_feeding": ("first feeding", "first fed", "first feed", "feeding began", "feeding started"),
}
_SAYS_NOTHING = {"on", "of", "the", "date", "day", "seen", "when"}
#: What a question says beside what it asks for.
_ASKING = frozenset(
    (
        "how",
        "many",
        "much",
        "what",
        "which",
        "when",
        "did",
        "do",
        "does",
        "you",
        "your",
        "was",
        "were",
        "is",
        "are",
        "the",
    )
)
#: Columns that count the living, and what their headings say where they name the dead as well.
_COUNTS_LIVING = frozenset({"eggs_live", "count"})
_LIVING = frozenset({"live", "alive", "living", "released"})
#: Words that mean a column where they are all that a heading says, and say nothing within one.
_ALONE = frozenset(
    {("count", "fish"), ("count", "fry"), ("site_kind", "kind"), ("site_kind", "type"), ("started_at", "when")}
)
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


#: Units that people write in headings of other columns than readings: as a layout calls them.
_OTHER_UNITS = {"in": r"\b(?:in|inch|inches)\b[)\]]?\s*$|[\[(]in(?:ch(?:es)?)?[\])]", "gal": r"\bgal(?:lon)?s?\b"}


def converted_from(heading: str, column: Column) -> str:
    """The unit that a heading tells, where a layout can turn it into that of a column; blank where it cannot."""
    said = [unit for unit, pattern in _OTHER_UNITS.items() if re.search(pattern, heading, re.IGNORECASE)]
    units = [*said, *filter(None, [unit_in(heading)])]
    return next((unit for unit in units if conversion(column, unit)), "")


def plain_words(heading: str) -> str:
    """The words of a heading in small letters, without units, brackets and signs."""
    without = _IN_BRACKETS.sub(" ", _UNIT.sub(" ", heading))
    return re.sub(r"[\W_]+", " ", without).strip().lower()


def stage_in(heading: str) -> str | None:
    """The stage whose day a column of this heading holds; None when the heading names none."""
    words = " ".join(word for word in plain_words(heading).split() if word not in _SAYS_NOTHING)
    words = words.replace("hatching", "hatch")
    return next((stage for stage, names in _STAGE_HEADINGS.items() if words in names), None)


def word_meant(column: Column, cell: str) -> str | None:
    """The word of a column that a cell is, also written apart or where it names several: power cut, eggs."""
    known = {**column.spellings, **{word.lower(): word for word in column.allowed}}
    written = re.sub(r"[\s-]+", "_", cell.strip().lower())
    return known.get(written, known.get(written.removesuffix("s")))


def share_of_words(column: Column, cells: Sequence[str]) -> float:
    """The share of these cells that are words of a column."""
    return sum(word_meant(column, cell) is not None for cell in cells) / max(len(cells), 1)


def word_in(heading: str, column: Column) -> str | None:
    """The one of a column's words that a heading says, as "Dead fry" does; None when it says none or several."""
    plain = re.sub(r"\b(?:yolk )?sac ?fry\b", "alevin", re.sub(r"[\W_]+", " ", heading.lower()))
    words = [word for word in column.allowed if re.search(rf"\b{word.replace('_', ' ')}s?\b", plain)]
    return words[0] if len(words) == 1 else None


def meanings(heading: str) -> list[Meaning]:
    """The columns that a heading may mean, the surest first, tables in load order."""
    words = plain_words(heading)
    heading_words = set(words.split()) - (_ASKING if "?" in heading else set())
    grounds = ((table, column, _ground(words, heading_words, names)) for table, column, names in _known())
    found = [
        (Meaning(table, column, ground[0]), ground[1])
        for table, column, ground in grounds
        if ground and not (ground[0] == "words in it" and (column.name, *ground[1]) in _ALONE)
    ]
    # The school of "school year" is none: what covers more of a heading is meant.
    meant = [one for one, covered in found if not any(covered < other for _, other in found)]
    # A number of dead eggs is no number of eggs.
    if any(one.column.name == "dead" for one in meant) and not heading_words & _LIVING:
        meant = [one for one in meant if one.column.name not in _COUNTS_LIVING]
    # A question about something of a tank asks for that; only one that asks for nothing else asks which tank.
    others = [one for one in meant if one.column.name != "tank_id"] if "?" in heading else []
    return sorted(others or meant, key=lambda meaning: meaning.rank)


@cache
def _known() -> list[tuple[str, Column, tuple[str, ...]]]:
    """Table, column, and what it is called: its name first, then its synonyms."""
    return [
        (table.name, column, tuple(plain_words(name) for name in (column.name, *column.synonyms)))
        for table in all_tables()
        for column in table.columns
    ]


def _ground(words: str, heading_words: set[str], names: tuple[str, ...]) -> tuple[Ground, set[str]] | None:
    """On what ground a heading may mean a column of these names, and the words that it has of them."""
    if words in names:
        return "name" if words == names[0] else "synonym", heading_words
    within = (set(name.split()) for name in names if len(name) > 3)
    covered = max((name for name in within if name <= heading_words), key=len, default=None)
    return None if covered is None else ("words in it", covered)


_TIME = f"(?:{shape('half_day')}|{shape('clock')})"
_DAY = f"(?:{shape('iso_day')}|{shape('other_day')})(?:[Tt ,]+{_TIME}.*)?"
_MONTH = rf"(?:{'|'.join(filter(None, [*calendar.month_name, *calendar.month_abbr]))})\.?"
_NTH = "[0-9]{1,2}(?:st|nd|rd|th)?"
_WITHOUT_YEAR = re.compile(rf"{_NTH}[ .-]*{_MONTH}|{_MONTH} *{_NTH}", re.IGNORECASE)
_DATE = f"(?:{_DAY}|{_WITHOUT_YEAR.pattern})"
_NUMBER = f"(?:{shape('number')}|{shape('comma_number')}|[0-9]+ ?(?:{COUNTED}))"
#: A number that somebody was not sure of, or a limit: no number to read, but a sign of what the column holds.
_LIKE_NUMBER = rf"(?:(?:about|around|approx\.?|approximately|ca\.?|circa|roughly|over|~|<|>)\s*)?{_NUMBER}\s*[?+]?"


@dataclass(frozen=True)
class Looks:
    """What most cells of a column are. filled: how many hold something; distinct: their different texts, in
    order of their first; has_dates: some cell is a date; lacks_years: some is a day and a month's name alone,
    which counts as a date."""

    filled: int
    are_dates: bool
    are_times: bool
    are_numbers: bool
    distinct: tuple[str, ...]
    has_dates: bool
    lacks_years: bool


def looks_of(cells: Sequence[str]) -> Looks:
    """The looks of the cells of one column."""
    filled = [cell.strip() for cell in cells if cell.strip()]
    # Among numbers a word for none is one; alone it may be what lies on the bottom.
    numbers = [cell for cell in filled if cell.lower() not in NOTHING]
    return Looks(
        len(filled),
        _most(filled, _DATE),
        _most(filled, _TIME),
        _most(numbers, _LIKE_NUMBER),
        tuple(dict.fromkeys(filled)),
        any(re.fullmatch(_DATE, cell, re.IGNORECASE) for cell in filled),
        any(_WITHOUT_YEAR.fullmatch(cell) for cell in filled),
    )


def is_number(text: str) -> bool:
    """Whether a cell is a number, with a point or a comma before its decimals, or with what was counted behind."""
    return re.fullmatch(_NUMBER, text, re.IGNORECASE) is not None


def noun_in(text: str) -> str | None:
    """What was counted, behind a whole number, in small letters; None when nothing is told."""
    found = re.fullmatch(rf"[0-9]+ ?({COUNTED})", text, re.IGNORECASE)
    return found[1].lower() if found else None


def _most(cells: Sequence[str], pattern: str) -> bool:
    return bool(cells) and 2 * sum(bool(re.fullmatch(pattern, cell, re.IGNORECASE)) for cell in cells) > len(cells)


#: What stands in a list of ticks: a mark where something was so, and a word or a stroke where it was not.
_MARKS = frozenset({"x", "xx", "✓", "✔", "✅", "☑", "√", "•", "yes", "y", "true", "ok", "done"})
_NO_MARKS = frozenset({"no", "n", "false", "-", "–", "☐", "✗", "✘"})
_WEEKDAYS = frozenset(map(str.lower, filter(None, [*calendar.day_name, *calendar.day_abbr])))


def is_date(text: str) -> bool:
    """Whether a text is a day, with or without a year."""
    return re.fullmatch(_DATE, text.strip(), re.IGNORECASE) is not None


def are_ticks(heading: str, looks: Looks) -> bool:
    """Whether below a day, a stage or the label of a tank stand marks, and nothing but marks."""
    marks = {text.lower() for text in looks.distinct}
    names = is_date(heading) or plain_words(heading) in _WEEKDAYS or stage_in(heading) or CODE.fullmatch(heading)
    return bool(names) and bool(marks & _MARKS) and marks <= _MARKS | _NO_MARKS


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


#: Labels that are numbers of the tanks at one place, for certain; and such as may be, where there are few of them.
NUMBER = re.compile(r"(?:tank|no\.?|#)?\s*(?:[0-9]{1,2}|[A-Z])", re.IGNORECASE)
SHORT = re.compile(rf"{NUMBER.pattern}|[A-Z]{{1,2}}[ -]?[0-9]", re.IGNORECASE)
#: Names of sheets that are no labels: words for any sheet, months, figures alone.
SAYS_NO_TANK = re.compile(
    r"(?:(?:sheet|tabelle|blatt|feuil|hoja|foglio|blad|page|table|data|diary|log|notes?|records?|readings?|losses|"
    r"temperatures?|week|month|term|spring|summer|autumn|winter|"
    rf"{'|'.join(filter(None, [*calendar.month_name, *calendar.month_abbr]))})\.?)?[\W\d_]*",
    re.IGNORECASE,
)
#: A school year, as it stands behind days.
SCHOOL_YEAR = "20[0-9]{2}[–-](?:20)?[0-9]{2}"


def year_in(name: str) -> str | None:
    """The first year or school year in a name."""
    found = re.search(r"(?<![0-9])20[0-9]{2}(?:[-_–/ ][0-9]{2,4})?(?![0-9])", name)
    return found[0] if found else None


def school_year_in(name: str) -> str | None:
    """The first school year in a name that can stand behind days; the month of a date is none."""
    found = re.finditer(rf"(?<![0-9]){SCHOOL_YEAR}(?!-?[0-9])", name)
    return next((one[0] for one in found if (int(one[0][2:4]) + 1) % 100 == int(one[0][-2:])), None)
