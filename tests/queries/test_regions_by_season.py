"""What each region got, hatched and released in a season, worked out by hand."""

from __future__ import annotations

from typing import Any

from tests.queries.small_programme import Programme

COUNTS = (
    "season, region, tanks_supplied, delivered, eggs, usable_hatch, hatched, release_counted, released,"
    " release_unknown, usable, eggs_in_usable, left_alive, reported_pct, released_without_delivery"
)


def stand(programme: Programme, tank_id: str, season: int, eggs: int | None, **setup: Any) -> None:
    """A tank at S1 with eggs of batch B1 come on 1 November of the season, or none."""
    programme.add("tanks", {"tank_id": tank_id})
    programme.add("setups", {"season": season, "tank_id": tank_id, "site_id": "S1"} | setup)
    if eggs is not None:
        programme.add(
            "deliveries",
            {"tank_id": tank_id, "batch_id": "B1", "delivered_on": f"{season}-11-01",
             "stage_at_delivery": "eyed", "eggs_live": eggs},
        )  # fmt: skip


def dead(programme: Programme, tank_id: str, checked_on: str, stage: str, number: int) -> None:
    programme.add("losses", {"tank_id": tank_id, "checked_on": checked_on, "stage": stage, "dead": number})


def left(programme: Programme, tank_id: str, fate: str, number: int) -> None:
    programme.add("exits", {"tank_id": tank_id, "exited_on": "2025-03-01", "fate": fate, "count": number})


def test_sums_by_region_with_what_nobody_recorded_beside_them(programme: Programme) -> None:
    """2024, north: A got 100 eggs, 10 dead, 80 released and 5 kept. C got 50; 46 released and 6 moved are more
    than came. D got 60 and fell silent after a check. B got none, but 7 fish were released from it."""
    stand(programme, "C", 2024, 50)
    stand(programme, "D", 2024, 60)
    dead(programme, "A", "2024-11-10", "egg", 10)
    dead(programme, "C", "2024-12-20", "alevin", 1)
    dead(programme, "D", "2024-11-10", "egg", 1)
    for tank_id, fate, number in (
        ("A", "released", 80), ("A", "retained", 5), ("C", "released", 46), ("C", "transferred_out", 6),
        ("B", "released", 7),
    ):  # fmt: skip
        left(programme, tank_id, fate, number)
    programme.derive()
    # Hatch is known of A alone: nobody counted dead eggs in C, and D stopped before it. Left alive: 85, and of C
    # no more than its 50 eggs; 135 of 150.
    assert programme.rows("regions_by_season", COUNTS) == [
        (2024, "north", 4, 3, 210, 1, 90, 2, 126, 1, 2, 150, 135, 90.0, 7)
    ]


def test_what_no_tank_counted_is_not_known_and_is_no_zero(programme: Programme) -> None:
    """North, A alone, sends nothing of its 100 eggs; south has a tank without eggs, the year before one that lost
    all of its 40; a tank stands at a site that is not on record."""
    programme.add("sites", {"site_id": "S2", "region": "south"})
    stand(programme, "E", 2024, None, site_id="S2")
    stand(programme, "F", 2024, 30, site_id="S9")
    stand(programme, "G", 2023, 40, site_id="S2", end_reason="lost_all")
    dead(programme, "G", "2023-11-10", "egg", 40)
    programme.derive()
    assert programme.rows("regions_by_season", COUNTS) == [
        (2023, "south", 1, 1, 40, 1, 0, 1, 0, 0, 1, 40, 0, 0.0, None),
        (2024, "north", 2, 1, 100, 0, None, 0, None, 1, 0, 0, None, None, None),
        (2024, "not recorded", 1, 1, 30, 0, None, 0, None, 1, 0, 0, None, None, None),
        (2024, "south", 1, 0, 0, 0, None, 0, None, 0, 0, 0, None, None, None),
    ]


def test_sites_and_tanks_that_sent_any_count_or_reading(programme: Programme) -> None:
    """North: A sent a stage, C an uncounted check and a reading, D at another site fish that left, F a counted
    check; G lost all; B has no eggs, so that its count and reading are of no tank with eggs."""
    programme.add("sites", {"site_id": "S2", "region": "north"}, {"site_id": "S3", "region": "north"})
    programme.add("stages", {"tank_id": "A", "stage": "hatch_all", "first_seen_on": "2024-12-01"})
    for tank_id, site_id in (("C", "S1"), ("D", "S2"), ("F", "S1")):
        stand(programme, tank_id, 2024, 50, site_id=site_id)
    stand(programme, "G", 2024, 50, end_reason="lost_all")
    stand(programme, "H", 2024, None, site_id="S3")
    programme.add("losses", {"tank_id": "C", "checked_on": "2024-11-11", "stage": "egg"})
    left(programme, "D", "released", 40)
    dead(programme, "F", "2024-11-11", "egg", 0)
    dead(programme, "B", "2024-11-11", "egg", 0)
    for tank_id in "CB":
        programme.read(tank_id, {"2024-11-11": 8.0})
    programme.derive()
    assert programme.rows("regions_by_season", "delivered, sites, counted, read") == [(5, 2, 3, 1)]


def test_a_site_counts_in_the_region_in_which_it_stands_now(programme: Programme) -> None:
    stand(programme, "H", 2023, 40)
    programme.connection.execute("UPDATE received_sites SET region = 'east'")
    programme.derive()
    assert programme.rows("regions_by_season", "season, region, eggs") == [(2023, "east", 40), (2024, "east", 100)]


def test_without_a_set_up_there_is_no_row(empty: Programme) -> None:
    empty.derive()
    assert empty.rows("regions_by_season") == []
