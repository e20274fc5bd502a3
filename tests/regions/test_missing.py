"""Which regions sent nothing of a kind for a season."""

from __future__ import annotations

import pandas as pd

from broodyear.regions import Missing, MissingRecords, missing_records


def seasons(*rows: tuple[int, str, int, int, int]) -> pd.DataFrame:
    """season, region, tanks with eggs, of these with a count, with a reading; at half as many sites."""
    table = pd.DataFrame(rows, columns=["season", "region", "delivered", "counted", "read"])
    return table.assign(sites=table["delivered"] // 2)


def test_each_kind_is_told_by_region_and_season() -> None:
    found = missing_records(
        seasons(
            (2022, "east", 8, 0, 0), (2022, "north", 6, 5, 0), (2022, "west", 4, 0, 4),
            (2023, "east", 8, 1, 1), (2023, "north", 6, 6, 6), (2023, "west", 4, 0, 2),
        )
    )  # fmt: skip
    assert found == [
        MissingRecords(2022, "east", Missing.BOTH, sites=4, tanks=8, is_everywhere=False),
        MissingRecords(2022, "north", Missing.TEMPERATURES, sites=3, tanks=6, is_everywhere=False),
        MissingRecords(2022, "west", Missing.COUNTS, sites=2, tanks=4, is_everywhere=False),
        MissingRecords(2023, "west", Missing.COUNTS, sites=2, tanks=4, is_everywhere=False),
    ]


def test_what_no_region_sent_in_a_season_is_missing_everywhere() -> None:
    found = missing_records(
        seasons(
            (2022, "east", 8, 2, 0), (2022, "north", 6, 6, 0), (2023, "east", 8, 2, 0), (2023, "north", 6, 6, 1)
        )
    )
    assert [(one.season, one.region, one.is_everywhere) for one in found] == [
        (2022, "east", True), (2022, "north", True), (2023, "east", False),
    ]  # fmt: skip


def test_a_region_without_eggs_owes_nothing_and_is_no_other_region() -> None:
    found = missing_records(seasons((2022, "east", 8, 0, 1), (2022, "north", 0, 0, 0)))
    assert [(one.region, one.is_everywhere) for one in found] == [("east", True)]
    assert missing_records(seasons((2022, "north", 0, 0, 0))) == []
    assert missing_records(seasons()) == []
