"""The picture of the store as the pages read it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from broodyear.desk.workplace import Workplace, read_json, read_once

#: What is told of each tank and season.
TANK_FIELDS = (
    "tank_id", "site_id", "region", "days_in_use", "deliveries", "days_with_readings", "days_with_logger",
    "checks_counted", "checks_not_checked", "stages_seen", "stages_copied", "exits", "water_tests", "incidents",
    "last_record_on",
)  # fmt: skip


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


def read_picture(place: Workplace) -> Picture | None:
    """The last picture of the store, true or not; None before the first, and after one of an earlier version."""
    picture: Picture | None = read_once(place.picture / "picture.json", lambda content: Picture(**content))
    return picture


def read_listed(place: Workplace, name: Literal["open_rows", "suspicions"]) -> list[dict[str, Any]]:
    """The rejected rows still to be mended, or the suspicions that are open."""
    return read_json(place.picture / f"{name}.json") or []


def read_tanks(place: Workplace, season: int) -> list[dict[str, Any]]:
    """The tanks of one season, by region, site and label."""
    lines = read_json(place.picture / f"season_{season}.json") or []
    return [dict(zip(TANK_FIELDS, line, strict=True)) for line in lines]
