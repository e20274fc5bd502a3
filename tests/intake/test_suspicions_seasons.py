"""Suspicions about dates that count in a season in which they cannot be: one case told, its honest fellow not."""

from __future__ import annotations

import pytest
from tests.intake.suspicious_records import (
    DELIVERY,
    SETUP,
    TANK,
    Records,
    Row,
    losses,
    released,
    stage,
    suspicions,
)

from broodyear.findings import Finding

#: The season after: the tank is set up again, at first without eggs.
NEXT = {**SETUP, "season": 2025, "filled_on": "2025-09-20", "closed_on": None}
SECOND = {**DELIVERY, "batch_id": "B2", "delivered_on": "2025-11-07"}
BATCHES: list[Row] = [
    {"batch_id": "B1", "donor_stock": "D1", "species": "chinook", "brood_year": 2024, "spawned_on": "2024-10-01"},
    {"batch_id": "B2", "donor_stock": "D1", "species": "chinook", "brood_year": 2025, "spawned_on": "2025-09-30"},
]


def records(*, second: bool = False, **tables: list[Row]) -> Records:
    """Two seasons of the tank; the second with eggs or, their delivery not sent yet, without."""
    deliveries = [DELIVERY, SECOND] if second else [DELIVERY]
    return Records(**{"setups": [SETUP, NEXT], "batches": BATCHES, "deliveries": deliveries, **tables})


def one(given: Records, rule: str) -> Finding:
    (finding,) = suspicions(given, rule)
    return finding


def test_a_release_that_swapped_falls_into_a_season_set_up_without_a_delivery() -> None:
    """2025-05-10 written as 2025-10-05: fish of the first season, counted in the second."""
    finding = one(records(exits=[released(190, "2025-10-05")]), "day_month_swapped")
    assert (finding.table, finding.line, finding.column, finding.value) == ("exits", 2, "exited_on", "2025-10-05")
    assert finding.message == (
        "exited_on 2025-10-05 of T1 lies in a season for which the tank was set up and no delivery is on record; "
        "with day and month changed, 2025-05-10 lies between 2024-11-08 and 2025-05-20"
    )
    assert finding.advice == (
        "If day and month changed places, write 2025-05-10 in the file; where it is loaded already, withdraw that "
        "upload first, because the mended rows do not replace these. If it is right, send the delivery of that "
        "season."
    )


def test_a_release_a_few_days_before_the_next_eggs_came() -> None:
    early = {**SECOND, "delivered_on": "2025-10-12"}
    given = records(exits=[released(190, "2025-10-05")], deliveries=[DELIVERY, early])
    assert one(given, "day_month_swapped").message.endswith("2025-05-10 lies between 2024-11-08 and 2025-05-20")


def test_a_release_too_soon_after_the_eggs_of_the_next_season() -> None:
    """Eyed eggs of 300 °C·d on 7 November need (968 − 300) / 13 = 51 days in water of 13 °C: until 28 December."""
    finding = one(records(second=True, exits=[released(190, "2025-12-05")]), "day_month_swapped")
    assert finding.message == (
        "exited_on 2025-12-05 of T1 is sooner than the eggs of 2025-11-07 can have come so far, by 2025-12-28 in "
        "warm water; with day and month changed, 2025-05-12 lies between 2024-11-08 and 2025-05-20, where nothing "
        "of the kind is on record"
    )


def test_a_stage_too_soon_after_the_eggs_of_the_next_season() -> None:
    finding = one(records(second=True, stages=[stage("button_up", "2025-12-03")]), "day_month_swapped")
    assert finding.message.startswith("first_seen_on 2025-12-03 of T1 is sooner than the eggs of 2025-11-07 can")


@pytest.mark.parametrize(
    "tables",
    [
        {"exits": [released(190, "2025-12-28")]},  # no day on which it is swapped
        {"exits": [released(190), released(150, "2025-12-05")]},  # the first season has its release
        {"stages": [stage("hatch_half", "2025-12-03")]},  # hatching comes so soon
        {"stages": [stage("button_up", "2025-03-01"), stage("button_up", "2025-12-03")]},
        {"exits": [{**released(20, "2025-12-05"), "fate": "transferred_out"}]},  # eggs are moved at any age
    ],
)
def test_what_may_be_of_the_next_season_is_left_to_it(tables: dict[str, list[Row]]) -> None:
    assert suspicions(records(second=True, **tables), "day_month_swapped") == []


def test_fish_from_another_tank_are_eggs_of_a_season_without_a_delivery() -> None:
    came = {**released(80, "2025-09-25"), "fate": "transferred_in"}
    assert suspicions(records(exits=[came, released(70, "2025-10-05")]), "day_month_swapped") == []


def test_losses_and_stages_in_a_season_without_a_delivery_go_by_the_order_of_their_file() -> None:
    """2025-05-10 written as 2025-10-05, the last of its file."""
    rows = losses([3, 2, 1, 0], first="2025-04-19")
    rows[3]["checked_on"] = "2025-10-05"
    finding = one(records(losses=rows), "day_month_swapped")
    assert (finding.line, finding.value) == (5, "2025-10-05")
    assert "lies in a season for which the tank was set up and no delivery is on record" in finding.message
    alone = losses([3], first="2025-10-05")  # the first dead of the new season, its delivery still to come
    assert suspicions(records(losses=alone), "day_month_swapped") == []


def test_a_season_that_only_lacks_its_delivery_is_believed() -> None:
    """As many dates as the season before: losses each week, and a release."""
    given = records(
        losses=losses([2, 1, 0, 1, 0, 0], first="2025-10-01", every_days=5),
        exits=[released(150, "2025-10-05")],
    )
    assert suspicions(given, "day_month_swapped") == []


@pytest.mark.parametrize(("tanks_with_releases", "told"), [(1, 1), (2, 0), (4, 0)])
def test_a_season_whose_deliveries_are_still_to_be_sent_is_believed(tanks_with_releases: int, told: int) -> None:
    """Four tanks lack a delivery: one of them may be wrong, two or more have what all will have."""
    tanks = [f"T{number}" for number in range(1, 5)]
    given = Records(
        tanks=[{**TANK, "tank_id": tank} for tank in tanks],
        setups=[{**setup, "tank_id": tank} for tank in tanks for setup in (SETUP, NEXT)],
        deliveries=[{**DELIVERY, "tank_id": tank} for tank in tanks],
        exits=[{**released(150, "2025-12-05"), "tank_id": tank} for tank in tanks[:tanks_with_releases]],
    )
    assert len(suspicions(given, "day_month_swapped")) == told


def test_a_release_of_a_wrong_year_in_a_season_set_up_without_a_delivery() -> None:
    finding = one(records(exits=[released(190, "2026-05-15")]), "year_off")
    assert finding.message == (
        "exited_on 2026-05-15 of T1 lies in a season for which the tank was set up and no delivery is on record; "
        "the same day of another year, 2025-05-15, lies between 2024-11-08 and 2025-05-20"
    )
    assert finding.advice.endswith("If it is right, send the delivery of that season.")
    both = [released(190), released(150, "2026-05-15")]
    assert suspicions(records(exits=both), "year_off") == []
    assert suspicions(records(second=True, exits=[released(150, "2026-05-15")]), "year_off") == []


def test_first_losses_before_their_delivery_is_sent_are_of_no_wrong_year() -> None:
    assert suspicions(records(losses=losses([3], first="2025-12-20")), "year_off") == []


@pytest.mark.parametrize(
    ("column", "written", "fits", "between"),
    [
        ("filled_on", "2023-10-10", "2024-10-10", "2024-06-02 and 2024-11-08"),
        ("filled_on", "2025-10-10", "2024-10-10", "2024-06-02 and 2024-11-08"),
        ("closed_on", "2024-05-20", "2025-05-20", "2024-11-08 and 2025-07-31"),
        ("closed_on", "2026-05-20", "2025-05-20", "2024-11-08 and 2025-07-31"),
    ],
)
def test_a_tank_filled_or_emptied_in_another_year(column: str, written: str, fits: str, between: str) -> None:
    given = Records(setups=[{**SETUP, column: written}])
    finding = one(given, "year_off")
    assert (finding.table, finding.line, finding.column, finding.value) == ("setups", 2, column, written)
    assert finding.message == (
        f"{column} {written} of T1 is not of season 2024, for which it stands there; the same day of another "
        f"year, {fits}, lies between {between}"
    )
    assert finding.advice == (
        f"If the year is wrong, send the row again with {fits}; if it is right, acknowledge it."
    )
    assert suspicions(given, "short_conditioning") == []


@pytest.mark.parametrize(
    "setups",
    [
        [{**SETUP, "filled_on": "2024-06-20"}],  # before the summer
        [{**SETUP, "filled_on": "2024-01-15"}],  # in no year between summer and delivery
        [{**SETUP, "filled_on": None, "closed_on": None}],
        [{**SETUP, "closed_on": None}, {**NEXT, "filled_on": "2024-10-10"}],  # never emptied
        [{**SETUP, "closed_on": "2025-08-20"}],
    ],
)
def test_years_of_set_ups_that_may_well_be_right(setups: list[Row]) -> None:
    assert suspicions(Records(setups=setups), "year_off") == []


def test_a_tank_filled_before_it_was_last_emptied() -> None:
    given = records(setups=[SETUP, {**NEXT, "filled_on": "2024-09-20"}])
    assert one(given, "year_off").message.startswith("filled_on 2024-09-20 of T1 is not of season 2025")


def test_fish_kept_for_another_year_leave_records_of_it() -> None:
    kept = [{**SETUP, "closed_on": "2026-05-20"}]
    assert suspicions(Records(setups=kept, losses=losses([1], first="2025-10-10")), "year_off") == []


def test_a_delivery_a_year_before_its_eggs_were_spawned() -> None:
    finding = one(Records(deliveries=[{**DELIVERY, "delivered_on": "2023-11-18"}]), "year_off")
    assert finding.message == (
        "delivered_on 2023-11-18 of T1 does not follow the spawning of its batch on 2024-10-01 within a year; the "
        "same day of another year, 2024-11-18, lies between 2024-10-01 and 2025-04-19"
    )
    assert finding.advice.endswith("If it is right, send the row of the batch again.")
