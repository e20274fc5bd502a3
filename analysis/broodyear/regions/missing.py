"""Regions that sent nothing of a kind for a season, from no site: a whole file may have been left out."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import pandas as pd


class Missing(StrEnum):
    """What is missing: counts of dead or leaving fish, readings of temperature, or both."""

    COUNTS = "counts"
    TEMPERATURES = "temperatures"
    BOTH = "counts_and_temperatures"


@dataclass(frozen=True)
class MissingRecords:
    """What no site of a region sent in a season, of sites and tanks with eggs. is_everywhere: nor did any site of
    another region."""

    season: int
    region: str
    missing: Missing
    sites: int
    tanks: int
    is_everywhere: bool


def missing_records(by_season: pd.DataFrame) -> list[MissingRecords]:
    """Of every region and season with eggs that sent nothing of a kind, in the order given; by_season: rows of
    regions_by_season."""
    rows = by_season[by_season["delivered"] > 0].to_dict("records")
    found = [(row, _missing(int(row["counted"]), int(row["read"]))) for row in rows]
    return [
        MissingRecords(
            int(row["season"]), str(row["region"]), missing, int(row["sites"]), int(row["delivered"]),
            is_everywhere=all(one is missing for other, one in found if other["season"] == row["season"]),
        )
        for row, missing in found
        if missing
    ]  # fmt: skip


def _missing(counted: int, read: int) -> Missing | None:
    """Of so many tanks with a count and with a reading."""
    if counted:
        return None if read else Missing.TEMPERATURES
    return Missing.COUNTS if read else Missing.BOTH
