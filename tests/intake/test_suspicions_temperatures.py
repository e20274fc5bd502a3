"""Suspicions about readings and other temperatures: one case that must be told, one honest one that must not."""

from __future__ import annotations

import math

import pytest
from tests.intake.suspicious_records import DELIVERY, SETUP, Records, readings, suspicions

#: A season of honest hand readings in steps of 0.1 °C about 8 °C; no value stands three times in a row.
HONEST = [round(8.0 + 0.5 * math.sin(2.1 * day) + 0.3 * math.cos(0.9 * day), 1) for day in range(70)]


def test_a_season_of_honest_readings_raises_nothing() -> None:
    records = Records(temperatures=readings(HONEST))
    for rule in (
        "looks_fahrenheit",
        "water_temp_above_25",
        "readings_copied",
        "set_point_typed",
        "warm_with_eggs",
    ):
        assert suspicions(records, rule) == []


def test_one_reading_in_fahrenheit() -> None:
    values = [*HONEST[:30], 46.4, *HONEST[31:]]
    (finding,) = suspicions(Records(temperatures=readings(values)), "looks_fahrenheit")
    assert (finding.line, finding.table, finding.column, finding.value) == (
        32,
        "temperatures",
        "water_temp",
        "46.4",
    )
    assert finding.level == "warning"
    assert finding.message == "46.4 °C as stated, where T1 usually reads 8.1 °C; as °F it would be 8.0 °C"
    assert finding.advice == "If they were read in °F, write F in the column unit and send the file again."


def test_a_whole_tank_in_fahrenheit_is_one_finding() -> None:
    values = [float(round(value * 1.8 + 32)) for value in HONEST]
    (finding,) = suspicions(Records(temperatures=readings(values)), "looks_fahrenheit")
    assert finding.line == 2
    assert finding.message == (
        "thermometer of T1, season 2024: 70 of 70 readings lie between 45 and 48 °C as stated, which no tank "
        "survives; the first, 47, would be 8.3 °C as °F"
    )


def test_readings_stated_in_fahrenheit_are_no_suspicion() -> None:
    values = [float(round(value * 1.8 + 32)) for value in HONEST]
    records = Records(temperatures=readings(values, unit="F"))
    assert suspicions(records, "looks_fahrenheit") == []
    assert suspicions(records, "water_temp_above_25") == []


def test_above_25_that_is_no_fahrenheit() -> None:
    (finding,) = suspicions(Records(temperatures=readings([*HONEST, 26.5])), "water_temp_above_25")
    assert finding.line == 72
    assert finding.message == "26.5 °C in the unit stated is above 25 °C; T1 usually reads 8.1 °C"


def test_25_degrees_itself_is_within_the_limit() -> None:
    assert suspicions(Records(temperatures=readings([*HONEST, 25.0])), "water_temp_above_25") == []


@pytest.mark.parametrize(
    ("table", "row", "column", "message"),
    [
        ("deliveries", DELIVERY, "box_temp_c",
         "box_temp_c of T1 is 44 °C, above the 30 °C that is plausible there; as °F it would be 6.7 °C"),
        ("setups", SETUP, "set_point_c",
         "set_point_c of T1 is 47 °C, above the 25 °C that is plausible there; as °F it would be 8.3 °C"),
    ],
)  # fmt: skip
def test_other_temperatures_in_fahrenheit(table: str, row: dict[str, object], column: str, message: str) -> None:
    value = 44.0 if column == "box_temp_c" else 47.0
    (finding,) = suspicions(Records(**{table: [{**row, column: value}]}), "other_temperature_looks_fahrenheit")
    assert (finding.line, finding.table, finding.column, finding.message) == (2, table, column, message)


def test_a_warm_box_and_a_hot_room_are_possible() -> None:
    records = Records(
        deliveries=[{**DELIVERY, "box_temp_c": 14.0, "tank_temp_c": 12.0}], setups=[{**SETUP, "room_temp_c": 31.0}]
    )
    assert suspicions(records, "other_temperature_looks_fahrenheit") == []


def test_a_reading_copied_for_three_weeks() -> None:
    values = [*HONEST[:20], *[8.3] * 15, *HONEST[35:]]
    (finding,) = suspicions(Records(temperatures=readings(values)), "readings_copied")
    assert (finding.line, finding.value) == (22, "8.3")
    assert finding.message == (
        "thermometer of T1, season 2024: 8.3 stands 15 readings in a row from 2024-11-29 to 2024-12-13, of 70 "
        "in all; values there come in steps of 0.1 °C, and honest readings of that step repeat at most 4 times "
        "in 99 of 100 tanks"
    )


def test_the_same_run_is_honest_in_whole_degrees() -> None:
    values = [float(round(value)) for value in [7.4, 8.6, *HONEST[:18], *[8.3] * 15, *HONEST[35:], 6.9]]
    assert suspicions(Records(temperatures=readings(values)), "readings_copied") == []


def test_a_reading_in_fahrenheit_does_not_break_a_run() -> None:
    values = [*HONEST[:20], *[8.3] * 4, 47.0, *[8.3] * 4, *HONEST[30:]]
    (finding,) = suspicions(Records(temperatures=readings(values)), "readings_copied")
    assert "8.3 stands 8 readings in a row" in finding.message


def test_a_logger_that_stands_still_is_judged_by_its_days() -> None:
    living = [round(8.0 + 0.4 * math.sin(hour / 3.0), 1) for hour in range(24 * 20)]
    stuck = [*living, *[8.0] * (24 * 30), *living]
    records = Records(temperatures=readings(stuck, every_hours=1, instrument="logger"))
    (finding,) = suspicions(records, "readings_copied")
    assert "8.0 stands 30 days in a row" in finding.message
    records = Records(temperatures=readings(living * 3, every_hours=1, instrument="logger"))
    assert suspicions(records, "readings_copied") == []


def test_the_set_point_typed_as_the_reading() -> None:
    (finding,) = suspicions(Records(temperatures=readings([8.0] * 60)), "set_point_typed")
    assert finding.line == 2
    assert finding.message == (
        "thermometer of T1, season 2024: 60 of 60 readings are 8.0, the set point of the controller (8 °C), "
        "without a change; honest readings in steps of 1 °C repeat at most 38 times in 99 of 100 tanks"
    )


def test_a_tank_near_its_set_point_is_no_typed_set_point() -> None:
    values = [8.0 if day % 3 else 8.5 for day in range(60)]
    records = Records(temperatures=readings(values))
    assert suspicions(records, "set_point_typed") == []
    assert suspicions(records, "readings_copied") == []


def _water(hours: int) -> list[float]:
    return [round(8.0 + 0.4 * math.sin(hour / 2.0), 1) for hour in range(hours)]


def test_a_logger_out_of_the_water() -> None:
    air = [round(20.5 + 1.5 * math.sin(hour / 4.0), 1) for hour in range(36)]
    values = [*_water(240), *air, *_water(240)]
    (finding,) = suspicions(
        Records(temperatures=readings(values, every_hours=1, instrument="logger")), "logger_out_of_water"
    )
    assert finding.line == 242
    assert finding.message == (
        "logger of T1: 36 readings from 2024-11-19 00:00 to 2024-11-20 11:00 average 20.8 °C where its water "
        "is usually 8.0 °C; that came with a jump of 13.2 °C within 3 h, faster than water warms or cools, and "
        "their days swing 8.7 °C against a usual 0.8 °C"
    )


def test_a_logger_in_the_air_of_a_cool_weekend() -> None:
    values = [*_water(240), *[14.8, 15.1, 14.4, 13.9] * 9, *_water(240)]
    records = Records(temperatures=readings(values, every_hours=1, instrument="logger"))
    assert len(suspicions(records, "logger_out_of_water")) == 1


def test_a_logger_switched_on_before_it_went_in() -> None:
    values = [*[21.0] * 12, *_water(400)]
    (finding,) = suspicions(
        Records(temperatures=readings(values, every_hours=1, instrument="logger")), "logger_out_of_water"
    )
    assert finding.line == 2
    assert "12 readings from 2024-11-09 00:00" in finding.message


def test_a_stopped_chiller_warms_the_water_too_slowly_for_that() -> None:
    warming = [round(8.0 + 11.0 * (1 - math.exp(-hour / 30.0)), 1) for hour in range(72)]
    cooling = [round(18.0 - 2.0 * hour, 1) for hour in range(5)]
    values = [*_water(240), *warming, *cooling, *_water(240)]
    records = Records(temperatures=readings(values, every_hours=1, instrument="logger"))
    assert suspicions(records, "logger_out_of_water") == []
    assert len(suspicions(records, "warm_with_eggs")) == 1


def test_warm_water_poured_in_is_no_logger_in_the_air() -> None:
    values = [*_water(240), *[20.0 - 0.5 * hour for hour in range(14)], *_water(240)]
    poured = {
        "tank_id": "T1",
        "started_at": "2024-11-19T00:00",
        "started_at_has_hour": True,
        "kind": "tap_water_added",
    }
    water = readings(values, every_hours=1, instrument="logger")
    assert len(suspicions(Records(temperatures=water), "logger_out_of_water")) == 1
    assert suspicions(Records(temperatures=water, incidents=[poured]), "logger_out_of_water") == []


def test_warm_water_with_eggs_in_it() -> None:
    values = [*HONEST[:10], 13.4, 13.6, *HONEST[12:]]
    (finding,) = suspicions(Records(temperatures=readings(values)), "warm_with_eggs")
    assert finding.line == 12
    assert finding.message == (
        "T1, season 2024: water above 13 °C on 2 days (2 readings) with eggs or alevins present, first at "
        "2024-11-19 00:00, at most 13.6 °C"
    )


def test_warm_water_with_fry_or_before_the_eggs_is_no_matter() -> None:
    late = readings([14.0], first="2025-04-20")
    early = readings([19.0], first="2024-11-02")
    records = Records(temperatures=[*early, *readings(HONEST), *late])
    assert suspicions(records, "warm_with_eggs") == []
