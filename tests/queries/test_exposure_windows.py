"""Exposure windows by thermal units, worked out by hand."""

from __future__ import annotations

import datetime as dt

import pytest
from tests.queries.small_programme import TRUSTED, Programme

from broodyear.settings import Settings, Species

MILLIONTH = 1e-6


def constant(days: int, temp: float = 8.0) -> dict[str, float]:
    """A hand reading every day from 1 November on."""
    return {str(dt.date(2024, 11, 1) + dt.timedelta(days=number)): temp for number in range(days)}


def keep_open_until(programme: Programme, closed_on: str) -> None:
    programme.connection.execute("UPDATE received_setups SET closed_on = ? WHERE tank_id = 'A'", [closed_on])


def test_windows_end_where_the_units_say(programme: Programme) -> None:
    """Chinook at 8 °C from 300 units at noon on 1 November.

    End of day k: 300 + 4 + 8 (k − 1). Hatch at 568: 304 + 8 × 33 = 568 on day 34 = 4 December. Button-up at 968:
    304 + 8 × 83 = 968 on day 84 = 23 January. Release at 1368: day 134 = 14 March.
    """
    keep_open_until(programme, "2025-04-30")
    programme.read("A", constant(181))
    programme.derive()
    rows = programme.rows(
        "exposure_windows", "exposure_window, starts_on::VARCHAR, ends_on::VARCHAR, days, is_cut_short"
    )
    assert rows == [
        ("after_hatch", "2024-12-05", "2025-03-14", 100, False),
        ("alevin", "2024-12-05", "2025-01-23", 50, False),
        ("egg", "2024-11-01", "2024-12-04", 34, False),
        ("fry", "2025-01-24", "2025-03-14", 50, False),
        ("whole", "2024-11-01", "2025-03-14", 134, False),
    ]
    assert programme.rows("exposure_windows", "DISTINCT mean_water_temp_c, sd_daily_mean_c, usable, note") == [
        (8.0, 0.0, True, None)
    ]


def test_windows_do_not_move_with_the_observed_hatch(programme: Programme) -> None:
    keep_open_until(programme, "2025-04-30")
    programme.read("A", constant(181))
    programme.derive()
    before = programme.rows("exposure_windows")
    programme.add("stages", {"tank_id": "A", "stage": "hatch_all", "first_seen_on": "2024-11-20"})
    programme.derive()
    assert programme.rows("exposure_windows") == before


def test_measures_by_hand(programme: Programme) -> None:
    """Five days, then the tank is emptied; four readings at six-hour steps on each of them."""
    keep_open_until(programme, "2024-11-05")
    days = {1: (7, 8, 9, 8), 2: (7, 8, 9, 8), 3: (10, 14, 14, 10), 4: (7, 8, 9, 8), 5: (3, 3, 3, 3)}
    for day, temps in days.items():
        moments = [f"2024-11-{day:02d}T{hour:02d}:00" for hour in (0, 6, 12, 18)]
        programme.read("A", dict(zip(moments, map(float, temps), strict=True)))
    programme.derive()
    found = programme.one(
        "exposure_windows",
        "days, mean_water_temp_c, sd_daily_mean_c, mean_daily_range_c, largest_daily_range_c, largest_rise_24h_c,"
        " largest_fall_24h_c, days_with_hours, hours_above_warm, hours_below_cold, max_7day_mean_of_daily_max_c,"
        " is_cut_short, note",
        "exposure_window = 'egg'",
    )
    # daily means 8, 8, 12, 8, 3: mean 39 / 5 = 7.8; squares about it 0.04 + 0.04 + 17.64 + 0.04 + 23.04 = 40.8
    assert found == (
        5,
        7.8,
        pytest.approx((40.8 / 4) ** 0.5, abs=MILLIONTH),
        2.0,  # ranges 2, 2, 4, 2, 0
        4.0,
        4.0,  # 8 to 12
        5.0,  # 8 to 3
        5,
        12.0,  # two readings of six hours above 13 °C
        24.0,  # a whole day below 4 °C
        None,  # there are no seven days
        True,
        "window cut short: the tank was emptied, or its records end, before",
    )


def test_seven_day_mean_of_daily_maxima(programme: Programme) -> None:
    keep_open_until(programme, "2024-11-08")
    for day, warmest in enumerate([9, 9, 9, 9, 9, 9, 9, 16], start=1):
        moments = [f"2024-11-{day:02d}T{hour:02d}:00" for hour in (0, 6, 12, 18)]
        programme.read("A", dict(zip(moments, [8.0, 8.0, float(warmest), 8.0], strict=True)))
    programme.derive()
    # days 1 to 7: 9; days 2 to 8: (6 × 9 + 16) / 7 = 10
    assert programme.one("exposure_windows", "max_7day_mean_of_daily_max_c", "exposure_window = 'egg'") == (10.0,)


def test_one_reading_a_day_gives_a_mean_and_no_hours(programme: Programme) -> None:
    programme.read("A", constant(30, 14.0))
    programme.derive()
    found = programme.one(
        "exposure_windows",
        "mean_water_temp_c, mean_daily_range_c, days_with_hours, hours_above_warm, hours_below_cold",
        "exposure_window = 'egg'",
    )
    assert found == (14.0, None, 0, None, None)


def test_too_many_days_not_read_give_no_exposure(programme: Programme) -> None:
    """30 days: 17 read, 3 interpolated, 10 modelled (a third); then 12 read, 18 modelled."""
    readings = {
        day: temp for day, temp in constant(30).items() if day not in {"2024-11-05", "2024-11-06", "2024-11-07"}
    }
    some = {day: temp for day, temp in readings.items() if not "2024-11-15" <= day <= "2024-11-24"}
    programme.read("A", some)
    programme.derive()
    shares = "observed_pct, interpolated_pct, modelled_pct, missing_pct, usable, usable_for_validation"
    found = programme.one("exposure_windows", shares, "exposure_window = 'whole'")
    assert found == (
        pytest.approx(100 * 17 / 30),
        pytest.approx(10.0),
        pytest.approx(100 * 10 / 30),
        0.0,
        True,
        False,
    )
    programme.connection.execute("DELETE FROM received_temperatures WHERE read_at >= '2024-11-25'")
    programme.derive()
    usable, note = programme.one("exposure_windows", "usable, note", "exposure_window = 'whole'")
    assert (usable, note) == (False, "too few days read")


def test_shares_sum_to_all_days(programme: Programme) -> None:
    programme.read(
        "A", {day: temp for day, temp in constant(30).items() if not day.endswith(("3", "4", "17", "18"))}
    )
    programme.derive()
    for shares in programme.rows(
        "exposure_windows", "observed_pct + interpolated_pct + modelled_pct + missing_pct", "days > 0"
    ):
        assert shares == (pytest.approx(100.0),)


def test_a_window_never_reached_has_a_row_that_says_so(programme: Programme) -> None:
    programme.read("A", constant(30))
    programme.derive()
    found = programme.one("exposure_windows", "days, mean_water_temp_c, usable, note", "exposure_window = 'fry'")
    assert found == (0, None, False, "the tank ended before this window")


@pytest.mark.parametrize(
    ("change", "note"),
    [
        ("received_deliveries SET thermal_units_at_delivery = NULL", "thermal units at delivery not known"),
        (
            "received_deliveries SET stage_at_delivery = 'alevin', thermal_units_at_delivery = 600",
            "delivered as alevins",
        ),
        (
            "received_batches SET species = 'other'",
            "no nominal thermal units for this species: declare them in the settings",
        ),
        (
            "received_deliveries SET thermal_units_at_delivery = 960",
            "thermal units at delivery in doubt: looks_fahrenheit_units",
        ),
    ],
)
def test_why_there_is_no_egg_window(programme: Programme, change: str, note: str) -> None:
    programme.connection.execute(f"UPDATE {change}")
    programme.read("A", constant(30))
    programme.derive()
    assert programme.one("exposure_windows", "usable, note", "exposure_window = 'egg'") == (False, note)


def test_a_declared_species_has_the_windows_of_its_units(programme: Programme) -> None:
    programme.connection.execute("UPDATE received_batches SET species = 'grayling'")
    programme.read("A", constant(30))
    programme.derive(Settings(acknowledged=TRUSTED, species=(Species("grayling", 400.0, 700.0, 1000.0),)))
    assert programme.rows("species_stage_units", "stage, units_c_days, trust", "species = 'grayling'") == [
        ("button_up", 700.0, "DECLARED"),
        ("eyed", 200.0, "DERIVED"),
        ("hatch", 400.0, "DECLARED"),
        ("release", 1000.0, "DECLARED"),
    ]
    units = programme.one("thermal_units", "min(day) FILTER (WHERE units_c_days >= 400)")
    assert programme.one("exposure_windows", "ends_on", "exposure_window = 'egg'") == units


def test_own_units_of_a_listed_species_stand_in_place_of_published_ones(programme: Programme) -> None:
    programme.derive(Settings(species=(Species("chinook", 520.0, 900.0, 1300.0),)))
    found = programme.rows("species_stage_units", "stage, units_c_days", "species = 'chinook'")
    assert found == [("button_up", 900.0), ("eyed", 260.0), ("hatch", 520.0), ("release", 1300.0)]


def test_interruptions_count_inside_the_window_and_only_with_hours(programme: Programme) -> None:
    programme.read("A", constant(30))
    programme.add(
        "incidents",
        # from six hours before the delivery day: 10 h of it lie in the window
        {"tank_id": "A", "kind": "power_cut", "started_at": "2024-10-31T18:00", "ended_at": "2024-11-01T10:00"},
        {"tank_id": "A", "kind": "pump_stopped", "started_at": "2024-11-10T08:00", "ended_at": "2024-11-10T09:30"},
        {"tank_id": "A", "kind": "chiller_stopped", "started_at": "2024-11-12", "ended_at": "2024-11-13"},
        {"tank_id": "A", "kind": "water_change", "started_at": "2024-11-14T08:00", "ended_at": "2024-11-14T09:00"},
    )
    programme.derive()
    found = programme.one(
        "exposure_windows", "hours_interrupted, interruptions_of_unknown_length", "exposure_window = 'egg'"
    )
    assert found == (11.5, 1)


def test_no_delivery_gives_no_window(programme: Programme) -> None:
    programme.derive()
    assert programme.rows("exposure_windows", where="tank_id = 'B'") == []


def test_limits_are_settings(programme: Programme) -> None:
    keep_open_until(programme, "2024-11-01")
    programme.read("A", {f"2024-11-01T{hour:02d}:00": 8.0 for hour in (0, 6, 12, 18)})
    programme.derive(Settings(warm_limit_c=7.0, cold_limit_c=9.0))
    found = programme.one("exposure_windows", "hours_above_warm, hours_below_cold", "exposure_window = 'egg'")
    assert found == (24.0, 24.0)


def test_every_species_has_every_stage_in_order(programme: Programme) -> None:
    programme.derive()
    rows = programme.rows("species_stage_units", "species, units_c_days, stage, source, trust")
    by_species: dict[str, list[str]] = {}
    for species, _, stage, source, trust in rows:
        by_species.setdefault(species, []).append(stage)
        assert source
        assert trust in {"SEEN", "SEEN-2", "MEMORY", "MEMORY-LOW", "DERIVED", "PRACTICE"}
    assert set(map(tuple, by_species.values())) == {("eyed", "hatch", "button_up", "release")}
