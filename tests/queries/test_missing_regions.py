"""Which regions sent nothing of a kind for a season, worked out by hand."""

from __future__ import annotations

import duckdb
from tests.queries.small_programme import Programme

from broodyear.derived import query_named, run_query
from broodyear.settings import Settings


def missing(*rows: tuple[int, str, int, int, int]) -> list[tuple[object, ...]]:
    """rows: season, region, tanks with eggs, of these with a count, with a reading; at half as many sites."""
    with duckdb.connect() as connection:
        connection.execute(
            "CREATE TABLE regions_by_season "
            "(season INT, region TEXT, delivered INT, counted INT, read INT, sites INT)"
        )
        for row in rows:
            connection.execute("INSERT INTO regions_by_season VALUES (?, ?, ?, ?, ?, ?)", [*row, row[2] // 2])
        run_query(connection, query_named("missing_regions"), Settings())
        return connection.execute("SELECT * FROM missing_regions").fetchall()


def test_each_kind_is_told_by_region_and_season() -> None:
    assert missing(
        (2022, "east", 8, 0, 0), (2022, "north", 6, 5, 0), (2022, "west", 4, 0, 4),
        (2023, "east", 8, 1, 1), (2023, "north", 6, 6, 6), (2023, "west", 4, 0, 2),
    ) == [
        (2022, "east", "counts_and_temperatures", 4, 8, False),
        (2022, "north", "temperatures", 3, 6, False),
        (2022, "west", "counts", 2, 4, False),
        (2023, "west", "counts", 2, 4, False),
    ]  # fmt: skip


def test_what_no_region_sent_in_a_season_is_missing_everywhere() -> None:
    found = missing(
        (2022, "east", 8, 2, 0), (2022, "north", 6, 6, 0), (2023, "east", 8, 2, 0), (2023, "north", 6, 6, 1)
    )
    assert [(season, region, is_everywhere) for season, region, *_, is_everywhere in found] == [
        (2022, "east", True), (2022, "north", True), (2023, "east", False),
    ]  # fmt: skip


def test_a_region_without_eggs_owes_nothing_and_is_no_other_region() -> None:
    assert missing((2022, "east", 8, 0, 1), (2022, "north", 0, 0, 0)) == [(2022, "east", "counts", 4, 8, True)]
    assert missing((2022, "north", 0, 0, 0)) == []
    assert missing() == []


def test_of_a_programme_that_sent_a_stage_alone_counts_and_temperatures_are_missing(programme: Programme) -> None:
    programme.add("stages", {"tank_id": "A", "stage": "hatch_all", "first_seen_on": "2024-12-01"})
    programme.derive()
    assert programme.rows("missing_regions") == [(2024, "north", "counts_and_temperatures", 1, 1, True)]
