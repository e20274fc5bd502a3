"""Trials: what was assigned beside what was done, on rows small enough to check by eye."""

from __future__ import annotations

import pytest
from tests.queries.small_programme import Programme


def assign(programme: Programme, tank_id: str, factor: str, level: str, followed: bool | None = None) -> None:
    row = {"season": 2024, "tank_id": tank_id, "block": "north", "factor": factor, "level": level}
    programme.add("trials", row | {"followed": followed})


def followed(programme: Programme, tank_id: str) -> object:
    programme.derive()
    return programme.one("staged_trials", "followed", f"tank_id = '{tank_id}'")[0]


@pytest.mark.parametrize(
    ("factor", "level", "stated", "expected"),
    [
        ("gravel_practice", "gravel", None, True),  # the set-up of A says gravel
        ("gravel_practice", "bare", None, False),
        ("gravel_practice", "bare", True, True),  # what the list says counts before the set-up
        ("set_point_c", "8", None, True),  # 8.0 in the set-up: numbers are compared as numbers
        ("set_point_c", "9", None, False),
        ("light_cover", "true", None, None),  # not recorded
    ],
)
def test_followed_is_as_stated_or_as_the_set_up_says(
    programme: Programme, factor: str, level: str, stated: bool | None, expected: bool | None
) -> None:
    assign(programme, "A", factor, level, stated)
    assert followed(programme, "A") is expected


def test_a_yes_or_no_practice_is_compared_in_its_words(empty: Programme) -> None:
    setup = {"season": 2024, "tank_id": "A", "site_id": "S1", "room_type": "office", "gravel_practice": "bare"}
    empty.add("setups", setup | {"light_cover": True})
    assign(empty, "A", "light_cover", "TRUE")
    assert followed(empty, "A") is True


def test_a_tank_never_set_up_keeps_its_row(programme: Programme) -> None:
    assign(programme, "Z", "gravel_practice", "bare")
    programme.derive()
    assert programme.one("staged_trials", "has_setup, level_done, followed") == (False, None, None)


def test_outcomes_are_counted_as_assigned_and_nobody_is_dropped(programme: Programme) -> None:
    programme.add("exits", {"tank_id": "A", "exited_on": "2025-03-01", "fate": "released", "count": 70})
    for tank in ("A", "B", "Z"):
        assign(programme, tank, "gravel_practice", "bare")
    programme.derive()
    columns = "level, eggs, survivors, usable, why_unusable"

    def found(tank: str) -> tuple[object, ...]:
        return programme.one("trial_outcomes", columns, f"tank_id = '{tank}' AND outcome = 'delivered_to_release'")

    assert found("A") == ("bare", 100, 70, True, None)
    assert found("B") == ("bare", None, None, False, "no delivery recorded")
    assert found("Z") == ("bare", None, None, False, "never set up")
    assert programme.one("trial_outcomes", "count(*)") == (9,)


def test_no_trials_no_rows(empty: Programme) -> None:
    empty.derive()
    assert empty.one("trial_outcomes", "count(*)") == (0,)
