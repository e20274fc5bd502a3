"""Readings brought to days, held to means worked out by hand."""

from __future__ import annotations

import pytest
from tests.queries.small_programme import TRUSTED, Programme

from broodyear.settings import Acknowledged, Settings

#: Sums run in whole millionths of a degree, so a mean is right to that.
MILLIONTH = 1e-6


def hourly(day: str, temps: dict[int, float], otherwise: float) -> dict[str, float]:
    """24 readings on the hour."""
    return {f"{day}T{hour:02d}:00": temps.get(hour, otherwise) for hour in range(24)}


def test_even_step_gives_the_plain_mean_and_the_hours_beyond_a_limit(programme: Programme) -> None:
    programme.read("A", hourly("2024-11-05", {12: 14.0, 13: 15.0, 3: 3.5}, 8.0))
    programme.derive()
    row = programme.one(
        "daily_readings", "readings, mean_c, min_c, max_c, hours_read, hours_above_warm, hours_below_cold"
    )
    # (21 × 8 + 14 + 15 + 3.5) / 24 = 200.5 / 24
    assert row[0] == 24
    assert row[1] == pytest.approx(200.5 / 24, abs=MILLIONTH)
    # two readings above 13 °C and one below 4 °C, each standing for one hour
    assert row[2:] == (3.5, 15.0, 24.0, 2.0, 1.0)


def test_uneven_readings_are_weighted_by_the_time_they_stand_for(programme: Programme) -> None:
    programme.read(
        "A", {"2024-11-05T08:00": 6.0, "2024-11-05T09:00": 7.0, "2024-11-05T10:00": 14.0, "2024-11-05T15:00": 10.0}
    )
    programme.derive()
    mean, hours, warm, gap = programme.one(
        "daily_readings", "mean_c, hours_read, hours_above_warm, largest_gap_hours"
    )
    # weights: 8:00 half an hour each side = 1 h; 9:00 = 1 h; 10:00 = 0.5 + 2.5 = 3 h; 15:00 2.5 h each side = 5 h
    # (6×1 + 7×1 + 14×3 + 10×5) / 10 = 105 / 10; the plain mean would be 9.25
    assert mean == pytest.approx(10.5, abs=MILLIONTH)
    assert (hours, warm, gap) == (10.0, 3.0, 5.0)


def test_evenly_placed_by_count_and_span_alone_is_not_taken_for_even(programme: Programme) -> None:
    # four readings over 18 h look like one every 6 h, but are not
    programme.read(
        "A", {"2024-11-05T00:00": 4.0, "2024-11-05T07:00": 8.0, "2024-11-05T11:00": 8.0, "2024-11-05T18:00": 4.0}
    )
    programme.derive()
    # weights 7, 5.5, 5.5, 7 of 25 h: (4×14 + 8×11) / 25 = 144 / 25
    assert programme.one("daily_readings", "mean_c")[0] == pytest.approx(5.76, abs=MILLIONTH)


def test_fewer_than_four_readings_give_the_plain_mean_and_no_hours(programme: Programme) -> None:
    programme.read("A", {"2024-11-05T08:00": 6.0, "2024-11-05T09:00": 7.0, "2024-11-05T15:00": 14.0})
    programme.derive()
    assert programme.one("daily_readings", "mean_c, hours_read, hours_above_warm") == (9.0, None, None)


def test_a_day_with_a_hole_is_weighted_although_its_logger_is_even(programme: Programme) -> None:
    whole = hourly("2024-11-05", {}, 8.0)
    holed = {
        moment: temp
        for moment, temp in hourly("2024-11-06", {}, 8.0).items()
        if not "T06" <= moment[10:13] <= "T11"
    }
    holed["2024-11-06T12:00"] = 12.0
    programme.read("A", whole | holed)
    programme.derive()
    # 05:00 stands for 4 h, 12:00 for 4 h (3.5 before, 0.5 after), sixteen others for 1 h: all 24 h
    expected = (12.0 * 4.0 + 8.0 * 20.0) / 24.0
    assert programme.one("daily_readings", "mean_c, hours_read, largest_gap_hours", "day = '2024-11-06'") == (
        pytest.approx(expected, abs=MILLIONTH),
        24.0,
        7.0,
    )


def test_part_of_a_day_at_the_loggers_own_step_is_even(programme: Programme) -> None:
    started = {f"2024-11-04T{hour}:00": 8.0 + (hour - 20) for hour in range(20, 24)}
    programme.read("A", started | hourly("2024-11-05", {}, 8.0))
    programme.derive()
    # 8, 9, 10, 11 at one-hour steps: mean 9.5 over four hours
    assert programme.one("daily_readings", "mean_c, hours_read", "day = '2024-11-04'") == (9.5, 4.0)


def test_fahrenheit_rows_are_converted_row_by_row(programme: Programme) -> None:
    programme.read("A", {"2024-11-05T08:00": 45.5}, unit="F")
    programme.read("A", {"2024-11-05T20:00": 8.5})
    programme.derive()
    # (45.5 − 32) / 1.8 = 7.5; with 8.5 the mean is 8.0
    assert programme.one("daily_readings", "readings, mean_c") == (2, 8.0)


def test_both_units_on_one_even_day_make_one_row(programme: Programme) -> None:
    day = hourly("2024-11-05", {}, 8.0)
    del day["2024-11-05T10:00"]
    programme.read("A", day)
    programme.read("A", {"2024-11-05T10:00": 50.0}, unit="F")  # 10 °C
    programme.derive()
    assert programme.one("instrument_days", "readings, lowest_c, highest_c") == (24, 8.0, 10.0)
    # (23 × 8 + 10) / 24
    assert programme.one("daily_readings", "mean_c")[0] == pytest.approx(194.0 / 24.0, abs=MILLIONTH)


def test_readings_too_warm_to_be_true_stay_out_until_acknowledged(programme: Programme) -> None:
    programme.read("A", {"2024-11-05": 46.0, "2024-11-06": 8.0}, instrument="thermometer")
    programme.derive()
    assert programme.rows("daily_readings", "day::VARCHAR, mean_c") == [("2024-11-06", 8.0)]
    assert programme.rows("staged_temperatures", "water_temp_c, usable") == [(8.0, True), (46.0, False)]
    looked_into = Acknowledged("water_temp_above_25", "A", "the tank stood in the sun")
    programme.derive(Settings(acknowledged=(*TRUSTED, looked_into)))
    assert programme.rows("daily_readings", "mean_c") == [(8.0,), (46.0,)]


def test_readings_flagged_as_suspicious_stay_out_and_are_counted(programme: Programme) -> None:
    odd = {f"2024-11-{day:02d}": 7.0 + day % 7 / 10 for day in range(1, 29)}
    programme.read("A", odd | {"2024-11-29": 46.0, "2024-11-30": 8.0})  # 46 °F typed as °C
    programme.derive(Settings())
    assert programme.rows("reading_flags", "read_at::DATE::VARCHAR, flag") == [("2024-11-29", "looks_fahrenheit")]
    assert programme.one(
        "record_coverage", "readings, readings_left_out, days_with_readings", "tank_id = 'A'"
    ) == (30, 1, 29)
    assert programme.one("daily_temperature", "source", "day = '2024-11-29'") == ("interpolated",)


def test_twenty_five_after_conversion_is_the_limit(programme: Programme) -> None:
    programme.read("A", {"2024-11-05T08:00": 77.0}, unit="F", instrument="thermometer")  # exactly 25 °C: stays
    programme.read("B", {"2024-11-05T08:00": 77.2}, unit="F", instrument="thermometer")
    programme.derive()
    assert programme.rows("daily_readings", "tank_id") == [("A",)]


def test_a_bare_date_is_a_reading_without_an_hour(programme: Programme) -> None:
    programme.read("A", {"2024-11-05": 8.0})
    programme.derive()
    assert programme.one("daily_readings", "instrument, mean_c, hours_read") == ("thermometer", 8.0, None)


def test_no_reading_gives_no_day(programme: Programme) -> None:
    programme.derive()
    assert programme.rows("daily_readings") == []
