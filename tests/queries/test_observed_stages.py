"""Development events as intervals of days after delivery."""

from __future__ import annotations

import math

import pandas as pd
import pytest
from tests.queries.small_programme import TRUSTED, Programme

from broodyear.settings import Settings


def read_all_november(programme: Programme) -> None:
    programme.read("A", {f"2024-11-{day:02d}": 8.0 for day in range(1, 31)})


def test_dates_count_to_the_end_of_their_day(programme: Programme) -> None:
    """Delivered at noon on the 1st: that day ends half a day later, the 10th nine and a half days later."""
    read_all_november(programme)
    programme.add(
        "stages",
        {"tank_id": "A", "stage": "hatch_half", "last_absent_on": "2024-11-08", "first_seen_on": "2024-11-10"},
    )
    programme.derive()
    found = programme.one(
        "observed_stages", "batch_id, species, absent_day, seen_day, not_read_pct, usable, why_not"
    )
    assert found == ("B1", "chinook", 7.5, 9.5, 0.0, True, None)


def test_the_axis_is_that_of_thermal_units(programme: Programme) -> None:
    read_all_november(programme)
    programme.add("stages", {"tank_id": "A", "stage": "hatch_half", "first_seen_on": "2024-11-10"})
    programme.derive()
    seen = programme.one("observed_stages", "seen_day")
    assert programme.one("thermal_units", "days_since_delivery", "day = '2024-11-10'") == seen


@pytest.mark.parametrize("last_absent_on", [None, "2024-10-31", "2024-10-01"])
def test_nobody_looked_since_delivery(programme: Programme, last_absent_on: str | None) -> None:
    read_all_november(programme)
    programme.add(
        "stages",
        {"tank_id": "A", "stage": "hatch_half", "last_absent_on": last_absent_on, "first_seen_on": "2024-11-10"},
    )
    programme.derive()
    assert programme.one("observed_stages", "absent_day, seen_day, usable") == (0.0, 9.5, True)


def test_seen_on_the_delivery_day(programme: Programme) -> None:
    read_all_november(programme)
    programme.add("stages", {"tank_id": "A", "stage": "hatch_first", "first_seen_on": "2024-11-01"})
    programme.derive()
    assert programme.one("observed_stages", "absent_day, seen_day, usable") == (0.0, 0.5, True)


@pytest.mark.parametrize(
    ("row", "why_not"),
    [
        ({"dating": "copied_from_forecast"}, "copied from a forecast"),
        ({"dating": "inferred"}, "inferred, not seen"),
        ({"first_seen_on": "2024-10-30"}, "seen before delivery"),
        ({"stage": "eyed"}, "delivered already eyed"),
    ],
)
def test_why_a_record_is_not_usable(programme: Programme, row: dict[str, str], why_not: str) -> None:
    read_all_november(programme)
    programme.add("stages", {"tank_id": "A", "stage": "hatch_half", "first_seen_on": "2024-11-10"} | row)
    programme.derive()
    assert programme.one("observed_stages", "usable, why_not") == (False, why_not)


def test_a_gap_is_kept_and_its_error_is_told(programme: Programme) -> None:
    """Four days between weeks at 8 °C and a set point: their level is known to 1 / √(2 / 0.4² + 1 / 0.6²) °C."""
    programme.read("A", {f"2024-11-{day:02d}": 8.0 for day in [1, 2, 3, 8, 9, 10, 11]})
    programme.add("stages", {"tank_id": "A", "stage": "hatch_half", "first_seen_on": "2024-11-10"})
    programme.derive()
    found = programme.one(
        "observed_stages", "not_read_pct, usable, gap_from::VARCHAR, gap_to::VARCHAR, readings_wanted"
    )
    assert found == (40.0, True, "2024-11-04", "2024-11-07", 0)
    level_c = 1 / math.sqrt(2 / 0.4**2 + 1 / 0.6**2)
    errors = programme.one("observed_stages", "se_units_c_days, gap_se_days")
    assert errors == (pytest.approx(4 * level_c, abs=1e-4), pytest.approx(4 * level_c / 8.0, abs=1e-4))


def test_a_tank_read_on_school_days_keeps_its_button_up_over_two_holidays(programme: Programme) -> None:
    """Seventeen and nine days without a reading, and twelve weekends, in 116 days at 8 °C: the errors are
    17 and 9 times 0.2558 °C, and twelve of 2 times √(0.5 / 4 + 0.04 / 2) °C: 5.58 units together, 0.70 days."""
    programme.connection.execute("UPDATE received_setups SET closed_on = DATE '2025-03-31' WHERE tank_id = 'A'")
    school = pd.bdate_range("2024-11-01", "2025-02-24")
    holidays = ((school >= "2024-12-20") & (school <= "2025-01-05")) | (
        (school >= "2025-02-15") & (school <= "2025-02-23")
    )
    programme.read("A", {f"{day:%Y-%m-%d}": 8.0 for day in school[~holidays]})
    programme.add(
        "stages",
        {"tank_id": "A", "stage": "button_up", "last_absent_on": "2025-02-14", "first_seen_on": "2025-02-24"},
    )
    programme.derive()
    found = programme.one(
        "observed_stages", "not_read_pct, gap_se_days, usable, gap_from::VARCHAR, gap_to::VARCHAR"
    )
    level_c = 1 / math.sqrt(2 / 0.4**2 + 1 / 0.6**2)
    error = math.sqrt((17 * level_c) ** 2 + (9 * level_c) ** 2 + 12 * 4 * (0.5 / 4 + 0.04 / 2))
    assert found == (
        pytest.approx(100 * 26 / 116), pytest.approx(error / 8.0, abs=0.001), True, "2024-12-20", "2025-01-05",
    )  # fmt: skip


def test_too_large_an_error_of_days_not_read(programme: Programme) -> None:
    """Two days at 4 °C and no more, set point 8 °C: 28 days at 5.23 °C known to 0.333 °C, 152.5 units in 29.5
    days: 9.32 / 5.17 = 1.80 days. Where one day is allowed, 1.80² parts are 4, which 3 readings make."""
    programme.read("A", {"2024-11-01": 4.0, "2024-11-02": 4.0})
    programme.add("stages", {"tank_id": "A", "stage": "hatch_half", "first_seen_on": "2024-11-30"})
    programme.derive(Settings(acknowledged=TRUSTED, validation_max_gap_se_days=1.0))
    found = programme.one(
        "observed_stages", "gap_se_days, usable, why_not, gap_from::VARCHAR, gap_to::VARCHAR, readings_wanted"
    )
    assert found == (
        pytest.approx(1.803, abs=0.001), False, "too many days without readings", "2024-11-03", "2024-11-30", 3,
    )  # fmt: skip


def test_no_temperature_at_all(programme: Programme) -> None:
    programme.connection.execute("UPDATE received_setups SET set_point_c = NULL")
    programme.add("stages", {"tank_id": "A", "stage": "hatch_half", "first_seen_on": "2024-11-10"})
    programme.derive()
    found = programme.one("observed_stages", "gap_se_days, usable, why_not, gap_from, readings_wanted")
    assert found == (None, False, "too many days without readings", None, None)


def test_eggs_of_two_batches_and_units_not_known(programme: Programme) -> None:
    read_all_november(programme)
    programme.add("stages", {"tank_id": "A", "stage": "hatch_half", "first_seen_on": "2024-11-10"})
    programme.connection.execute("UPDATE received_deliveries SET thermal_units_at_delivery = NULL")
    programme.derive()
    assert programme.one("observed_stages", "why_not") == ("thermal units at delivery not known",)
    programme.add("batches", {"batch_id": "B2", "donor_stock": "D2", "species": "chinook", "brood_year": 2024})
    programme.add(
        "deliveries",
        {
            "tank_id": "A",
            "batch_id": "B2",
            "delivered_on": "2024-11-02",
            "stage_at_delivery": "eyed",
            "eggs_live": 10,
        },
    )
    programme.derive()
    assert programme.one("observed_stages", "batch_id, why_not") == ("B1", "eggs of more than one batch")


def test_an_event_in_a_tank_without_delivery_is_kept(programme: Programme) -> None:
    programme.add("stages", {"tank_id": "B", "stage": "hatch_half", "first_seen_on": "2024-11-10"})
    programme.derive()
    assert programme.one("observed_stages", "absent_day, seen_day, usable, why_not") == (
        0.0,
        None,
        False,
        "no delivery recorded",
    )


def test_a_second_season_has_its_own_row(programme: Programme) -> None:
    programme.add("setups", {"season": 2025, "tank_id": "A", "site_id": "S1"})
    programme.add(
        "stages",
        {"tank_id": "A", "stage": "hatch_half", "first_seen_on": "2024-11-10"},
        {"tank_id": "A", "stage": "hatch_half", "first_seen_on": "2025-11-10"},
    )
    programme.derive()
    assert programme.rows("observed_stages", "season, first_seen_on::VARCHAR") == [
        (2024, "2024-11-10"),
        (2025, "2025-11-10"),
    ]
