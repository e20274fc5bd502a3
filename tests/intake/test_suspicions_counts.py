"""Suspicions about counts, thermal units and set-ups: one case that must be told, one honest one that must not."""

from __future__ import annotations

import pytest
from tests.intake.suspicious_records import BATCH, DELIVERY, SETUP, Records, Row, losses, released, suspicions

HONEST_DEAD = [2, 1, 0, 3, 1, 0, 0, 2, 0, 1, 0, 0]


def test_losses_that_never_fall() -> None:
    records = Records(losses=losses([1, 2, 2, 4, 5, 7, 8, 8, 9]))
    (finding,) = suspicions(records, "losses_cumulative")
    assert (finding.line, finding.table, finding.column, finding.value) == (2, "losses", "dead", "1")
    # 9 numbers of which two come twice: 9! / (2! 2!) = 90 720 orders
    assert finding.message == (
        "T1, season 2024: 9 numbers of dead never fall, from 1 up to 9, with 6 rises; numbers since the last "
        "check would come in this order at most once in 90,720"
    )
    assert finding.advice == (
        "If each number is a total since the start, send the rows again with the dead since the last check: "
        "each number less the one before it."
    )


def test_a_short_total_whose_sum_exceeds_the_eggs() -> None:
    records = Records(losses=losses([10, 60, 90, 110, 120]), exits=[released(80)])
    (finding,) = suspicions(records, "losses_cumulative")
    assert finding.message.endswith(
        "at most once in 120, and their sum of 390 with the fish that left exceeds the 200 eggs delivered"
    )
    assert suspicions(records, "more_out_than_in") == []


def test_a_total_that_starts_anew_in_each_stage() -> None:
    records = Records(
        losses=[
            *losses([1, 3, 4, 6, 7]),
            *losses([1, 2, 4, 5, 5], first="2025-01-20", stage="alevin"),
        ]
    )
    (finding,) = suspicions(records, "losses_cumulative")
    # 5! orders of the first series, 5!/2! of the second
    assert "at most once in 7,200" in finding.message


def test_a_swapped_date_does_not_hide_a_total() -> None:
    rows = losses([1, 2, 3, 4, 6, 7, 9, 10, 12, 15], first="2025-01-02")
    rows[5]["checked_on"] = "2025-06-02"  # 2025-02-06
    assert len(suspicions(Records(losses=rows), "losses_cumulative")) == 1


@pytest.mark.parametrize("counts", [HONEST_DEAD, [0] * 12, [0, 0, 0, 0, 1, 2], [3, 4, 6]])
def test_honest_losses_are_no_total(counts: list[int | None]) -> None:
    assert suspicions(Records(losses=losses(counts)), "losses_cumulative") == []


def test_more_out_than_came_in() -> None:
    records = Records(losses=losses([5, 0, 12, 0]), exits=[released(200)])
    (finding,) = suspicions(records, "more_out_than_in")
    assert (finding.line, finding.table, finding.column, finding.value) == (2, "deliveries", "eggs_live", "200")
    # counting error: 2 % of 200 eggs and 2 % of 200 fish, in quadrature, twice = 11.3
    assert finding.message == (
        "T1, season 2024: 17 dead and 200 that left make 17 more than the 200 eggs delivered; counting error "
        "allows for 11"
    )


def test_a_volumetric_count_may_be_that_far_off() -> None:
    delivery = {**DELIVERY, "count_method": "volume"}
    records = Records(deliveries=[delivery], losses=losses([5, 0, 12, 0]), exits=[released(200)])
    assert suspicions(records, "more_out_than_in") == []


def test_a_second_delivery_counts() -> None:
    second = {**DELIVERY, "delivered_on": "2024-11-12", "eggs_live": 30}
    records = Records(deliveries=[DELIVERY, second], losses=losses([5, 0, 12, 0]), exits=[released(210)])
    assert suspicions(records, "more_out_than_in") == []


def test_fish_that_came_in_count() -> None:
    came = {**released(30), "fate": "transferred_in"}
    records = Records(losses=losses([5, 0, 12, 0]), exits=[released(215), came])
    assert suspicions(records, "more_out_than_in") == []


def test_a_large_gap() -> None:
    records = Records(losses=losses(HONEST_DEAD), exits=[released(120)])
    (finding,) = suspicions(records, "large_unaccounted")
    assert finding.message == (
        "T1, season 2024: of 200 eggs, 10 were counted dead and 120 left, so 70 (35 %) are not accounted for; "
        "counting error allows for 9"
    )


def test_an_ordinary_gap_and_a_season_not_over_are_no_suspicion() -> None:
    ordinary = Records(losses=losses(HONEST_DEAD), exits=[released(160)])
    assert suspicions(ordinary, "large_unaccounted") == []
    running = Records(setups=[{**SETUP, "closed_on": None, "end_reason": None}], losses=losses(HONEST_DEAD))
    assert suspicions(running, "large_unaccounted") == []


def test_thermal_units_in_fahrenheit_against_the_hatchery() -> None:
    records = Records(deliveries=[{**DELIVERY, "thermal_units_at_delivery": 547.0}])
    (finding,) = suspicions(records, "looks_fahrenheit_units")
    assert finding.column == "thermal_units_at_delivery"
    # 38 days at 8 °C = 304
    assert finding.message == (
        "547 °C·d at delivery of eyed eggs to T1, where days since spawning and the hatchery's temperature "
        "make 304; as °F·d they would be 304 °C·d"
    )
    assert finding.advice == (
        "If the units were counted in °F, send the row again with thermal_unit f_days, or with 304 c_days."
    )


def test_thermal_units_in_fahrenheit_against_the_calendar_and_the_species() -> None:
    by_date: Row = {**DELIVERY, "thermal_units_at_delivery": 560.0, "hatchery_temp_c": None}
    (finding,) = suspicions(Records(deliveries=[by_date]), "looks_fahrenheit_units")
    assert "need a hatchery at 14.7 °C since spawning" in finding.message
    by_species = {**by_date, "thermal_units_at_delivery": 756.0}
    (finding,) = suspicions(
        Records(batches=[{**BATCH, "spawned_on": None}], deliveries=[by_species]), "looks_fahrenheit_units"
    )
    assert "are more than the 625 that fit chinook at that stage" in finding.message


@pytest.mark.parametrize("units", [290.0, 420.0])
def test_units_the_hatchery_can_have_counted(units: float) -> None:
    records = Records(deliveries=[{**DELIVERY, "thermal_units_at_delivery": units}])
    assert suspicions(records, "looks_fahrenheit_units") == []
    assert suspicions(records, "units_restarted") == []


def test_the_few_units_of_green_eggs_may_be_any_multiple() -> None:
    green = {**DELIVERY, "stage_at_delivery": "green", "delivered_on": "2024-10-04"}
    records = Records(deliveries=[{**green, "thermal_units_at_delivery": 43.0}])  # three days at 8 °C make 24
    assert suspicions(records, "looks_fahrenheit_units") == []


def test_units_that_start_anew_on_delivery() -> None:
    records = Records(deliveries=[{**DELIVERY, "thermal_units_at_delivery": 4.0}])
    (finding,) = suspicions(records, "units_restarted")
    assert finding.message == (
        "4 °C·d at delivery of eyed eggs to T1 is too few: that stage needs at least 125, and days since "
        "spawning and the hatchery's temperature make 304"
    )


def test_green_eggs_have_few_units() -> None:
    green = {
        **DELIVERY,
        "stage_at_delivery": "green",
        "thermal_units_at_delivery": 4.0,
        "delivered_on": "2024-10-02",
    }
    assert suspicions(Records(deliveries=[green]), "units_restarted") == []


def test_a_wide_differential() -> None:
    records = Records(setups=[{**SETUP, "differential_c": 3.6}])
    (finding,) = suspicions(records, "wide_differential")
    assert (finding.line, finding.column, finding.value) == (2, "differential_c", "3.6")
    assert finding.message == (
        "the differential of T1, season 2024, is 3.6 °C, above 2 °C; the column is the full on-off width in °C"
    )
    assert finding.advice == (
        "If it was read in °F, send the row again with 2.0; if it was written as ±, the full width is twice that."
    )


def test_two_degrees_are_not_wide() -> None:
    assert suspicions(Records(setups=[{**SETUP, "differential_c": 2.0}]), "wide_differential") == []


@pytest.mark.parametrize(
    ("filled_on", "words"),
    [
        (
            "2024-11-04",
            "eggs came on 2024-11-08, 4 days after the tank was filled on 2024-11-04; 5 days are the least",
        ),
        (
            "2024-11-07",
            "eggs came on 2024-11-08, 1 day after the tank was filled on 2024-11-07; 5 days are the least",
        ),
        ("2024-11-10", "eggs came on 2024-11-08, before the tank was filled on 2024-11-10"),
    ],
)
def test_eggs_soon_after_filling(filled_on: str, words: str) -> None:
    (finding,) = suspicions(Records(setups=[{**SETUP, "filled_on": filled_on}]), "short_conditioning")
    assert finding.message == f"T1, season 2024: {words}"


def test_five_days_are_enough() -> None:
    assert suspicions(Records(setups=[{**SETUP, "filled_on": "2024-11-03"}]), "short_conditioning") == []
