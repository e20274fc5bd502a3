"""What calls for a look, day by day, on the small programme: tank A got 100 eyed eggs on 1 November 2024."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from tests.queries.small_programme import TRUSTED, Programme

from broodyear.settings import Settings

COLUMNS = "kind, measure, since::VARCHAR, holds_from::VARCHAR, holds_to::VARCHAR, value, limit_value"


def states(programme: Programme, kind: str, **settings: Any) -> list[tuple[Any, ...]]:
    programme.derive(Settings(acknowledged=TRUSTED, **settings))
    return [row[2:] for row in programme.rows("watch_states", COLUMNS, f"kind = '{kind}'")]


def test_silence_begins_on_the_fifteenth_day_and_ends_before_the_next_record(programme: Programme) -> None:
    """Delivered on 1 November, seen again on the 20th, emptied on the 30th before a second fortnight is over."""
    programme.add("losses", {"tank_id": "A", "checked_on": "2024-11-20", "stage": "egg", "dead": 0})
    assert states(programme, "silent") == [("2024-11-16", "2024-11-16", "2024-11-19", None, None)]
    assert states(programme, "silent", silent_days=10) == [("2024-11-12", "2024-11-12", "2024-11-19", None, None)]


def test_a_row_that_says_nobody_looked_is_a_record(programme: Programme) -> None:
    row = {"tank_id": "A", "checked_on": "2024-11-14", "stage": "egg", "entry": "not_checked"}
    programme.add("losses", row)
    assert states(programme, "silent") == [("2024-11-29", "2024-11-29", "2024-11-29", None, None)]


def test_warm_days_hold_for_three_and_join(programme: Programme) -> None:
    """14 °C on the 5th and the 8th: one stretch; 13.0 °C, the limit itself, is not above it."""
    readings = {"2024-11-05": 14.0, "2024-11-06": 8.0, "2024-11-08": 14.5, "2024-11-09": 13.0}
    programme.read("A", readings)
    assert states(programme, "warm") == [
        ("2024-11-05", "2024-11-05", "2024-11-07", 14.0, 13.0),
        ("2024-11-05", "2024-11-08", "2024-11-10", 14.5, 13.0),
    ]


@pytest.mark.parametrize(
    ("days", "since", "holds_to"),
    [
        (["2024-11-05", "2024-11-12", "2024-11-19"], "2024-11-05", "2024-11-29"),  # ten days after the 19th
        (["2024-11-05", "2024-11-17"], "2024-11-17", "2024-11-27"),  # eleven days after the 5th it was too old
    ],
)
def test_the_last_reading_holds_until_the_next_or_for_ten_days(
    programme: Programme, days: list[str], since: str, holds_to: str
) -> None:
    """Read once a week, each time 14 °C, a tank is warm without a break."""
    programme.read("A", dict.fromkeys(days, 14.0))
    assert states(programme, "warm")[-1] == (since, days[-1], holds_to, 14.0, 13.0)


@pytest.mark.parametrize(("read_c", "is_cold"), [(3.9, True), (4.0, False)])
def test_cold_is_below_the_limit(programme: Programme, read_c: float, is_cold: bool) -> None:
    programme.read("A", {"2024-11-05": read_c})
    assert bool(states(programme, "cold")) is is_cold


@pytest.mark.parametrize(("read_c", "is_cold"), [(2.9, True), (3.0, False)])
def test_a_tank_set_to_be_cold_is_no_surprise(empty: Programme, read_c: float, is_cold: bool) -> None:
    """Set to 4.5 °C, so that cold begins below 3.0 °C."""
    setup = {"season": 2024, "tank_id": "A", "site_id": "S", "room_type": "office", "gravel_practice": "bare"}
    empty.add("setups", setup | {"set_point_c": 4.5})
    batch = {"tank_id": "A", "batch_id": "B", "delivered_on": "2024-11-01", "stage_at_delivery": "eyed"}
    empty.add("deliveries", batch | {"eggs_live": 100})
    empty.add("batches", {"batch_id": "B", "donor_stock": "D", "species": "chinook", "brood_year": 2024})
    empty.read("A", {"2024-11-05": read_c})
    assert bool(states(empty, "cold")) is is_cold


def test_losses_of_seven_days_are_added_up(programme: Programme) -> None:
    """3 and 3 of 100 eggs within a week are 6 %, above the 5 that count as usual with so few checks; on the
    11th the first three are a week old."""
    for day, dead in (("2024-11-04", 3), ("2024-11-10", 3), ("2024-11-11", 0), ("2024-11-18", 5)):
        programme.add("losses", {"tank_id": "A", "checked_on": day, "stage": "egg", "dead": dead})
    assert states(programme, "losses") == [("2024-11-10", "2024-11-10", "2024-11-10", 6.0, 5.0)]


def test_losses_are_those_of_the_seven_days_to_each_day(programme: Programme) -> None:
    """7, and 4 two days later: 11 % until the 7 are a week old, then 4 %, which is usual; 6 after a break."""
    for day, dead in (("2024-11-04", 7), ("2024-11-06", 4), ("2024-11-20", 6)):
        programme.add("losses", {"tank_id": "A", "checked_on": day, "stage": "egg", "dead": dead})
    assert states(programme, "losses") == [
        ("2024-11-04", "2024-11-04", "2024-11-05", 7.0, 5.0),
        ("2024-11-04", "2024-11-06", "2024-11-10", 11.0, 5.0),
        ("2024-11-20", "2024-11-20", "2024-11-29", 6.0, 5.0),  # nobody looked until the tank was emptied
    ]


NEXT_LOOKS: list[tuple[dict[str, Any], str]] = [
    ({}, "2024-11-25"),  # 21 days after the fourth
    ({"losses": {"checked_on": "2024-11-14", "stage": "alevin", "dead": 0}}, "2024-11-13"),
    ({"losses": {"checked_on": "2024-11-14", "stage": "egg", "entry": "not_checked"}}, "2024-11-25"),
    (
        {"losses": {"checked_on": "2024-11-06", "stage": "egg", "dead": 1}},
        "2024-11-10",
    ),  # 51 % in the week to the 10th
    ({"stages": {"stage": "hatch_first", "first_seen_on": "2024-11-14"}}, "2024-11-13"),
    (
        {"temperatures": {"read_at": "2024-11-14", "water_temp": 8.0}},
        "2024-11-25",
    ),  # a reading is no look at the fish
]


@pytest.mark.parametrize(("record", "last"), NEXT_LOOKS)
def test_a_large_loss_stays_until_somebody_looked_or_for_three_weeks(
    programme: Programme, record: dict[str, Any], last: str
) -> None:
    """50 of 100 eggs on 4 November."""
    programme.add("losses", {"tank_id": "A", "checked_on": "2024-11-04", "stage": "egg", "dead": 50})
    for name, row in record.items():
        programme.add(name, {"tank_id": "A", **row})
    assert states(programme, "losses")[-1][2] == last


def test_a_state_tells_what_was_counted_dead_up_to_its_first_day(programme: Programme) -> None:
    """60, and 40 in two stages on the 8th: all 100, told on the day of the loss and when silence begins."""
    for day, stage, dead in (("04", "egg", 60), ("08", "egg", 30), ("08", "alevin", 10)):
        programme.add("losses", {"tank_id": "A", "checked_on": f"2024-11-{day}", "stage": stage, "dead": dead})
    programme.derive(Settings(acknowledged=TRUSTED))
    columns = "kind, holds_from::VARCHAR, counted_on::VARCHAR, dead_then, dead_in_all, eggs"
    assert programme.rows("watch_states", columns, "kind = 'silent' OR measure = 'egg'") == [
        ("losses", "2024-11-04", "2024-11-04", 60, 60, 100),
        ("losses", "2024-11-08", "2024-11-08", 40, 100, 100),
        ("losses", "2024-11-11", "2024-11-08", 40, 100, 100),
        ("silent", "2024-11-23", "2024-11-08", 40, 100, 100),
    ]


def test_a_silent_tank_without_a_count_has_none(programme: Programme) -> None:
    programme.derive(Settings(acknowledged=TRUSTED))
    assert programme.rows("watch_states", "counted_on, dead_in_all, eggs", "kind = 'silent'") == [
        (None, None, 100)
    ]


def with_earlier_season(programme: Programme, dead_each_week: int) -> None:
    """A tank Z of 100 eggs in 2023, looked at on 120 days; so many dead every seventh day, so that each look is at
    as many dead of the last seven days."""
    setup = {"season": 2023, "tank_id": "Z", "site_id": "S1", "room_type": "office", "gravel_practice": "bare"}
    programme.add("setups", setup | {"closed_on": "2024-05-30", "end_reason": "released"})
    batch = {"tank_id": "Z", "batch_id": "B0", "delivered_on": "2023-11-01", "stage_at_delivery": "eyed"}
    programme.add("batches", {"batch_id": "B0", "donor_stock": "D", "species": "chinook", "brood_year": 2023})
    programme.add("deliveries", batch | {"eggs_live": 100})
    for day in range(120):
        on = dt.date(2023, 11, 4) + dt.timedelta(days=day)
        row = {"tank_id": "Z", "checked_on": on.isoformat(), "stage": "egg"}
        programme.add("losses", row | {"dead": dead_each_week if day % 7 == 0 else 0})


@pytest.mark.parametrize(
    ("dead_each_week", "limit"),
    [(6, 6.0), (1, 3.0), (30, 10.0)],  # as was usual; never below three in a hundred, never above ten
)
def test_what_is_usual_is_told_from_earlier_seasons(
    programme: Programme, dead_each_week: int, limit: float
) -> None:
    """Of 100 eggs 11 died on the 4th, and 6 on the 20th: the second is usual where 6 died every week before."""
    with_earlier_season(programme, dead_each_week)
    for day, dead in (("2024-11-04", 11), ("2024-11-20", 6)):
        programme.add("losses", {"tank_id": "A", "checked_on": day, "stage": "egg", "dead": dead})
    programme.derive(Settings(acknowledged=TRUSTED))
    found = programme.rows("watch_states", COLUMNS, "kind = 'losses' AND season = 2024")
    assert [(row[3], row[-1]) for row in found] == [
        (day, limit) for day, dead in (("2024-11-04", 11), ("2024-11-20", 6)) if dead > limit
    ]
    # Before the first season nothing is usual but five in a hundred.
    first = programme.rows("watch_states", "DISTINCT limit_value", "kind = 'losses' AND season = 2023")
    assert first == ([(5.0,)] if dead_each_week > 5 else [])


def test_tanks_that_lose_fish_all_at_once_do_not_make_it_usual(programme: Programme) -> None:
    """Five tanks lost 30 of 100 in the same week, a share of all checks that would pass for usual."""
    tanks = ("A", "T1", "T2", "T3", "T4")
    for tank in tanks[1:]:
        setup = {"season": 2024, "tank_id": tank, "site_id": "S1", "room_type": "office"}
        programme.add("setups", setup | {"gravel_practice": "bare"})
        batch = {"tank_id": tank, "batch_id": "B1", "delivered_on": "2024-11-01", "stage_at_delivery": "eyed"}
        programme.add("deliveries", batch | {"eggs_live": 100})
    for tank in tanks:
        rows = [
            {"tank_id": tank, "checked_on": f"2024-11-{day:02d}", "stage": "egg", "dead": 30 if day == 10 else 0}
            for day in range(4, 25)
        ]
        programme.add("losses", *rows)
    programme.derive(Settings(acknowledged=TRUSTED))
    found = programme.rows("watch_states", "tank_id, since::VARCHAR, value, limit_value", "kind = 'losses'")
    assert set(found) == {(tank, "2024-11-10", 30.0, 5.0) for tank in tanks}


def test_the_latest_test_counts_until_the_next_or_for_four_weeks(programme: Programme) -> None:
    for day, value in (("2024-11-02", 0.6), ("2024-11-05", 0.7), ("2024-11-09", 0.2), ("2024-11-12", 0.9)):
        row = {"tank_id": "A", "tested_on": day, "analyte": "nitrite_n", "value": value, "unit": "mg_l"}
        programme.add("water_tests", row)
    assert states(programme, "water") == [
        ("2024-11-02", "2024-11-02", "2024-11-04", 0.6, 0.5),
        ("2024-11-02", "2024-11-05", "2024-11-08", 0.7, 0.5),
        ("2024-11-12", "2024-11-12", "2024-11-29", 0.9, 0.5),  # the tank is emptied on the 30th
    ]


def test_a_result_below_the_kits_limit_is_not_beyond(programme: Programme) -> None:
    row = {"tank_id": "A", "tested_on": "2024-11-02", "analyte": "nitrite_n", "value": 1.0, "unit": "mg_l"}
    programme.add("water_tests", row | {"below_detection": True})
    assert states(programme, "water") == []


def test_eggs_without_a_set_up_until_the_season_ends(programme: Programme) -> None:
    batch = {"tank_id": "Z", "batch_id": "B1", "stage_at_delivery": "eyed", "eggs_live": 50}
    programme.add("deliveries", batch | {"delivered_on": "2024-12-05"}, batch | {"delivered_on": "2024-12-09"})
    assert states(programme, "no_setup") == [("2024-12-05", "2024-12-05", "2025-07-31", None, None)]


def test_nothing_is_watched_after_a_release(programme: Programme) -> None:
    programme.add("exits", {"tank_id": "A", "exited_on": "2024-11-10", "fate": "released", "count": 50})
    programme.read("A", {"2024-11-09": 14.0, "2024-11-12": 15.0})
    assert states(programme, "warm") == [("2024-11-09", "2024-11-09", "2024-11-09", 14.0, 13.0)]
    assert states(programme, "silent") == []


def test_an_empty_programme_has_no_states(empty: Programme) -> None:
    empty.derive()
    assert empty.rows("watch_states") == []
