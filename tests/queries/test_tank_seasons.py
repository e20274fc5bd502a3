"""What became of a tank's eggs, worked out by hand for the small programme's tank A with its 100 eggs."""

from __future__ import annotations

from typing import Any

import pytest
from tests.queries.small_programme import Programme

from broodyear.settings import Settings


def dead(programme: Programme, *checks: tuple[str, str, int | None]) -> None:
    for checked_on, stage, number in checks:
        programme.add("losses", {"tank_id": "A", "checked_on": checked_on, "stage": stage, "dead": number})


def left(programme: Programme, **by_fate: int) -> None:
    for fate, number in by_fate.items():
        programme.add("exits", {"tank_id": "A", "exited_on": "2025-03-01", "fate": fate, "count": number})


def tank_a(programme: Programme, columns: str) -> tuple[Any, ...]:
    programme.derive()
    return programme.one("tank_seasons", columns, "tank_id = 'A'")


BALANCE = "hatched, left_alive, unaccounted, excess, release_based_pct, loss_based_pct"


def test_a_season_in_full(programme: Programme) -> None:
    dead(
        programme,
        ("2024-11-10", "egg", 3),
        ("2024-11-20", "egg", 2),
        ("2024-12-20", "alevin", 4),
        ("2025-02-01", "fry", 1),
    )
    left(programme, released=70, transferred_out=10, transferred_in=2, retained=5, euthanised=1, escaped=2)
    # hatched 100 − 5; alive 70 + 10 + 5 − 2 = 83; unaccounted 100 − 10 − 83 − 1 euthanised − 2 escaped = 4
    assert tank_a(programme, BALANCE) == (95, 83, 4, 0, 83.0, 90.0)
    assert tank_a(programme, "dead_egg, dead_alevin, dead_fry, late_picks, dead_total") == (5, 4, 1, 0, 10)


def test_the_balance_holds(programme: Programme) -> None:
    dead(programme, ("2024-11-10", "egg", 3))
    left(programme, released=90, transferred_in=7, euthanised=4)
    parts = (
        "eggs + transferred_in = dead_total + released + transferred_out + retained + euthanised_surplus"
        " + euthanised + escaped + unaccounted"
    )
    assert tank_a(programme, parts) == (True,)


def test_dead_eggs_picked_within_fourteen_days_of_hatch_count_towards_it(programme: Programme) -> None:
    programme.add("stages", {"tank_id": "A", "stage": "hatch_all", "first_seen_on": "2024-12-01"})
    dead(programme, ("2024-12-15", "egg", 3), ("2024-12-16", "egg", 4))
    left(programme, released=80)
    assert tank_a(programme, "dead_egg, late_picks, dead_total, hatched, loss_based_pct") == (3, 4, 7, 97, 93.0)


def test_without_hatch_all_the_latest_stage_date_sets_the_limit(programme: Programme) -> None:
    programme.add(
        "stages",
        {"tank_id": "A", "stage": "hatch_first", "first_seen_on": "2024-12-01"},
        {"tank_id": "A", "stage": "button_up", "first_seen_on": "2025-01-10"},
    )
    dead(programme, ("2025-01-24", "egg", 3), ("2025-01-25", "egg", 4))
    assert tank_a(programme, "dead_egg, late_picks") == (3, 4)


def test_without_any_date_of_hatch_every_dead_egg_counts(programme: Programme) -> None:
    programme.add("stages", {"tank_id": "A", "stage": "eyed", "first_seen_on": "2024-11-02"})
    dead(programme, ("2025-01-24", "egg", 3))
    left(programme, released=80)
    assert tank_a(programme, "dead_egg, late_picks, usable_hatch") == (3, 0, True)


def test_a_blank_number_is_never_zero(programme: Programme) -> None:
    dead(programme, ("2024-11-10", "egg", None), ("2024-11-11", "alevin", 2))
    left(programme, released=80)
    found = tank_a(
        programme, "dead_egg, dead_alevin, dead_fry, hatched, usable_hatch, why_unusable, uncounted_checks"
    )
    assert found == (None, 2, None, None, False, "dead eggs never counted", 1)


def test_a_counted_zero_is_a_zero(programme: Programme) -> None:
    dead(programme, ("2024-11-10", "egg", 0))
    left(programme, released=100)
    assert tank_a(programme, "dead_egg, hatched, usable_hatch, unaccounted") == (0, 100, True, 0)


def test_euthanised_as_surplus_were_alive(programme: Programme) -> None:
    programme.add(
        "exits",
        {
            "tank_id": "A",
            "exited_on": "2025-03-01",
            "fate": "euthanised",
            "count": 6,
            "reason": "Surplus to the permit",
        },
        {"tank_id": "A", "exited_on": "2025-03-02", "fate": "euthanised", "count": 4, "reason": "gill disease"},
    )
    assert tank_a(programme, "left_alive, euthanised_surplus, euthanised") == (6, 6, 4)


def test_more_out_than_in_is_shown_and_capped_only_for_rates(programme: Programme) -> None:
    dead(programme, ("2024-11-10", "egg", 5))
    left(programme, released=103)
    assert tank_a(programme, BALANCE) == (95, 103, -8, 3, 103.0, 95.0)
    rows = programme.rows("tank_outcomes", "outcome, eggs, survivors, raw_survivors, excess, usable")
    assert rows == [
        ("delivered_to_release", 100, 100, 103, 3, True),
        ("hatch", 100, 95, 95, 0, True),
        ("hatch_to_release", 95, 95, 103, 8, True),
    ]


def test_the_dead_stand_beside_every_outcome(programme: Programme) -> None:
    programme.connection.execute("UPDATE received_deliveries SET eggs_dead_on_arrival = 7 WHERE tank_id = 'A'")
    dead(programme, ("2024-11-10", "egg", 5), ("2024-12-20", "alevin", 4), ("2025-02-01", "fry", 1))
    left(programme, released=83)
    columns = "dead_on_arrival, dead_egg, dead_alevin, dead_fry, late_picks, unaccounted, losses_look_cumulative"
    programme.derive()
    # 100 − 10 dead − 83 released are neither
    assert programme.rows("tank_outcomes", f"DISTINCT {columns}") == [(7, 5, 4, 1, 0, 7, False)]


def test_a_tank_that_stopped_reporting_is_neither_alive_nor_dead(programme: Programme) -> None:
    programme.connection.execute("UPDATE received_setups SET end_reason = 'not_reported' WHERE tank_id = 'A'")
    dead(programme, ("2024-11-10", "egg", 5))
    found = tank_a(programme, f"{BALANCE}, released, reported_start, reported_end, why_unusable")
    why = "stopped reporting before hatch; stopped reporting before the end"
    assert found == (None, None, None, None, None, None, None, True, False, why)
    assert programme.rows("tank_outcomes", "DISTINCT eggs, survivors, usable") == [(None, None, False)]


def test_a_lost_tank_left_none_alive(programme: Programme) -> None:
    programme.connection.execute("UPDATE received_setups SET end_reason = 'lost_all' WHERE tank_id = 'A'")
    dead(programme, ("2024-11-10", "egg", 20), ("2024-12-20", "alevin", 60))
    assert tank_a(programme, f"{BALANCE}, released, usable_release") == (80, 0, 20, 0, 0.0, 20.0, 0, True)


def test_lost_without_a_single_count_says_nothing_about_hatch(programme: Programme) -> None:
    programme.connection.execute("UPDATE received_setups SET end_reason = 'lost_all' WHERE tank_id = 'A'")
    found = tank_a(programme, "left_alive, usable_release, usable_hatch, why_unusable")
    assert found == (0, True, False, "all lost, stage of the losses not recorded")


def ended(programme: Programme, end_reason: str | None) -> None:
    programme.connection.execute("UPDATE received_setups SET end_reason = ? WHERE tank_id = 'A'", [end_reason])


TAKEN = f"{BALANCE}, taken_as_lost, why_unusable"


@pytest.mark.parametrize("end_reason", [None, "not_reported", "equipment_failure"])
def test_all_eggs_counted_dead_is_a_result(programme: Programme, end_reason: str | None) -> None:
    ended(programme, end_reason)
    dead(programme, ("2024-11-10", "egg", 30), ("2024-12-20", "alevin", 70))
    # 100 eggs less 30 hatched 70; of 100 counted dead none was left
    assert tank_a(programme, TAKEN) == (70, 0, 0, 0, 0.0, 0.0, True, None)


def test_all_counted_dead_after_hatch_had_hatched(programme: Programme) -> None:
    ended(programme, None)
    dead(programme, ("2024-12-20", "alevin", 60), ("2025-01-20", "fry", 43))
    assert tank_a(programme, TAKEN) == (100, 0, -3, 0, 0.0, -3.0, True, None)


@pytest.mark.parametrize(
    ("dead_eggs", "end_reason"),
    [(99, None), (111, None), (100, "released")],
    ids=["one_left", "too_many", "released"],
)
def test_counts_that_leave_some_or_cannot_be_are_no_loss(
    programme: Programme, dead_eggs: int, end_reason: str | None
) -> None:
    ended(programme, end_reason)
    dead(programme, ("2024-11-10", "egg", dead_eggs))
    assert tank_a(programme, "left_alive, taken_as_lost, usable_release") == (None, False, False)


def test_fish_that_left_or_were_seen_later_were_not_all_dead(programme: Programme) -> None:
    ended(programme, None)
    dead(programme, ("2024-11-10", "egg", 100), ("2024-12-20", "egg", 0))
    programme.add("stages", {"tank_id": "A", "stage": "hatch_first", "first_seen_on": "2024-11-11"})
    assert tank_a(programme, "left_alive, taken_as_lost") == (None, False)
    programme.connection.execute("UPDATE received_stages SET first_seen_on = DATE '2024-11-10'")
    assert tank_a(programme, "left_alive, taken_as_lost") == (0, True)
    left(programme, euthanised=2)
    assert tank_a(programme, "left_alive, taken_as_lost, euthanised") == (0, False, 2)


def test_a_running_total_takes_nothing_as_lost(programme: Programme) -> None:
    ended(programme, None)
    # 3, 6 … 24 add up to 108 of 100 eggs, and are 24 dead
    checks = [(f"2024-11-{day:02d}", "egg", 3 * number) for number, day in enumerate(range(5, 13), start=1)]
    dead(programme, *checks)
    programme.derive(Settings())
    found = programme.one(
        "tank_seasons", "dead_total, losses_look_cumulative, taken_as_lost, usable_release", "tank_id = 'A'"
    )
    assert found == (108, True, False, False)


@pytest.mark.parametrize(
    ("end_reason", "why"),
    [
        ("released", "released, but no count recorded"),
        ("equipment_failure", "ended as equipment_failure, no count recorded"),
        (None, "no exit recorded"),
    ],
)
def test_no_exit_no_release_rate(programme: Programme, end_reason: str | None, why: str) -> None:
    programme.connection.execute("UPDATE received_setups SET end_reason = ? WHERE tank_id = 'A'", [end_reason])
    dead(programme, ("2024-11-10", "egg", 5), ("2024-12-20", "alevin", 1))
    assert tank_a(programme, "usable_hatch, usable_release, why_unusable") == (True, False, why)


def test_dead_that_look_like_a_running_total_carry_nothing(programme: Programme) -> None:
    checks = [(f"2024-11-{day:02d}", "egg", 3 * number) for number, day in enumerate(range(5, 15), start=1)]
    dead(programme, *checks)
    left(programme, released=70)
    programme.derive(Settings())
    found = programme.one(
        "tank_seasons",
        "dead_total, hatched, loss_based_pct, unaccounted, usable_hatch, why_unusable",
        "tank_id = 'A'",
    )
    assert found == (165, None, None, None, False, "dead look like a running total")


def test_none_hatched_leaves_nothing_to_release(programme: Programme) -> None:
    dead(programme, ("2024-11-10", "egg", 104))
    programme.connection.execute("UPDATE received_setups SET end_reason = 'lost_all' WHERE tank_id = 'A'")
    assert tank_a(programme, "hatched, left_alive, unaccounted") == (0, 0, -4)
    found = programme.one("tank_outcomes", "eggs, usable, why_unusable", "outcome = 'hatch_to_release'")
    assert found == (None, False, "none hatched")


def test_what_stands_beside_the_counts(programme: Programme) -> None:
    found = tank_a(
        programme,
        "region, species, batch_id, site_seasons, chiller_age_years, conditioning_days, has_logger,"
        " delivered_on::VARCHAR",
    )
    # the site's first season was 2020 by its own word and 2024 is its first in the records: the fifth
    # filled 20 October, delivered 1 November
    assert found == ("north", "chinook", "B1", 5, 3, 12, False, "2024-11-01")


def test_a_tank_without_eggs_has_a_row_and_no_outcome(programme: Programme) -> None:
    programme.derive()
    found = programme.one(
        "tank_seasons", "eggs, batches, delivered, reported_start, why_unusable", "tank_id = 'B'"
    )
    assert found == (None, 0, False, False, "no delivery recorded")
    assert programme.rows("tank_outcomes", where="tank_id = 'B'") == []


def test_two_deliveries_are_one_number_of_eggs(programme: Programme) -> None:
    programme.add(
        "deliveries",
        {
            "tank_id": "A",
            "batch_id": "B1",
            "delivered_on": "2024-11-20",
            "stage_at_delivery": "eyed",
            "eggs_live": 50,
        },
    )
    left(programme, released=120)
    assert tank_a(programme, "eggs, batches, release_based_pct") == (150, 1, 80.0)


def test_rows_outside_any_set_up_season_are_kept_aside(programme: Programme) -> None:
    programme.add("losses", {"tank_id": "A", "checked_on": "2023-11-10", "stage": "egg", "dead": 50})
    left(programme, released=100)
    assert tank_a(programme, "dead_egg, left_alive") == (None, 100)
    assert programme.rows("orphaned_rows", "table_name, season, tank_id, orphaned_rows") == [
        ("losses", 2023, "A", 1)
    ]
    programme.add("setups", {"season": 2023, "tank_id": "A", "site_id": "S1"})
    programme.derive()
    assert programme.rows("orphaned_rows") == []
    assert programme.one("tank_seasons", "dead_egg", "season = 2023") == (50,)


def test_far_more_left_than_were_delivered_stand_in_no_rate(programme: Programme) -> None:
    dead(programme, ("2024-11-10", "egg", 5))
    left(programme, released=166)
    # no method named, so 6 %: sd of 100 eggs 6, of 166 fish 9.96, together 11.63; 66 is beyond thrice that
    assert tank_a(programme, BALANCE) == (95, 166, -71, None, None, None)
    found = tank_a(programme, "round(counting_sd, 2), released, reported_end, usable_hatch, usable_release")
    assert found == (11.63, 166, True, True, False)
    assert tank_a(programme, "release_contradicted, why_unusable") == (True, "more left alive than were delivered")
    rows = programme.rows("tank_outcomes", "outcome, eggs, survivors, counts_disagree, why_unusable")
    why = "more left alive than were delivered"
    assert rows == [
        ("delivered_to_release", None, None, True, why),
        ("hatch", 100, 95, False, None),
        ("hatch_to_release", None, None, True, why),
    ]
    stages = programme.rows("stage_survival", "stage, estimate, tanks, tanks_contradicted", "tanks_delivered > 0")
    assert [one for one in stages if one[3]] == [
        ("delivered_to_release", "release_based", 0, 1),
        ("hatch_to_release", "release_based", 0, 1),
    ]
    assert programme.one("accounting", "reported_end, usable, eggs_in_usable, left_alive", "delivered > 0") == (
        1, 0, 0, 0,
    )  # fmt: skip


def test_what_counting_error_may_explain_is_capped(programme: Programme) -> None:
    left(programme, released=133)
    # sd of 133 fish 7.98, with the 6 of the eggs 9.98: 33 more are beyond 29.95
    assert tank_a(programme, "usable_release") == (False,)
    programme.connection.execute('UPDATE received_exits SET "count" = 129')
    # 7.74 and 6 make 9.79; 29 is within 29.38
    assert tank_a(programme, "usable_release, excess, release_based_pct") == (True, 29, 129.0)


def test_far_more_left_than_hatched_is_no_survival_from_hatch(programme: Programme) -> None:
    dead(programme, ("2024-11-10", "egg", 60))
    left(programme, released=90)
    # 40 hatched; sd of 100 eggs 6 and of 90 fish 5.4, together 8.07: 90 is beyond 40 + 24.2
    programme.derive()
    assert programme.rows("tank_outcomes", "outcome, eggs, survivors, counts_disagree, why_unusable") == [
        ("delivered_to_release", 100, 90, False, None),
        ("hatch", 100, 40, False, None),
        ("hatch_to_release", None, None, True, "more left alive than hatched"),
    ]


def test_far_more_dead_eggs_than_came_are_no_hatch_of_none(programme: Programme) -> None:
    dead(programme, ("2024-11-10", "egg", 119))
    left(programme, released=10)
    # sd of 100 eggs 6 and of 10 fish 0.6, together 6.03: 119 is beyond 118.09
    found = "hatched, hatch_contradicted, usable_hatch, usable_release, why_unusable"
    assert tank_a(programme, found) == (None, True, False, True, "more dead eggs counted than were delivered")
    assert programme.rows("tank_outcomes", "outcome, counts_disagree", "outcome <> 'delivered_to_release'") == [
        ("hatch", True),
        ("hatch_to_release", True),
    ]
    programme.connection.execute("UPDATE received_losses SET dead = 118")
    assert tank_a(programme, found) == (0, False, True, True, None)
