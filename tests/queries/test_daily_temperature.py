"""One temperature per tank and day: instruments reconciled, gaps filled and marked. Worked out by hand."""

from __future__ import annotations

import math

import pytest
from tests.queries.small_programme import Programme

from broodyear.settings import Settings

MILLIONTH = 1e-6

# Judgement kept in the query: spread of a week's mean about the level in the gap beside it, and of a tank about
# its set point. Their precisions weigh the two.
BESIDE = 1 / 0.40**2
SET_POINT = 1 / 0.60**2


def hand(first: int, last: int, temp: float) -> dict[str, float]:
    """A hand reading every day of November."""
    return {f"2024-11-{day:02d}": temp for day in range(first, last + 1)}


def test_a_short_gap_is_interpolated_and_marked(programme: Programme) -> None:
    programme.read("A", hand(1, 5, 8.0) | {"2024-11-09": 9.0} | hand(10, 30, 9.0))
    programme.derive()
    rows = programme.rows("daily_temperature", "day::VARCHAR, source, water_temp_c", "source <> 'observed'")
    # from 8 on the 5th to 9 on the 9th: a quarter of a degree a day
    assert rows == [
        ("2024-11-06", "interpolated", 8.25),
        ("2024-11-07", "interpolated", 8.5),
        ("2024-11-08", "interpolated", 8.75),
    ]


def test_the_error_of_an_interpolated_day(programme: Programme) -> None:
    programme.read("A", hand(1, 5, 8.0) | hand(8, 30, 8.0))
    programme.derive()
    # two ends read once a day (0.5 °C each) and a walk of 0.2 °C a day over a gap of two days
    expected = math.sqrt((0.5**2 + 0.5**2) / 4 + 0.2**2 * 3 / 6)
    found = programme.rows("daily_temperature", "DISTINCT se_c", "source = 'interpolated'")
    assert found == [(pytest.approx(expected, abs=MILLIONTH),)]


def test_a_long_gap_is_modelled_from_the_weeks_beside_it_and_the_set_point(programme: Programme) -> None:
    # a week at 8.5 before, a week at 9.5 after, set point 8; sixteen days between, an ordinary holiday
    programme.read("A", hand(1, 7, 8.5) | hand(24, 30, 9.5))
    programme.derive()
    rows = programme.rows("daily_temperature", "day::VARCHAR, source, water_temp_c, se_c", "source <> 'observed'")
    assert len(rows) == 16
    assert {row[1] for row in rows} == {"modelled"}
    weight = 2 * BESIDE / (2 * BESIDE + SET_POINT)
    first_side = 8.5 + 1 / 17  # a straight line over 17 steps from 8.5 to 9.5
    assert rows[0][2] == pytest.approx(weight * first_side + (1 - weight) * 8.0, abs=MILLIONTH)
    assert rows[0][3] == pytest.approx(1 / math.sqrt(2 * BESIDE + SET_POINT), abs=MILLIONTH)


def test_a_gap_of_four_days_is_modelled_by_default_and_interpolated_by_setting(programme: Programme) -> None:
    programme.read("A", hand(1, 5, 8.0) | hand(10, 30, 8.0))
    programme.derive()
    assert programme.rows("daily_temperature", "DISTINCT source", "source <> 'observed'") == [("modelled",)]
    programme.derive(Settings(interpolate_up_to_days=4))
    assert programme.rows("daily_temperature", "DISTINCT source", "source <> 'observed'") == [("interpolated",)]


def test_days_before_the_first_and_after_the_last_reading_lean_on_one_side(programme: Programme) -> None:
    programme.read("A", hand(3, 28, 9.0))
    programme.derive()
    rows = dict(programme.rows("daily_temperature", "day::VARCHAR, water_temp_c", "source = 'modelled'"))
    assert list(rows) == ["2024-11-01", "2024-11-02", "2024-11-29", "2024-11-30"]
    level = (BESIDE * 9.0 + SET_POINT * 8.0) / (BESIDE + SET_POINT)
    assert list(rows.values()) == [pytest.approx(level, abs=MILLIONTH)] * 4


def test_a_tank_that_was_never_read_is_modelled_from_its_set_point_alone(programme: Programme) -> None:
    programme.derive()
    rows = programme.rows("daily_temperature", "DISTINCT source, water_temp_c, se_c")
    assert rows == [("modelled", 8.0, pytest.approx(0.6))]
    assert len(programme.rows("daily_temperature")) == 30  # delivery to closing, 1 to 30 November


def test_a_tank_without_readings_set_point_or_end_has_no_days(programme: Programme) -> None:
    programme.derive()
    assert programme.rows("daily_temperature", where="tank_id = 'B'") == []


def test_the_logger_is_preferred_and_hand_days_are_moved_by_the_tanks_own_offset(programme: Programme) -> None:
    logger = {f"2024-11-{day:02d}T{hour:02d}:00": 8.0 for day in range(1, 7) for hour in range(24)}
    programme.read("A", logger)
    programme.read("A", hand(1, 5, 8.6) | {"2024-11-06": 9.9, "2024-11-07": 8.8})
    programme.derive()
    # six shared days: five differences of 0.6 and one of 1.9; the median is 0.6
    assert programme.one("instrument_offsets", "instrument, shared_days, offset_c, is_applied") == (
        "thermometer",
        6,
        pytest.approx(0.6),
        True,
    )
    rows = programme.rows(
        "daily_temperature",
        "day::VARCHAR, instrument, water_temp_c, adjusted_by_c",
        "day BETWEEN '2024-11-06' AND '2024-11-07'",
    )
    assert rows == [
        ("2024-11-06", "logger", 8.0, 0.0),
        ("2024-11-07", "thermometer", pytest.approx(8.8 - 0.6), pytest.approx(0.6)),
    ]


def test_an_offset_from_fewer_than_five_days_is_shown_and_not_applied(programme: Programme) -> None:
    programme.read("A", {f"2024-11-01T{hour:02d}:00": 8.0 for hour in range(24)})
    programme.read("A", hand(1, 2, 8.6))
    programme.derive()
    assert programme.one("instrument_offsets", "shared_days, sd_c, is_applied") == (1, None, False)
    assert programme.one("daily_temperature", "water_temp_c, adjusted_by_c", "day = '2024-11-02'") == (8.6, 0.0)


def test_the_thermometer_is_preferred_to_the_controller(programme: Programme) -> None:
    programme.read("A", {"2024-11-02": 8.0}, instrument="controller")
    programme.read("A", {"2024-11-02": 9.0}, instrument="thermometer")
    programme.derive()
    assert programme.one("daily_temperature", "instrument, water_temp_c", "source = 'observed'") == (
        "thermometer",
        9.0,
    )


def test_readings_after_the_tank_was_emptied_are_not_water_of_the_eggs(programme: Programme) -> None:
    programme.read("A", {"2024-11-30": 8.0, "2024-12-01": 20.0})
    programme.derive()
    assert programme.one("daily_temperature", "max(day)::VARCHAR") == ("2024-11-30",)


def test_rises_are_between_successive_observed_days_only(programme: Programme) -> None:
    programme.read("A", hand(1, 3, 8.0) | {"2024-11-04": 9.5, "2024-11-06": 9.0} | hand(7, 30, 9.0))
    programme.derive()
    rises = dict(
        programme.rows("daily_temperature", "day::VARCHAR, rise_c", "day BETWEEN '2024-11-03' AND '2024-11-07'")
    )
    assert rises == {
        "2024-11-03": 0.0,
        "2024-11-04": 1.5,
        "2024-11-05": None,
        "2024-11-06": None,
        "2024-11-07": 0.0,
    }


def test_season_of_a_reading_follows_the_setting(programme: Programme) -> None:
    programme.read("A", {"2024-11-02": 8.0})
    programme.derive(Settings(season_start_month=11, season_start_day=3))
    # by this setting 2 November still belongs to 2023, in which tank A has no set-up
    assert programme.rows("daily_temperature", where="source = 'observed'") == []
    assert ("temperatures", 2023, "A", 1) in programme.rows(
        "orphaned_rows", "table_name, season, tank_id, orphaned_rows"
    )


def test_a_day_read_in_part_carries_an_error(programme: Programme) -> None:
    """From 14:00 to 24:00 only: what the water did before noon is not known."""
    programme.read("A", {f"2024-11-02T{hour:02d}:00": 8.0 for hour in range(14, 24)}, instrument="logger")
    programme.read("A", {f"2024-11-03T{hour:02d}:00": 8.0 for hour in range(24)}, instrument="logger")
    programme.derive()
    found = programme.rows("daily_temperature", "day::VARCHAR, source, has_gap, se_c, se_step_c2", "readings > 0")
    assert found == [("2024-11-02", "observed", True, 0.5, 0.25), ("2024-11-03", "observed", False, 0.0, 0.0)]
