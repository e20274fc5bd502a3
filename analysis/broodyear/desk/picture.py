"""The picture of the store as the pages show it: what was counted, and which records each tank has, as marks."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from broodyear.desk.workplace import Workplace, read_json, read_once

Level = Literal["none", "some", "plenty"]

#: A tank is read, or checked, often enough when this share of the days in use has a record.
DAYS_READ_ENOUGH = 0.8
DAYS_CHECKED_ENOUGH = 0.5
#: One event says when, two say how fast.
STAGES_ENOUGH = 2
WATER_TESTS_ENOUGH = 4

#: Each level with what it means.
LEGEND: Mapping[Level, str] = {
    "plenty": "readings on 8 days of 10, dead counted on 5 days of 10, 2 events, 4 water tests, 1 of the rest",
    "some": "fewer than that",
    "none": "no record; for trouble that may be good news",
}


@dataclass(frozen=True)
class Kind:
    """A kind of record. name: of its number in the picture; enough: what is plenty, where of_days for each day in
    use."""

    name: str
    title: str
    unit: str
    enough: float = 1
    of_days: bool = False

    def level(self, number: int, days: int | None) -> Level:
        """How much ``number`` is; days: in use, None when not known."""
        enough = self.enough * (days or math.inf) if self.of_days else self.enough
        return "none" if not number else "plenty" if number >= enough else "some"


KINDS = (
    Kind("deliveries", "Eggs brought", "deliveries"),
    Kind("days_with_readings", "Water read", "days", DAYS_READ_ENOUGH, of_days=True),
    Kind("checks_counted", "Dead counted", "times", DAYS_CHECKED_ENOUGH, of_days=True),
    Kind("stages_seen", "Hatching, growing", "events", STAGES_ENOUGH),
    Kind("exits", "Fish out", "groups"),
    Kind("water_tests", "Water tested", "values", WATER_TESTS_ENOUGH),
    Kind("incidents", "Trouble noted", "events"),
)


@dataclass(frozen=True)
class Picture:
    """What was counted. state: of the reading of the store then; seasons: newest first; uploads: newest first;
    left_undone: sentences on what an earlier load or withdrawal left undone or untold."""

    state: list[int]
    counted_at: str
    rows: dict[str, int]
    seasons: list[dict[str, Any]]
    uploads: list[dict[str, Any]]
    tanks_without_setup: int
    open_rows: int
    suspicions: int
    left_undone: list[str]

    @property
    def is_empty(self) -> bool:
        """Whether the store holds no row at all."""
        return not any(self.rows.values())

    def season(self, year: int) -> dict[str, Any] | None:
        """The line of one season."""
        return next((season for season in self.seasons if season["season"] == year), None)

    def upload(self, number: int) -> dict[str, Any] | None:
        """The line of one upload."""
        return next((upload for upload in self.uploads if upload["upload"] == number), None)


def read_picture(workplace: Workplace) -> Picture | None:
    """The last picture of the store, true or not; None before the first, and after one of an earlier version."""
    picture: Picture | None = read_once(workplace.picture / "picture.json", lambda content: Picture(**content))
    return picture


def read_listed(workplace: Workplace, name: str) -> list[dict[str, Any]]:
    """One list of the picture: ``open_rows`` to be mended, ``suspicions`` that are open, or the tanks of a season
    (``season_2024``), by region, site and label."""
    return read_json(workplace.picture / f"{name}.json") or []


def with_levels(row: Mapping[str, Any]) -> dict[str, Any]:
    """A tank of the picture with how much there is of each kind of record (``levels``)."""
    return {**row, "levels": {kind.name: kind.level(row[kind.name], row["days_in_use"]) for kind in KINDS}}


ROW_HEIGHT = 18
_WIDEST = 1000
_WIDEST_STEP = 32
_HEIGHTS: Mapping[Level, int] = {"plenty": 14, "some": 7, "none": 2}


def drawing(tanks: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """The picture of ``tanks`` with levels, one column per tank, one row per kind: a tall bar for plenty, a half
    one for some, a dash for none. width, height; rows: SVG paths by level for each kind; summary: the same in a
    sentence per kind."""
    step = min(max(_WIDEST // max(len(tanks), 1), 1), _WIDEST_STEP)
    levels = {kind: [tank["levels"][kind.name] for tank in tanks] for kind in KINDS}
    rows = [_paths(listed, number * ROW_HEIGHT, step) for number, listed in enumerate(levels.values())]
    summary = [
        f"{kind.title}: plenty for {listed.count('plenty')}, some for {listed.count('some')}, "
        f"none for {listed.count('none')} of {len(tanks)} tanks"
        for kind, listed in levels.items()
    ]
    width, height = max(step * len(tanks), 1), ROW_HEIGHT * len(KINDS)
    return {"width": width, "height": height, "rows": rows, "summary": summary}


def _paths(levels: Sequence[Level], top: int, step: int) -> Mapping[Level, str]:
    paths: dict[Level, list[str]] = {level: [] for level in _HEIGHTS}
    gap = 1 if step > 2 else 0
    for position, level in enumerate(levels):
        height = _HEIGHTS[level]
        paths[level].append(f"M{position * step} {top + 16 - height}h{step - gap}v{height}h-{step - gap}z")
    return {level: "".join(parts) for level, parts in paths.items()}
