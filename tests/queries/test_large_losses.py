"""Large losses that plain counts show, and the week in which most were found dead. Worked out by hand."""

from __future__ import annotations

import datetime as dt

import pytest
from tests.queries.small_programme import Programme

_EGGS = {"batch_id": "B1", "stage_at_delivery": "eyed", "delivered_on": "2024-11-01"}


def tanks_with(programme: Programme, left: dict[str, int | None], batch: str = "B1", eggs: int = 100) -> None:
    """Tanks of site S1 that got these eggs in 2024, and how many fish each released; None where nobody counted."""
    for code, fish in left.items():
        programme.add("tanks", {"tank_id": code})
        programme.add(
            "setups",
            {
                "season": 2024,
                "tank_id": code,
                "site_id": "S1",
                "room_type": "classroom",
                "gravel_practice": "bare",
            },
        )
        programme.add("deliveries", _EGGS | {"tank_id": code, "batch_id": batch, "eggs_live": eggs})
        if fish is not None:
            programme.add("exits", {"tank_id": code, "exited_on": "2025-04-01", "fate": "released", "count": fish})


def found_dead(programme: Programme, tank_id: str, checks: dict[str, int], stage: str = "alevin") -> None:
    for day, dead in checks.items():
        programme.add("losses", {"tank_id": tank_id, "checked_on": day, "stage": stage, "dead": dead})


def test_the_week_that_took_most_has_its_days_and_what_was_on_record_then(programme: Programme) -> None:
    """27 of 100 within seven days, 20 of them on the 10th; the pump stopped that day, the leak was five days
    before the first of them, the water was changed because of them, and the power cut came after the last."""
    tanks_with(programme, {"C": 70})
    found_dead(programme, "C", {"2025-02-20": 0, "2025-02-26": 1, "2025-03-04": 2, "2025-03-06": 3})
    found_dead(programme, "C", {"2025-03-10": 20, "2025-03-11": 4})
    incidents = {"2025-03-01": "leak", "2025-03-10 09:00": "pump_stopped", "2025-03-11": "water_change"}
    incidents["2025-03-12"] = "power_cut"
    for moment, kind in incidents.items():
        programme.add("incidents", {"tank_id": "C", "started_at": moment, "kind": kind})
    programme.add(
        "incidents",
        {"tank_id": "C", "started_at": "2025-02-01", "ended_at": "2025-03-02", "kind": "overheated"},
    )
    programme.derive()
    day = dt.date
    columns = "week_dead, week_from, week_to, most_dead, most_on"
    assert programme.rows("worst_weeks", columns) == [
        (27, day(2025, 3, 6), day(2025, 3, 11), 20, day(2025, 3, 10))
    ]
    columns = "week_dead, week_pct, week_from, week_to, incidents, incidents_from, compared_with, lost_pct"
    assert programme.rows("large_losses", columns) == [
        (27, 27.0, day(2025, 3, 6), day(2025, 3, 11), "pump_stopped", day(2025, 3, 10), None, 30.0)
    ]
    found_dead(programme, "C", {"2025-03-05": 0})
    programme.add("incidents", {"tank_id": "C", "started_at": "2025-03-03", "kind": "overfed"})
    programme.derive()
    assert programme.one("large_losses", "incidents, incidents_from") == (
        "overfed pump_stopped",
        day(2025, 3, 3),
    )


@pytest.mark.parametrize(
    ("checks", "week"),
    [
        ({"2024-11-08": 20}, 20),  # a week after the eggs came, a fifth of them
        ({"2024-11-08": 19}, None),
        ({"2024-11-09": 20}, None),  # eight days after them, nobody had looked
        ({"2024-11-05": 10, "2024-11-11": 10}, 20),
        ({"2024-11-20": 9, "2024-11-21": 20}, 20),  # the nine may have died weeks before
        ({"2024-11-05": 10, "2024-11-12": 10}, None),  # eight days from the first to the last
        ({"2024-11-08": 111}, None),  # more than there were
    ],
)
def test_a_fifth_of_the_eggs_within_a_week_is_a_large_loss(
    programme: Programme, checks: dict[str, int], week: int | None
) -> None:
    tanks_with(programme, {"C": None})
    found_dead(programme, "C", checks, "egg")
    programme.derive()
    assert programme.rows("large_losses", "week_dead, left_pct") == ([(week, None)] if week else [])


def test_far_fewer_left_than_in_half_of_the_tanks_of_the_batch(programme: Programme) -> None:
    """Half of four kept 80 or more: 55 is 25 points below; D, of which nobody knows, is none of them."""
    tanks_with(programme, {"C": 55, "D": None, "E": 80, "F": 80, "G": 120})
    programme.derive()
    columns = "tank_id, week_dead, left_alive, left_pct, compared_with, tanks_compared, median_pct, lost_pct"
    assert programme.rows("large_losses", columns) == [("C", None, 55, 55.0, "batch", 4, 80.0, 45.0)]


def test_a_tank_of_which_nothing_is_left_is_a_large_loss_whatever_the_others_did(programme: Programme) -> None:
    """Two tanks are too few to compare, and the dead were found twelve days after anybody looked."""
    tanks_with(programme, {"C": None, "D": None})
    found_dead(programme, "C", {"2024-11-13": 100}, "egg")
    found_dead(programme, "D", {"2024-11-13": 99}, "egg")
    programme.derive()
    columns = "tank_id, week_dead, left_alive, median_pct, lost_pct"
    assert programme.rows("large_losses", columns) == [("C", None, 0, None, 100.0)]


@pytest.mark.parametrize(("fish", "is_far_below"), [(55, True), (56, False)])
def test_the_tanks_of_the_season_stand_in_where_the_batch_is_in_too_few(
    programme: Programme, fish: int, is_far_below: bool
) -> None:
    programme.add("batches", {"batch_id": "B2", "donor_stock": "D1", "species": "chinook", "brood_year": 2024})
    tanks_with(programme, {"C": fish}, "B2")
    tanks_with(programme, {"E": 80, "F": 80})
    programme.derive()
    assert programme.rows("large_losses", "tank_id") == []  # three tanks are too few
    tanks_with(programme, {"G": 90})
    programme.derive()
    found = programme.rows("large_losses", "tank_id, compared_with, tanks_compared, median_pct")
    assert found == ([("C", "season", 4, 80.0)] if is_far_below else [])
