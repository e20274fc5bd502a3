"""Tables of the annual review: accounting, survival by stage, batches, incidents. Worked out by hand."""

from __future__ import annotations

import pytest
from tests.queries.small_programme import Programme


@pytest.fixture
def review(programme: Programme) -> Programme:
    """Four tanks in the north: A 100 eggs, 80 released; C 50 eggs, 45 released; D 60 eggs, silent; B no eggs.

    A: 10 dead eggs, 5 dead alevins. C: 2 dead eggs, 1 dead alevin. D: a check before hatch, then nothing.
    """
    for tank_id, eggs, end_reason in (("C", 50, "released"), ("D", 60, "not_reported")):
        programme.add("tanks", {"tank_id": tank_id})
        programme.add("setups", {"season": 2024, "tank_id": tank_id, "site_id": "S1", "end_reason": end_reason})
        programme.add(
            "deliveries",
            {
                "tank_id": tank_id,
                "batch_id": "B1",
                "delivered_on": "2024-11-01",
                "stage_at_delivery": "eyed",
                "thermal_units_at_delivery": 300.0,
                "eggs_live": eggs,
                "eggs_dead_on_arrival": 5,
            },
        )
    programme.add(
        "losses",
        {"tank_id": "A", "checked_on": "2024-11-10", "stage": "egg", "dead": 10},
        {"tank_id": "A", "checked_on": "2024-12-20", "stage": "alevin", "dead": 5},
        {"tank_id": "C", "checked_on": "2024-11-10", "stage": "egg", "dead": 2},
        {"tank_id": "C", "checked_on": "2024-12-20", "stage": "alevin", "dead": 1},
        {"tank_id": "D", "checked_on": "2024-11-10", "stage": "egg", "dead": 1},
    )
    programme.add(
        "exits",
        {"tank_id": "A", "exited_on": "2025-03-01", "fate": "released", "count": 80},
        {"tank_id": "C", "exited_on": "2025-03-01", "fate": "released", "count": 45},
    )
    programme.derive()
    return programme


def test_accounting(review: Programme) -> None:
    counts = (
        "tanks_supplied, delivered, reported_start, reported_end, usable, usable_hatch, stopped_reporting, eggs,"
        " eggs_dead_on_arrival, eggs_in_usable, left_alive"
    )
    assert review.one("accounting", counts, "batch_id = 'B1'") == (3, 3, 3, 2, 2, 2, 1, 210, 10, 150, 125)
    assert review.one("accounting", counts, "batch_id IS NULL") == (1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0)


def test_accounting_bounds(review: Programme) -> None:
    rates = review.one("accounting", "reported_pct, bound_all_died_pct, bound_all_lived_pct", "batch_id = 'B1'")
    # 125 of 150; of all 210 eggs, none or all of the silent 60 added, but for the one that was counted dead
    assert rates == pytest.approx((100 * 125 / 150, 100 * 125 / 210, 100 * 184 / 210))
    assert review.one("accounting", "alive_at_most_elsewhere", "batch_id = 'B1'") == (59,)
    assert review.one("accounting", "reported_pct, bound_all_died_pct", "batch_id IS NULL") == (None, None)


def test_stage_survival(review: Programme) -> None:
    found = {
        (stage, estimate): (tanks, eggs, survivors)
        for stage, estimate, tanks, eggs, survivors in review.rows(
            "stage_survival", "stage, estimate, tanks, eggs, survivors"
        )
    }
    assert found == {
        ("hatch", "loss_based"): (2, 150, 138),  # 90 + 48
        ("hatch_to_button_up", "loss_based"): (2, 138, 132),  # 85 + 47
        ("button_up_to_release", "release_based"): (2, 132, 125),
        ("button_up_to_release", "loss_based"): (2, 132, 132),
        ("hatch_to_release", "release_based"): (2, 138, 125),
        ("hatch_to_release", "loss_based"): (2, 138, 132),
        ("delivered_to_release", "release_based"): (2, 150, 125),
        ("delivered_to_release", "loss_based"): (2, 150, 132),
    }


def test_stage_survival_between_tanks(review: Programme) -> None:
    columns = "pooled_pct, tank_mean_pct, tank_sd_pct, tank_se_pct, tank_median_pct"
    found = review.one("stage_survival", columns, "stage = 'delivered_to_release' AND estimate = 'release_based'")
    # tanks at 80 and 90 %: mean 85, SD 10/√2, standard error 5
    assert found == pytest.approx((100 * 125 / 150, 85.0, 50**0.5, 5.0, 85.0))


def test_stage_survival_bounds_belong_to_stages_that_start_at_delivery(review: Programme) -> None:
    rows = review.rows(
        "stage_survival", "stage, bound_all_died_pct, bound_all_lived_pct", "estimate = 'loss_based'"
    )
    bounded = {stage: (low, high) for stage, low, high in rows if low is not None}
    assert bounded == {
        "hatch": pytest.approx((100 * 138 / 210, 100 * 197 / 210)),
        "delivered_to_release": pytest.approx((100 * 132 / 210, 100 * 191 / 210)),
    }


def test_batch_summary(review: Programme) -> None:
    found = review.one(
        "batch_summary",
        "season, batch_id, regions, is_shared, tanks, eggs, tanks_hatch, hatch_median_pct, tanks_release,"
        " release_q25_pct, release_median_pct, release_q75_pct, loss_based_median_pct",
    )
    # hatch 90 and 96 %; release 80 and 90 %; loss-based 85 and 94 %
    assert found == (2024, "B1", 1, False, 3, 210, 2, 93.0, 2, 82.5, 85.0, 87.5, 89.5)
    # only C and D say how many were dead on arrival: 10 of 120 that arrived
    assert review.one("batch_summary", "dead_on_arrival_pct")[0] == pytest.approx(100 * 10 / 120)


def test_eggs_are_counted_by_their_own_batch_in_whatever_tank(review: Programme) -> None:
    """A got 100 eggs of B1; 30 of B2, 10 more dead on arrival, came to it later."""
    review.add("batches", {"batch_id": "B2", "donor_stock": "D1", "species": "chinook", "brood_year": 2024})
    review.add(
        "deliveries",
        {"tank_id": "A", "batch_id": "B2", "delivered_on": "2024-11-05", "stage_at_delivery": "eyed",
         "eggs_live": 30, "eggs_dead_on_arrival": 10},
    )  # fmt: skip
    review.derive()
    columns = "batch_id, regions, tanks, tanks_mixed, eggs, dead_on_arrival_pct, tanks_release, release_median_pct"
    assert review.rows("batch_summary", columns) == [
        # Of B1 as before; released 80 of what are now 130 eggs in A, 45 of 50 in C
        ("B1", 1, 3, 1, 210, pytest.approx(100 * 10 / 120), 2, pytest.approx((100 * 80 / 130 + 90) / 2)),
        ("B2", 1, 0, 1, 30, 25.0, 0, None),
    ]


def test_incidents_per_hundred_tank_weeks(review: Programme) -> None:
    review.add(
        "incidents",
        {"tank_id": "A", "kind": "power_cut", "started_at": "2024-11-20T08:00", "ended_at": "2024-11-20T09:00"},
        {"tank_id": "A", "kind": "power_cut", "started_at": "2024-10-25T08:00"},  # before the eggs came
    )
    review.derive()
    found = review.one("incident_rates", "kind, incidents, tanks, tanks_watched, tank_weeks, per_100_tank_weeks")
    # A and C from 1 November to 1 March, 120 days each; D nine days: 249 days
    weeks = 249 / 7
    assert found == ("power_cut", 2, 1, 3, pytest.approx(weeks), pytest.approx(100 / weeks))


def test_coverage_counts_each_kind_of_record(review: Programme) -> None:
    review.add("losses", {"tank_id": "A", "checked_on": "2024-11-11", "stage": "egg", "entry": "not_checked"})
    review.add("losses", {"tank_id": "A", "checked_on": "2024-11-12", "stage": "egg"})
    review.add(
        "water_tests", {"tank_id": "A", "tested_on": "2025-04-01", "analyte": "ph", "value": 7.1, "unit": "ph"}
    )
    review.derive()
    columns = (
        "checks_counted, checks_not_checked, checks_unknown, exits, water_tests, last_fish_record_on::VARCHAR"
    )
    assert review.one("record_coverage", columns, "tank_id = 'A'") == (2, 1, 1, 1, 1, "2025-03-01")
    assert review.one("record_coverage", columns, "tank_id = 'B'") == (0, 0, 0, 0, 0, None)


def test_nothing_in_nothing_out(empty: Programme) -> None:
    empty.derive()
    for name in (
        "accounting",
        "stage_survival",
        "batch_summary",
        "incident_rates",
        "tank_outcomes",
        "thermal_units",
    ):
        assert empty.rows(name) == []
