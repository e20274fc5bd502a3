"""Thermal units since fertilisation, against tables worked out by hand."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from tests.queries.small_programme import Programme

MILLIONTH = 1e-6

# Leitritz & Lewis 1976 (data back to Embody 1934): days to hatch and °F units at constant temperature.
HANDBOOK = Path(__file__).parents[1] / "golden" / "queries" / "handbook_days_to_hatch.csv"


def november(temp: float) -> dict[str, float]:
    return {f"2024-11-{day:02d}": temp for day in range(1, 31)}


def test_units_by_hand(programme: Programme) -> None:
    """Delivered at noon on the 1st with 300 units; 8.0, 9.0 and 7.5 °C follow."""
    programme.read("A", {"2024-11-01": 8.0, "2024-11-02": 9.0, "2024-11-03": 7.5})
    programme.derive()
    rows = programme.rows(
        "thermal_units",
        "day::VARCHAR, day_share, days_since_delivery, units_since_delivery_c_days, units_c_days,"
        " units_with_delivery_day_c_days, units_without_delivery_day_c_days",
        "day <= '2024-11-03'",
    )
    assert rows == [
        # half of 8; the whole of it; none of it
        ("2024-11-01", 0.5, 0.5, 4.0, 304.0, 308.0, 300.0),
        ("2024-11-02", 1.0, 1.5, 13.0, 313.0, 317.0, 309.0),
        ("2024-11-03", 1.0, 2.5, 20.5, 320.5, 324.5, 316.5),
    ]


@pytest.mark.parametrize(
    ("delivered_on", "share"),
    [
        ("2024-11-01T06:00", 0.75),
        ("2024-11-01T00:00", 1.0),
        ("2024-11-01T23:59:59", 1 / 86400),
        ("2024-11-01", 0.5),
    ],
)
def test_delivery_day_counts_by_what_was_left_of_it(programme: Programme, delivered_on: str, share: float) -> None:
    programme.connection.execute("DELETE FROM received_deliveries")
    programme.add(
        "deliveries",
        {
            "tank_id": "A",
            "batch_id": "B1",
            "delivered_on": delivered_on,
            "stage_at_delivery": "eyed",
            "thermal_units_at_delivery": 300.0,
            "eggs_live": 100,
        },
    )
    programme.read("A", november(8.0))
    programme.derive()
    found = programme.one("thermal_units", "day_share, units_c_days", "day = '2024-11-01'")
    assert found == (pytest.approx(share), pytest.approx(300.0 + share * 8.0, abs=MILLIONTH))


def test_nine_hundred_fahrenheit_units_are_five_hundred(programme: Programme) -> None:
    programme.connection.execute(
        "UPDATE received_deliveries SET thermal_units_at_delivery = 900.0, thermal_unit = 'f_days'"
    )
    programme.derive()
    assert programme.one("staged_deliveries", "units_at_delivery_c_days, units_source") == (500.0, "recorded")


def test_handbook_days_times_degrees_are_its_units(programme: Programme) -> None:
    """Days at a constant temperature, read in °F, sum to the handbook's °F units ÷ 1.8: one tank for each row."""
    rows = list(csv.DictReader(HANDBOOK.read_text(encoding="utf-8").splitlines()))
    rows = [row for row in rows if row["TU_F32_published"]]
    assert len(rows) == 18
    for number, row in enumerate(rows):
        assert int(row["days"]) * (float(row["temp_F"]) - 32.0) == float(row["TU_F32_published"])
        _incubate(programme, f"H{number}", int(row["days"]), float(row["temp_F"]))
    programme.derive()
    found = dict(
        programme.rows("thermal_units", "tank_id, max(units_c_days)", "source = 'observed' GROUP BY tank_id")
    )
    for number, row in enumerate(rows):
        expected = float(row["TU_F32_published"]) / 1.8
        assert found[f"H{number}"] == pytest.approx(expected, abs=int(row["days"]) * MILLIONTH), row


def _incubate(programme: Programme, tank_id: str, days: int, temp_f: float) -> None:
    """Fertilised eggs delivered at midnight, read once a day for ``days`` days."""
    programme.add("setups", {"season": 2024, "tank_id": tank_id, "site_id": "S1", "closed_on": "2025-07-30"})
    programme.add(
        "deliveries",
        {
            "tank_id": tank_id,
            "batch_id": "B1",
            "delivered_on": "2024-11-01T00:00",
            "stage_at_delivery": "green",
            "thermal_units_at_delivery": 0.0,
            "eggs_live": 100,
        },
    )
    programme.connection.execute(
        "INSERT INTO received_temperatures"
        " (tank_id, read_at, read_at_has_hour, water_temp, unit, instrument, upload, line)"
        " SELECT ?, DATE '2024-11-01' + day::INTEGER, false, ?, 'F', 'thermometer', 1, day FROM range(?) t(day)",
        [tank_id, temp_f, days],
    )


def test_no_units_below_freezing(programme: Programme) -> None:
    programme.read("A", {"2024-11-01": 8.0, "2024-11-02": -0.5, "2024-11-03": 1.0})
    programme.derive()
    units = programme.rows("thermal_units", "units_since_delivery_c_days", "day <= '2024-11-03'")
    assert units == [(4.0,), (4.0,), (5.0,)]


def test_units_not_known_stay_unknown_and_the_rest_is_counted(programme: Programme) -> None:
    programme.connection.execute("UPDATE received_deliveries SET thermal_units_at_delivery = NULL")
    programme.read("A", november(8.0))
    programme.derive()
    assert programme.one("thermal_units", "units_c_days, units_since_delivery_c_days", "day = '2024-11-02'") == (
        None,
        12.0,
    )


def test_units_from_spawning_date_and_hatchery_temperature(programme: Programme) -> None:
    programme.connection.execute(
        "UPDATE received_deliveries SET thermal_units_at_delivery = NULL, hatchery_temp_c = 10.0"
    )
    programme.connection.execute("UPDATE received_batches SET spawned_on = '2024-10-02'")
    programme.derive()
    # 30 days from 2 October to 1 November at 10 °C
    assert programme.one("staged_deliveries", "units_at_delivery_c_days, units_source") == (300.0, "from_spawning")


def test_green_eggs_delivered_on_their_spawning_day_start_at_nought(programme: Programme) -> None:
    programme.connection.execute(
        "UPDATE received_deliveries SET thermal_units_at_delivery = NULL, stage_at_delivery = 'green'"
    )
    programme.connection.execute("UPDATE received_batches SET spawned_on = '2024-11-01'")
    programme.read("A", november(8.0))
    programme.derive()
    assert programme.one("thermal_units", "units_c_days", "day = '2024-11-01'") == (4.0,)


def test_two_batches_in_one_tank_count_each_from_its_own_delivery(programme: Programme) -> None:
    programme.add("batches", {"batch_id": "B2", "donor_stock": "D2", "species": "coho", "brood_year": 2024})
    programme.add(
        "deliveries",
        {
            "tank_id": "A",
            "batch_id": "B2",
            "delivered_on": "2024-11-03T18:00",
            "stage_at_delivery": "eyed",
            "thermal_units_at_delivery": 250.0,
            "eggs_live": 150,
        },
    )
    programme.read("A", {"2024-11-01": 8.0, "2024-11-02": 9.0, "2024-11-03": 10.0, "2024-11-04": 6.0})
    programme.derive()
    units = programme.rows("thermal_units", "batch_id, units_c_days", "day = '2024-11-04'")
    # B1: 300 + 4 + 9 + 10 + 6; B2: 250 + a quarter of 10 + 6
    assert units == [("B1", 329.0), ("B2", 258.5)]
    eggs = programme.one("tank_eggs", "batch_id, batches, eggs, main_batch_pct, first_delivered_on::VARCHAR")
    assert eggs == ("B2", 2, 250, 60.0, "2024-11-01")


def test_error_of_days_not_read_adds_up_within_a_gap(programme: Programme) -> None:
    programme.read("A", {f"2024-11-{day:02d}": 8.0 for day in [1, 2, 3, 8, 9]})
    programme.derive()
    se = programme.one("daily_temperature", "any_value(se_c)", "source = 'modelled' AND day < '2024-11-08'")[0]
    rows = dict(programme.rows("thermal_units", "day::VARCHAR, se_units_c_days", "day <= '2024-11-09'"))
    assert rows["2024-11-03"] == 0.0
    # the same error on each of four days of one gap: 1, 2, 3, 4 times it
    assert rows["2024-11-05"] == pytest.approx(2 * se, abs=1e-3)
    assert rows["2024-11-07"] == rows["2024-11-09"] == pytest.approx(4 * se, abs=1e-3)
