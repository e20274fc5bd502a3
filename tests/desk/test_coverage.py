"""None, some or plenty: as marks, and as a picture with the same in words."""

from __future__ import annotations

from typing import Any

import pytest

from broodyear.desk.picture import KINDS, ROW_HEIGHT, drawing, with_levels


def row(**given: Any) -> dict[str, Any]:
    counts = {kind.name: 0 for kind in KINDS}
    return {"tank_id": "T-1", "days_in_use": 100, **counts, **given}


@pytest.mark.parametrize(
    ("kind", "number", "days", "level"),
    [
        ("days_with_readings", 80, 100, "plenty"),
        ("days_with_readings", 79, 100, "some"),
        ("days_with_readings", 0, 100, "none"),
        ("days_with_readings", 80, None, "some"),
        ("checks_counted", 50, 100, "plenty"),
        ("stages_seen", 1, 100, "some"),
        ("exits", 1, None, "plenty"),
        ("water_tests", 3, 100, "some"),
    ],
)
def test_levels(kind: str, number: int, days: int | None, level: str) -> None:
    assert with_levels(row(**{kind: number}, days_in_use=days))["levels"][kind] == level


def test_the_picture_shows_every_tank_once_in_each_row() -> None:
    tanks = [with_levels(row(exits=number % 2)) for number in range(7)]
    drawn = drawing(tanks)
    for paths in drawn["rows"]:
        assert sum(path.count("M") for path in paths.values()) == 7
    assert drawn["height"] == ROW_HEIGHT * len(KINDS)
    assert "Fish out: plenty for 3, some for 0, none for 4 of 7 tanks" in drawn["summary"]


def test_a_thousand_tanks_fit_a_small_picture() -> None:
    drawn = drawing([with_levels(row()) for _ in range(1000)])
    assert (
        drawn["width"] <= 1000 and sum(len(path) for paths in drawn["rows"] for path in paths.values()) < 200_000
    )


def test_no_tank_is_no_failure() -> None:
    assert drawing([])["width"] == 1
