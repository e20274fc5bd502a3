"""Water tests against the limits of the settings, and what else is on record of a tank. Worked out by hand."""

from __future__ import annotations

import datetime as dt

import pytest
from tests.queries.small_programme import TRUSTED, Programme

from broodyear.settings import Settings


@pytest.fixture
def tested(programme: Programme) -> Programme:
    """Tank A: ammonia 0.5, 3.0, 1.0; nitrite below the kit's limit of 0.6; pH 6.2 and 7.1."""
    tests = [
        ("2024-11-20", "total_ammonia_n", 0.5, "mg_l", False),
        ("2024-12-10", "total_ammonia_n", 3.0, "mg_l", False),
        ("2025-01-15", "total_ammonia_n", 1.0, "mg_l", False),
        ("2024-12-01", "nitrite_n", 0.6, "mg_l", True),
        ("2024-12-01", "ph", 6.2, "ph", False),
        ("2025-01-02", "ph", 7.1, "ph", False),
        ("2024-12-01", "hardness_caco3", 900.0, "mg_l", False),
    ]
    programme.add(
        "water_tests",
        *(
            {"tank_id": "A", "tested_on": day, "analyte": analyte, "value": value, "unit": unit,
             "below_detection": below}
            for day, analyte, value, unit, below in tests
        ),
    )  # fmt: skip
    programme.add(
        "incidents",
        {"tank_id": "A", "started_at": "2024-12-20 10:00", "kind": "chiller_stopped", "extreme_temp_c": 17.5},
        {"tank_id": "A", "started_at": "2025-01-20", "kind": "power_cut", "extreme_temp_c": 9.0},
    )
    programme.derive()
    return programme


def test_highest_lowest_and_latest_against_the_limits(tested: Programme) -> None:
    columns = "analyte, tests, highest, highest_on, lowest, latest, low, high, is_beyond, latest_is_beyond"
    assert tested.rows("water_extremes", columns, "tank_id = 'A'") == [
        ("hardness_caco3", 1, 900.0, dt.date(2024, 12, 1), 900.0, 900.0, None, None, False, False),
        ("nitrite_n", 1, 0.6, dt.date(2024, 12, 1), 0.6, 0.6, None, 0.5, False, False),
        ("ph", 2, 7.1, dt.date(2025, 1, 2), 6.2, 7.1, 6.5, 9.0, True, False),
        ("total_ammonia_n", 3, 3.0, dt.date(2024, 12, 10), 0.5, 1.0, None, 1.9, True, False),
    ]


def test_evidence_holds_what_lies_beyond_a_limit_and_nothing_else(tested: Programme) -> None:
    columns = (
        "ammonia_beyond_mg_l, ammonia_latest_mg_l, nitrite_beyond_mg_l, nitrite_latest_mg_l, chlorine_beyond_mg_l,"
        " ph_below, ph_above, incident_warm_c, incident_cold_c"
    )
    assert tested.rows("tank_evidence", columns, "tank_id = 'A' AND season = 2024") == [
        (3.0, 1.0, None, 0.6, None, 6.2, None, 17.5, None)
    ]


def test_a_tank_without_records_has_a_row_of_blanks(tested: Programme) -> None:
    assert tested.rows("tank_evidence", "ammonia_beyond_mg_l, handover_step_c", "tank_id = 'B'") == [(None, None)]


def found_dead(programme: Programme, *checks: tuple[str, int]) -> None:
    for day, dead in checks:
        programme.add("losses", {"tank_id": "A", "checked_on": day, "stage": "egg", "dead": dead})
    programme.derive()


INCIDENT = "incident_kind, incident_on, incident_dead, interrupted_on"


@pytest.mark.parametrize(
    ("dead", "found"),
    [
        (10, ("power_cut", dt.date(2024, 11, 10), 10)),
        (9, (None, None, None)),  # less than a tenth of the 100 eggs
    ],
)
def test_an_incident_is_named_where_a_tenth_died_within_a_week_of_it(
    programme: Programme, dead: int, found: tuple[object, ...]
) -> None:
    """Power failed on the 10th; those found on the 9th and the 17th died outside its week. Nobody wrote for how
    long it was off, nor for how long the pump stood on the 12th."""
    incident = {"tank_id": "A", "kind": "power_cut", "started_at": "2024-11-10"}
    programme.add("incidents", incident, incident | {"started_at": "2024-11-12", "kind": "pump_stopped"})
    found_dead(programme, ("2024-11-09", 30), ("2024-11-10", dead - 2), ("2024-11-16", 2), ("2024-11-17", 5))
    assert programme.one("tank_evidence", INCIDENT, "tank_id = 'A'") == (*found, dt.date(2024, 11, 10))


def test_a_water_change_and_an_interruption_of_known_length_are_no_sudden_incident(programme: Programme) -> None:
    """Deaths bring people to change water; two hours without a pump stand among the hours interrupted."""
    incident = {"tank_id": "A", "started_at": "2024-11-10 10:00"}
    programme.add("incidents", incident | {"kind": "water_change", "water_changed_pct": 50})
    programme.add("incidents", incident | {"kind": "pump_stopped", "ended_at": "2024-11-10 12:00"})
    found_dead(programme, ("2024-11-09", 0), ("2024-11-18", 40))
    assert programme.one("tank_evidence", INCIDENT, "tank_id = 'A'") == (None, None, None, None)


def test_the_warmest_reading_above_the_limit_has_its_day(programme: Programme) -> None:
    """Read by hand from delivery on 1 November until the tank was emptied on the 30th."""
    programme.read("A", {"2024-10-31": 16.0, "2024-11-06": 14.5, "2024-11-08": 14.5, "2024-11-30": 15.0})
    programme.derive()
    columns = "warm_read_c, warm_read_on, warm_limit_c"
    assert programme.one("tank_evidence", columns, "tank_id = 'A'") == (14.5, dt.date(2024, 11, 6), 13.0)
    programme.derive(Settings(acknowledged=TRUSTED, warm_limit_c=14.5))
    assert programme.one("tank_evidence", columns, "tank_id = 'A'") == (None, None, 14.5)


def test_a_week_that_took_most_of_the_dead_has_its_days(programme: Programme) -> None:
    """100 eggs: 12 of 20 dead from the 12th to the 14th; a look on the 16th found none."""
    found_dead(
        programme, ("2024-11-04", 8), ("2024-11-11", 0), ("2024-11-12", 5), ("2024-11-14", 7), ("2024-11-16", 0)
    )
    columns = "spell_dead, spell_of, spell_from, spell_to"
    assert programme.rows("tank_evidence", columns, "tank_id = 'A' AND season = 2024") == [
        (12, 20, dt.date(2024, 11, 12), dt.date(2024, 11, 14))
    ]


@pytest.mark.parametrize(("first", "spell"), [(20, 20), (19, None)])
def test_a_fifth_of_the_eggs_is_a_spell_as_it_is_a_large_loss(
    programme: Programme, first: int, spell: int | None
) -> None:
    """Of 100 eggs 20 and, eight days on, 19 of the rest: neither week took most of the dead."""
    found_dead(programme, ("2024-11-03", 0), ("2024-11-04", first), ("2024-11-11", 0), ("2024-11-12", 19))
    where = "tank_id = 'A' AND season = 2024"
    assert programme.one("tank_evidence", "spell_dead", where) == (spell,)
    assert programme.rows("large_losses", "week_dead", where) == ([(spell,)] if spell else [])


@pytest.mark.parametrize(
    "checks",
    [
        (("2024-11-03", 0), ("2024-11-04", 10), ("2024-11-11", 0), ("2024-11-12", 10)),  # half, not most
        (("2024-11-11", 0), ("2024-11-12", 9)),  # less than a tenth of the eggs
        (("2024-11-04", 0), ("2024-11-12", 40)),  # nobody had looked for eight days
        (("2024-11-12", 40),),  # nobody had looked at all
    ],
)
def test_other_losses_are_no_short_spell(programme: Programme, checks: tuple[tuple[str, int], ...]) -> None:
    found_dead(programme, *checks)
    assert programme.rows("tank_evidence", "spell_dead, spell_from", "tank_id = 'A' AND season = 2024") == [
        (None, None)
    ]


@pytest.mark.parametrize(("eggs", "dead", "spell"), [(60, 9, None), (60, 10, 10), (120, 11, None), (20, 4, 4)])
def test_a_spell_is_ten_dead_and_a_tenth_of_the_eggs_or_a_fifth_of_them(
    programme: Programme, eggs: int, dead: int, spell: int | None
) -> None:
    delivery = {"tank_id": "B", "batch_id": "B1", "delivered_on": "2024-11-01", "stage_at_delivery": "eyed"}
    programme.add("deliveries", delivery | {"eggs_live": eggs})
    for day, number in (("2024-11-03", 0), ("2024-11-04", dead)):
        programme.add("losses", {"tank_id": "B", "checked_on": day, "stage": "egg", "dead": number})
    programme.derive()
    assert programme.one("tank_evidence", "spell_dead", "tank_id = 'B'") == (spell,)


def test_the_largest_step_at_the_hand_over_counts_either_way(programme: Programme) -> None:
    for day, box, tank in (("2024-11-08", 8.0, 10.0), ("2024-11-09", 9.0, 4.5), ("2024-11-10", None, 20.0)):
        programme.add(
            "deliveries",
            {"tank_id": "B", "batch_id": "B1", "delivered_on": day, "stage_at_delivery": "eyed", "eggs_live": 50,
             "box_temp_c": box, "tank_temp_c": tank},
        )  # fmt: skip
    programme.derive()
    assert programme.rows("tank_evidence", "handover_step_c", "tank_id = 'B'") == [(-4.5,)]


def test_limits_are_the_programmes(tested: Programme) -> None:
    tested.derive(Settings(total_ammonia_limit_mg_l=5.0, ph_low_limit=6.0))
    assert tested.rows("water_extremes", "analyte", "is_beyond") == []
