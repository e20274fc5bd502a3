"""Suspicions about dates: one case that must be told, one honest one that must not."""

from __future__ import annotations

import datetime as dt
import math

import pytest
from tests.intake.suspicious_records import (
    DELIVERY,
    SETUP,
    SITE,
    TANK,
    Records,
    Row,
    losses,
    readings,
    released,
    stage,
    suspicions,
)  # fmt: skip

IN_ORDER = [
    stage("hatch_first", "2024-12-09", last_absent_on="2024-12-06"),
    stage("hatch_half", "2024-12-12", last_absent_on="2024-12-11"),
    stage("hatch_all", "2024-12-16", last_absent_on="2024-12-13"),
    stage("button_up", "2025-02-03", last_absent_on="2025-01-31"),
    stage("first_feeding", "2025-02-04"),
]


@pytest.mark.parametrize(
    "rule",
    ["stages_out_of_order", "stage_outside_season", "stage_on_closed_day", "day_month_swapped",
     "dating_equals_forecast"],
)  # fmt: skip
def test_a_season_in_order_raises_nothing(rule: str) -> None:
    records = Records(stages=IN_ORDER, losses=losses([2, 1, 0, 3, 0, 0, 1]), exits=[released(190)])
    assert suspicions(records, rule) == []


def test_an_event_before_one_that_must_come_first() -> None:
    rows = [*IN_ORDER[:2], stage("hatch_all", "2024-12-10"), *IN_ORDER[3:]]
    (finding,) = suspicions(Records(stages=rows), "stages_out_of_order")
    assert (finding.line, finding.column, finding.value) == (4, "first_seen_on", "2024-12-10")
    assert finding.message == (
        "hatch_all of T1 is dated 2024-12-10, before hatch_half on 2024-12-12, which must come first"
    )


def test_feeding_a_little_before_button_up_is_possible() -> None:
    rows = [*IN_ORDER[:4], stage("first_feeding", "2025-01-30")]
    assert suspicions(Records(stages=rows), "stages_out_of_order") == []


def test_events_of_two_seasons_are_not_compared() -> None:
    later = [{**SETUP, "season": 2025, "closed_on": None, "filled_on": None}]
    rows = [*IN_ORDER, stage("hatch_first", "2025-12-05")]
    assert suspicions(Records(setups=[SETUP, *later], stages=rows), "stages_out_of_order") == []


def test_an_event_before_the_eggs_and_one_after_the_end() -> None:
    rows = [stage("eyed", "2024-10-25"), stage("button_up", "2025-05-29")]
    before, after = suspicions(Records(stages=rows), "stage_outside_season")
    assert before.message == "eyed of T1 is dated 2024-10-25, before its eggs came on 2024-11-08"
    assert after.message == "button_up of T1 is dated 2025-05-29, after the tank was emptied on 2025-05-20"


def test_an_event_on_the_day_the_eggs_came_is_inside() -> None:
    rows = [stage("eyed", "2024-11-08"), stage("button_up", "2025-05-20")]
    assert suspicions(Records(stages=rows), "stage_outside_season") == []


SATURDAY = "2024-12-14"


def test_an_event_on_a_day_nobody_was_there() -> None:
    (finding,) = suspicions(Records(stages=[stage("hatch_half", SATURDAY)]), "stage_on_closed_day")
    assert finding.message == (
        "hatch_half of T1 is said to be seen on Saturday, 2024-12-14; nobody looks on weekends at site S1, and "
        "nothing else was recorded for this tank that day"
    )


@pytest.mark.parametrize(
    "more",
    [
        {"sites": [{**SITE, "weekend_access": True}]},
        {"sites": [{**SITE, "weekend_access": None}]},
        {"losses": losses([1], first=SATURDAY)},
        {"temperatures": readings([8.1], first=SATURDAY)},
        {"stages": [stage("hatch_half", SATURDAY, dating="inferred")]},
    ],
)
def test_somebody_may_have_been_there(more: dict[str, list[Row]]) -> None:
    records = Records(**{"stages": [stage("hatch_half", SATURDAY)], **more})
    assert suspicions(records, "stage_on_closed_day") == []


def test_a_blank_row_or_a_logger_is_no_trace_of_anybody() -> None:
    records = Records(
        stages=[stage("hatch_half", SATURDAY)],
        losses=losses([None], first=SATURDAY),
        temperatures=readings([8.0] * 24, first=SATURDAY, every_hours=1, instrument="logger"),
    )
    assert len(suspicions(records, "stage_on_closed_day")) == 1


def test_a_date_outside_every_season_that_fits_when_swapped() -> None:
    rows = losses([2, 1, 0, 3], first="2025-01-08")
    rows[1]["checked_on"] = "2025-11-01"
    (finding,) = suspicions(Records(losses=rows), "day_month_swapped")
    assert (finding.line, finding.table, finding.column, finding.value) == (
        3,
        "losses",
        "checked_on",
        "2025-11-01",
    )
    assert finding.message == (
        "checked_on 2025-11-01 of T1 lies outside every season of the tank; with day and month changed, "
        "2025-01-11 lies between 2024-11-08 and 2025-05-20"
    )
    assert finding.advice == (
        "If day and month changed places, write 2025-01-11 in the file; where it is loaded already, withdraw that "
        "upload first, because the mended rows do not replace these."
    )


def test_a_date_out_of_the_order_of_its_file() -> None:
    rows = losses([2, 1, 0, 3, 0, 0, 1, 2, 0], first="2024-12-05")
    rows[5]["checked_on"] = "2025-05-01"  # 2025-01-05; both lie in the season
    (finding,) = suspicions(Records(losses=rows), "day_month_swapped")
    assert finding.message == (
        "checked_on 2025-05-01 of T1 stands between 2025-01-02 and 2025-01-16; with day and month changed, "
        "2025-01-05 fits between them"
    )


def test_several_rows_of_one_swapped_date_are_one_finding() -> None:
    day = {"tank_id": "T1", "tested_on": "2025-10-02", "unit": "mg_l"}
    rows = [{**day, "analyte": name, "value": 0.1} for name in ("total_ammonia_n", "nitrite_n", "nitrate_n")]
    (finding,) = suspicions(Records(water_tests=rows), "day_month_swapped")
    assert finding.message.startswith("tested_on 2025-10-02 of T1 (3 rows) lies outside every season of the tank")


def test_a_release_that_swapped_falls_on_the_close() -> None:
    setup = {**SETUP, "closed_on": "2025-05-03"}
    (finding,) = suspicions(Records(setups=[setup], exits=[released(190, "2025-03-05")]), "day_month_swapped")
    assert finding.message == (
        "exited_on 2025-03-05 of T1, 2025-05-03 with day and month changed, would be the day on which the tank "
        "was emptied"
    )


def test_a_delivery_before_its_eggs_were_spawned() -> None:
    delivery = {**DELIVERY, "delivered_on": "2024-08-11"}  # 2024-11-08
    (finding,) = suspicions(Records(deliveries=[delivery]), "day_month_swapped")
    assert finding.message == (
        "delivered_on 2024-08-11 of T1 does not follow the spawning of its batch on 2024-10-01; with day and "
        "month changed, 2024-11-08 does"
    )


def test_dates_of_a_file_in_no_order_are_left_alone() -> None:
    rows = losses([2, 1, 0, 3, 0, 0, 1, 2, 0, 1], first="2024-12-05", every_days=9)
    shuffled = [rows[place] for place in (7, 2, 5, 0, 9, 3, 8, 1, 6, 4)]
    assert suspicions(Records(losses=shuffled), "day_month_swapped") == []


def test_a_swapped_stage_is_told_once() -> None:
    rows = [*IN_ORDER[:3], stage("button_up", "2025-03-02"), stage("first_feeding", "2025-10-02")]
    records = Records(stages=rows)  # first feeding on 2025-02-10
    assert len(suspicions(records, "day_month_swapped")) == 1
    assert suspicions(records, "stage_outside_season") == []
    rows = [*IN_ORDER[:3], stage("button_up", "2025-10-02"), IN_ORDER[4]]
    assert suspicions(Records(stages=rows), "stages_out_of_order") == []


def test_a_date_that_says_it_is_a_forecast() -> None:
    rows = [stage("hatch_half", "2024-12-12", dating="copied_from_forecast")]
    (finding,) = suspicions(Records(stages=rows), "dating_equals_forecast")
    assert (finding.column, finding.value) == ("dating", "copied_from_forecast")
    assert finding.message == "hatch_half of T1, 2024-12-12, is stated to be copied from the forecast"


def _many_tanks(days_late: list[int]) -> Records:
    """Tanks with set points of 7.0 to 10.5 °C whose hatch comes ``days_late`` after 545 °C·d at the set point."""
    made: dict[str, list[Row]] = {"tanks": [], "setups": [], "deliveries": [], "stages": []}
    for number, late in enumerate(days_late):
        tank, set_point, units = f"K{number}", 7.0 + 0.5 * (number % 8), 280.0 + 3 * (number % 11)
        hatch = dt.date(2024, 11, 8) + dt.timedelta(days=math.ceil((545 - units) / set_point) + late)
        made["tanks"].append({**TANK, "tank_id": tank})
        made["setups"].append({**SETUP, "tank_id": tank, "set_point_c": set_point})
        made["deliveries"].append({**DELIVERY, "tank_id": tank, "thermal_units_at_delivery": units})
        made["stages"].append(stage("hatch_half", hatch.isoformat(), tank_id=tank))
    return Records(**made)


def test_dates_that_agree_with_a_forecast_too_often() -> None:
    honest = [-6, 3, 1, -2, 5, -4, 2, 7, -1, 4, -3, 6]
    found = suspicions(_many_tanks([0] * 14 + honest), "dating_equals_forecast")
    assert [finding.line for finding in found] == list(range(2, 16))
    assert found[0].message == (
        "hatch_half of K0, 2024-12-16, is to the day what 545 °C·d at the set point forecast; so are 14 of 26 "
        "such dates without a last_absent_on, where 1.0 would be by chance"
    )


def test_dates_that_agree_as_often_as_chance_has_it() -> None:
    honest = [-6, 3, 1, -2, 5, -4, 2, 7, -1, 4, -3, 6, 0, 0, 1, -1, 2, 0, -5, 3, -2, 1, 0, 4, -1, 2]
    assert suspicions(_many_tanks(honest), "dating_equals_forecast") == []


def test_a_look_before_a_stage_without_its_last_absence_is_offered() -> None:
    """The last count of the dead before the event: not one of that day, one before the eggs came, nor a blank."""
    looks = [
        *losses([4, 0, None], first="2024-12-02", every_days=7),
        *losses([1], first="2024-12-20"),
        *losses([2], first="2024-11-01"),
    ]
    records = Records(losses=looks, stages=[stage("hatch_half", "2024-12-20")])
    (finding,) = suspicions(records, "look_before_stage")
    assert (finding.table, finding.line, finding.column, finding.value) == ("stages", 2, "last_absent_on", None)
    assert finding.message == (
        "T1, season 2024: 1 stage without last_absent_on, though the dead were counted on a day before: "
        "hatch_half, first seen on 2024-12-20, counted on 2024-12-09 (losses.csv, line 3)"
    )
    assert finding.advice == (
        "Where the stage had not come by the day of the count, write that day as its last_absent_on and send the "
        "row again: one date alone is no exact time. It is never filled in."
    )


def test_the_looks_before_all_stages_of_a_tank_and_season_are_offered_at_once() -> None:
    """In the order seen; not for first feeding, which is done, not looked for. Another season is another case."""
    later = {**SETUP, "season": 2025, "closed_on": None, "filled_on": None}
    records = Records(
        setups=[SETUP, later],
        deliveries=[DELIVERY, {**DELIVERY, "delivered_on": "2025-11-20"}],
        losses=[*losses([4, 0], first="2024-12-02", every_days=7), *losses([3], first="2025-12-01")],
        stages=[
            stage("first_feeding", "2025-02-10"),
            stage("button_up", "2025-02-03"),
            stage("hatch_first", "2024-12-06"),
            stage("hatch_all", "2024-12-16", last_absent_on="2024-12-13"),
            stage("hatch_half", "2025-12-09"),
        ],
    )  # fmt: skip
    found = suspicions(records, "look_before_stage")
    assert [finding.line for finding in found] == [3, 6]
    assert found[0].message == (
        "T1, season 2024: 2 stages without last_absent_on, though the dead were counted on a day before: "
        "hatch_first, first seen on 2024-12-06, counted on 2024-12-02 (losses.csv, line 2); "
        "button_up, first seen on 2025-02-03, counted on 2024-12-09 (losses.csv, line 3)"
    )
    assert found[1].message.startswith("T1, season 2025: 1 stage without last_absent_on")


def test_no_look_is_offered_where_none_is_needed_or_known() -> None:
    seen, look = "2024-12-20", losses([4], first="2024-12-02")
    for event in (
        stage("hatch_half", seen, last_absent_on="2024-12-19"),
        stage("hatch_half", seen, dating="inferred"),
        stage("hatch_half", seen, tank_id="T2"),
        stage("first_feeding", seen),
    ):
        assert suspicions(Records(losses=look, stages=[event]), "look_before_stage") == []
    assert suspicions(Records(stages=[stage("hatch_half", seen)]), "look_before_stage") == []


OF_ANOTHER_YEAR = (
    "checked_on 2024-01-15 of T1 lies in a season without a set-up or delivery of the tank; the same day of "
    "another year, 2025-01-15, lies between 2024-11-08 and 2025-05-20"
)


@pytest.mark.parametrize("rows", [losses([3], first="2024-01-15"), losses([None], first="2024-01-15")])
def test_a_date_of_the_year_that_has_just_ended(rows: list[Row]) -> None:
    (finding,) = suspicions(Records(losses=rows), "year_off")
    assert (finding.line, finding.column, finding.value) == (2, "checked_on", "2024-01-15")
    assert finding.message == OF_ANOTHER_YEAR
    assert finding.advice == (
        "If the year is wrong, write 2025-01-15 in the file; where it is loaded already, withdraw that upload "
        "first, because the mended rows do not replace these. If it is right, send the set-up of that season."
    )


def test_a_year_too_late_and_two_years_that_fit() -> None:
    (late,) = suspicions(Records(losses=losses([3], first="2026-01-15")), "year_off")
    assert "the same day of another year, 2025-01-15, lies between" in late.message
    earlier = {**SETUP, "season": 2022, "filled_on": None, "closed_on": "2023-05-20"}
    deliveries = [DELIVERY, {**DELIVERY, "delivered_on": "2022-11-08"}]
    records = Records(setups=[earlier, SETUP], deliveries=deliveries, losses=losses([3], first="2024-01-15"))
    (both,) = suspicions(records, "year_off")
    assert both.message.endswith("2023-01-15, lies, as 2025-01-15 does, within a stay of its eggs")
    assert both.advice.startswith("If the year is wrong, write 2023-01-15 or 2025-01-15 in the file; ")


def test_a_year_off_and_a_swap_that_both_fit_are_told_together() -> None:
    """Alone, 2024-01-12 may be 2025-01-12 or 2024-12-01; between 5 and 19 January it is only the first."""
    records = Records(losses=losses([3], first="2024-01-12"))
    (finding,) = suspicions(records, "day_month_swapped")
    assert finding.message == (
        "checked_on 2024-01-12 of T1 lies outside every season of the tank; with day and month changed, "
        "2024-12-01 lies between 2024-11-08 and 2025-05-20; so does 2025-01-12, the same day of another year"
    )
    assert finding.advice.startswith(
        "If day and month changed places, write 2024-12-01 in the file, if the year is wrong, 2025-01-12; where"
    )
    assert suspicions(records, "year_off") == []
    rows = losses([2, 1, 3], first="2025-01-05")
    rows[1]["checked_on"] = "2024-01-12"
    assert suspicions(Records(losses=rows), "day_month_swapped") == []
    (finding,) = suspicions(Records(losses=rows), "year_off")
    assert (finding.line, finding.value) == (3, "2024-01-12")


@pytest.mark.parametrize(
    "rows",
    [
        losses([3], first="2024-02-29"),  # no such day in 2025
        losses([3], first="2024-09-20"),  # of a season with a set-up, though before its eggs
        losses([3], first="2024-07-15"),  # outside every stay in either year
        losses([3, 2, 0, 1], first="2024-01-15"),  # a season whose set-up is still to come
    ],
)
def test_a_year_that_may_well_be_right(rows: list[Row]) -> None:
    assert suspicions(Records(losses=rows), "year_off") == []


def test_no_year_is_doubted_without_rows_or_eggs() -> None:
    assert suspicions(Records(), "year_off") == []
    elsewhere = {**DELIVERY, "tank_id": "T2"}
    records = Records(losses=losses([3], first="2024-01-15"), deliveries=[elsewhere])
    assert suspicions(records, "year_off") == []


def test_few_slips_beside_many_dates_are_told() -> None:
    """4 beside 16 are a quarter of them; 5 beside 15 are more, and may be a season of their own."""
    rows = losses([1] * 20, first="2024-12-01")
    for row in rows[5:9]:
        row["checked_on"] = row["checked_on"].replace("2025", "2024")
    assert [one.value for one in suspicions(Records(losses=rows), "year_off")] == [
        "2024-01-05", "2024-01-19", "2024-01-26",
    ]  # fmt: skip
    (both,) = suspicions(Records(losses=rows), "day_month_swapped")
    assert both.message.endswith("; so does 2025-01-12, the same day of another year")
    rows[9]["checked_on"] = "2024-02-02"
    assert suspicions(Records(losses=rows), "year_off") == []


def test_dead_written_as_eggs_long_after_button_up() -> None:
    """Button-up on 3 February: the count of the 17th is a late pick, the blank and the 0 say nothing."""
    rows = [*losses([5, 4, None, 0, 2], first="2025-02-17"), *losses([9], first="2025-03-03", stage="fry")]
    (finding,) = suspicions(Records(losses=rows, stages=IN_ORDER), "eggs_after_button_up")
    assert (finding.table, finding.line, finding.column, finding.value) == ("losses", 3, "stage", "egg")
    assert finding.message == (
        "T1, season 2024: stage said egg after button-up: alevin or fry? Button-up was seen on 2025-02-03, "
        "and more than 14 days later 6 dead were written as egg: 2025-02-24 (4), 2025-03-17 (2)"
    )
    assert finding.advice == (
        "If they were alevins or fry, write alevin or fry as their stage in the file; where it is loaded already, "
        "withdraw that upload first, because the mended rows do not replace these. Eggs that were found only then "
        "stay egg; they are told as late picks and do not count towards hatch."
    )


def test_dead_eggs_that_may_well_be_eggs() -> None:
    late, rule = losses([4], first="2025-02-24"), "eggs_after_button_up"
    assert suspicions(Records(stages=IN_ORDER), rule) == []
    assert suspicions(Records(losses=late), rule) == []
    assert suspicions(Records(losses=late, stages=IN_ORDER[:3]), rule) == []
    inferred = stage("button_up", "2025-02-03", dating="inferred")
    assert suspicions(Records(losses=late, stages=[inferred]), rule) == []
    again = [DELIVERY, {**DELIVERY, "delivered_on": "2025-01-20"}]
    assert suspicions(Records(losses=late, stages=IN_ORDER, deliveries=again), rule) == []
