"""Which season runs still, and whom it waits for: rows small enough to tell by eye."""

from __future__ import annotations

import datetime as dt

import pandas as pd
import pytest

from broodyear.survival.running import Running, running_season, with_waiting, without_waiting
from broodyear.survival.tank_frame import prepare

DAY = pd.Timestamp("2025-01-10")


def tank(name: str, season: int = 2024, left: float | None = None, days: float | None = 0, held: int = 0) -> dict:  # type: ignore[type-arg]
    """A tank that got its eggs `held` days before DAY of its year, and sent its last record `days` days later."""
    got = DAY.replace(year=season + 1) - pd.Timedelta(days=held)
    last = pd.NaT if days is None else got + pd.Timedelta(days=days)
    return {"season": season, "tank_id": name, "delivered": True, "delivered_on": got, "closed_on": pd.NaT,
            "left_alive": left, "last_record_on": last}  # fmt: skip


def earlier(*stays: int) -> list[dict]:  # type: ignore[type-arg]
    return [tank(f"E{place}", 2023, 90.0, days) for place, days in enumerate(stays)]


def test_a_first_season_runs_while_no_fish_has_left() -> None:
    rows = [tank("A", days=60), tank("B", days=None), tank("lost", left=0.0, days=20)]
    assert running_season(pd.DataFrame(rows)) == Running(2024, dt.date(2025, 3, 11), frozenset({"A", "B"}))
    assert running_season(pd.DataFrame([tank("A", left=0.0, days=9)])) is None  # lost: nothing to wait for
    assert running_season(pd.DataFrame(rows).assign(closed_on=DAY)) is None
    assert running_season(pd.DataFrame(rows).assign(delivered=False)) is None
    assert running_season(pd.DataFrame(rows).iloc[:0]) is None


def test_deliveries_without_any_later_record_are_waited_for() -> None:
    rows = [tank("A", days=None, held=20), tank("B", days=None)]
    assert running_season(pd.DataFrame(rows)) == Running(2024, DAY.date(), frozenset({"A", "B"}))
    both = running_season(pd.DataFrame([*earlier(100, 110, 120, 130, 140), *rows]))
    assert both is not None and both.tanks == {"A", "B"}


@pytest.mark.parametrize(("days", "waits"), [(99, True), (100, False)])
def test_nobody_is_waited_for_longer_than_tanks_held_their_fish_before(days: int, waits: bool) -> None:
    """Of stays of 60, 70, 80, 90 and 110 days, nine in ten last 102 at most: 90 + 0.6 · 20."""
    rows = pd.DataFrame([*earlier(60, 70, 80, 90, 110), tank("A", days=days + 2)])
    assert (running_season(rows) is not None) is waits


def test_a_season_goes_on_when_the_first_fish_have_left() -> None:
    left = [tank(f"L{place}", left=80.0, days=80, held=10) for place in range(3)]
    here = [tank(f"H{place}", days=70) for place in range(3)]
    found = running_season(pd.DataFrame([*earlier(90, 90, 90, 90, 95), *left, *here]))
    assert found is not None and found.tanks == {"H0", "H1", "H2"}


def test_the_first_to_leave_in_a_first_season_are_no_measure_for_the_others() -> None:
    left = [tank(f"L{place}", left=80.0, days=80) for place in range(6)]
    here = [tank(f"H{place}", days=80) for place in range(8)]
    found = running_season(pd.DataFrame([*left, *here]))
    assert found is not None and len(found.tanks) == 8
    assert running_season(pd.DataFrame([*left, *left[:2], *here])) is None  # half of them have told


def test_the_few_that_never_told_at_the_end_of_a_season_are_silent() -> None:
    told = [tank(f"L{place}", left=80.0, days=100) for place in range(9)]
    assert running_season(pd.DataFrame([*told, tank("S", days=10)])) is None
    # Late by three weeks, but one of ten: the season is over.
    late = {**tank("S", days=10), "delivered_on": DAY + pd.Timedelta(days=21)}
    assert running_season(pd.DataFrame([*told, late])) is None
    third = [{**late, "tank_id": f"S{place}"} for place in range(4)]
    found = running_season(pd.DataFrame([*told, *third]))
    assert found is not None and found.tanks == {"S0", "S1", "S2", "S3"}


def test_a_season_with_records_of_a_later_one_is_over_where_no_stay_is_known() -> None:
    later = {**tank("A", 2025, days=5), "delivered": False, "delivered_on": pd.NaT}
    assert running_season(pd.DataFrame([tank("A", days=30), later])) is None
    assert running_season(pd.DataFrame([tank("A", days=30), {**later, "last_record_on": pd.NaT}])) is not None


def test_tanks_waited_for_have_not_fallen_silent_and_a_region_of_nothing_else_keeps_its_name() -> None:
    rows = pd.DataFrame(
        [
            (2023, "T-1", "east", False), (2024, "T-1", "east", False), (2024, "T-2", "east", True),
            (2024, "T-3", "new", False), (2024, "T-4", None, False), (2024, "T-5", "east", False),
        ],
        columns=["season", "tank_id", "region", "usable"],
    ).astype({"usable": "boolean"})  # fmt: skip
    running = Running(2024, DAY.date(), frozenset({"T-1", "T-2", "T-3", "T-4"}))
    marked = with_waiting(rows, running)
    assert marked["is_waiting"].tolist() == [False, True, False, True, True, False]
    kept = without_waiting(marked)[["season", "tank_id"]].itertuples(index=False, name=None)
    assert list(kept) == [(2023, "T-1"), (2024, "T-2"), (2024, "T-3"), (2024, "T-4"), (2024, "T-5")]
    assert not with_waiting(rows, None)["is_waiting"].any()
    assert len(without_waiting(marked.iloc[:0])) == 0


def test_nobody_is_waited_for_in_a_frame_that_does_not_say() -> None:
    row = {"season": 2024, "tank_id": "A", "site_id": "S", "batch_id": "B", "eggs": 100, "survivors": None}
    assert not prepare(pd.DataFrame([row]))["is_waiting"].any()
