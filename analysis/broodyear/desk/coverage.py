"""Which kinds of record each tank has: none, some or plenty, as a mark, a number and a picture."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

Level = Literal["none", "some", "plenty"]

#: A tank is read, or checked, often enough when this share of the days in use has a record.
DAYS_READ_ENOUGH = 0.8
DAYS_CHECKED_ENOUGH = 0.5
#: One event says when, two say how fast.
STAGES_ENOUGH = 2
WATER_TESTS_ENOUGH = 4

LEGEND = (
    (
        "plenty",
        "plenty",
        "readings on 8 days of 10, dead counted on 5 days of 10, 2 events, 4 water tests, 1 of the rest",
    ),
    ("some", "some", "fewer than that"),
    ("none", "none", "no record; for trouble that may be good news"),
)


@dataclass(frozen=True)
class Kind:
    """A kind of record. name: of its number in the picture; level: none, some or plenty from that number and the
    days in use (None when not known)."""

    name: str
    title: str
    level: Callable[[int, int | None], Level]
    unit: str


@dataclass(frozen=True)
class Mark:
    """How much there is of one kind of record; number counts in the kind's unit."""

    level: Level
    number: int


@dataclass(frozen=True)
class Tank:
    """One tank in one season, with a mark for each kind of record."""

    tank_id: str
    site_id: str
    region: str
    days_in_use: int | None
    last_record_on: str
    marks: Mapping[str, Mark]


def _by_share(enough: float) -> Callable[[int, int | None], Level]:
    def level(number: int, days: int | None) -> Level:
        if not number:
            return "none"
        return "plenty" if days and number >= enough * days else "some"

    return level


def _by_number(enough: int) -> Callable[[int, int | None], Level]:
    return lambda number, days: "none" if not number else "plenty" if number >= enough else "some"


KINDS = (
    Kind("deliveries", "Eggs brought", _by_number(1), "deliveries"),
    Kind("days_with_readings", "Water read", _by_share(DAYS_READ_ENOUGH), "days"),
    Kind("checks_counted", "Dead counted", _by_share(DAYS_CHECKED_ENOUGH), "times"),
    Kind("stages_seen", "Hatching, growing", _by_number(STAGES_ENOUGH), "events"),
    Kind("exits", "Fish out", _by_number(1), "groups"),
    Kind("water_tests", "Water tested", _by_number(WATER_TESTS_ENOUGH), "values"),
    Kind("incidents", "Trouble noted", _by_number(1), "events"),
)


def tank(row: Mapping[str, Any]) -> Tank:
    """A line of the picture as a tank with its marks."""
    days = row["days_in_use"]
    marks = {kind.name: Mark(kind.level(int(row[kind.name]), days), int(row[kind.name])) for kind in KINDS}
    return Tank(
        row["tank_id"], row["site_id"] or "", row["region"] or "", days, (row["last_record_on"] or "")[:10], marks
    )


@dataclass(frozen=True)
class Drawing:
    """A picture of many tanks: one column per tank, one row per kind. rows: kind, and for each level an SVG path;
    summary: the same in a sentence per kind."""

    width: int
    height: int
    rows: tuple[tuple[Kind, int, Mapping[Level, str]], ...]
    summary: tuple[str, ...]


ROW_HEIGHT = 18
_WIDEST = 1000
_WIDEST_STEP = 32
_HEIGHTS: Mapping[Level, int] = {"plenty": 14, "some": 7, "none": 2}


def drawing(tanks: Sequence[Tank]) -> Drawing:
    """The picture of ``tanks``: a tall bar for plenty, a half one for some, a dash for none."""
    step = min(max(_WIDEST // max(len(tanks), 1), 1), _WIDEST_STEP)
    rows = tuple(
        (kind, place * ROW_HEIGHT, _paths(tanks, kind, place * ROW_HEIGHT, step))
        for place, kind in enumerate(KINDS)
    )
    summary = tuple(_sentence(tanks, kind) for kind in KINDS)
    return Drawing(max(step * len(tanks), 1), ROW_HEIGHT * len(KINDS), rows, summary)


def _paths(tanks: Sequence[Tank], kind: Kind, top: int, step: int) -> Mapping[Level, str]:
    paths: dict[Level, list[str]] = {"plenty": [], "some": [], "none": []}
    gap = 1 if step > 2 else 0
    for place, one in enumerate(tanks):
        level = one.marks[kind.name].level
        height = _HEIGHTS[level]
        paths[level].append(f"M{place * step} {top + 16 - height}h{step - gap}v{height}h-{step - gap}z")
    return {level: "".join(parts) for level, parts in paths.items()}


def _sentence(tanks: Sequence[Tank], kind: Kind) -> str:
    levels = [one.marks[kind.name].level for one in tanks]
    return (
        f"{kind.title}: plenty for {levels.count('plenty')}, some for {levels.count('some')}, "
        f"none for {levels.count('none')} of {len(tanks)} tanks"
    )
