"""The week's list on simulated seasons: tanks that collapse are on it in time, ordinary ones seldom.

Run: pytest tests/benchmarks/watchlist_calibration_test.py -s
"""

from __future__ import annotations

import pandas as pd
import pytest
from tests.queries.simulated_store import simulated_store

from broodyear.derived import read_derived, run_queries
from broodyear.settings import Settings
from broodyear.synthetic import simulate

SEEDS = (11, 12, 13)
SEASONS, TANKS = 3, 90
LEAST_LISTED, MOST_ORDINARY = 0.70, 0.05
#: Trouble, silence apart: a tank nobody looks at is rightly on the list, whatever its fish do.
TROUBLE = ("losses", "warm", "water", "cold")
#: Records hold a sign where at least so much of the eggs was counted dead before the end.
SIGN_PCT = 10.0


def seasons(seed: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """States of the watchlist, and the tank-seasons with what is true of them."""
    connection = simulated_store(seed, seasons=SEASONS, tanks=TANKS)
    run_queries(connection, Settings())
    states = read_derived(connection, "watch_states")
    tanks = read_derived(connection, "tank_seasons")
    eggs = read_derived(connection, "tank_eggs")[["season", "tank_id", "first_delivered_on"]]
    connection.close()
    truth = simulate(seed, seasons=SEASONS, tanks=TANKS, with_readings=False).truth
    plain = "TK-" + tanks["tank_id"].str.extract(r"([0-9]{4})$")[0]
    fallen = {(entry["season"], entry["tank_id"]) for entry in truth["collapsed"]}
    poor = {tank for kind in ("poor_tanks", "poor_sites") for entry in truth[kind] for tank in entry["tanks"]}
    ends = tanks["closed_on"].fillna(pd.to_datetime((tanks["season"] + 1).astype(str) + "-06-01"))
    known = tanks.assign(
        collapses=[pair in fallen for pair in zip(tanks["season"], plain, strict=True)],
        poor=plain.isin(poor),
        ends_on=ends,
        dead_pct=100.0 * tanks["dead_total"].fillna(0).astype(float) / tanks["eggs"].astype(float),
    )
    return states, known[known["delivered"]].merge(eggs, on=["season", "tank_id"])


def weeks_listed(states: pd.DataFrame, tanks: pd.DataFrame) -> tuple[int, int]:
    """Tank-weeks with trouble on the list, and all of them."""
    listed = total = 0
    for tank in tanks.itertuples():
        own = states[(states["season"] == tank.season) & (states["tank_id"] == tank.tank_id)]
        for day in pd.date_range(tank.first_delivered_on, tank.ends_on, freq="7D"):
            listed += bool(((own["holds_from"] <= day) & (own["holds_to"] >= day)).any())
            total += 1
    return listed, total


@pytest.mark.parametrize("seed", SEEDS)
def test_collapses_are_listed_in_time_and_ordinary_tanks_seldom(seed: int) -> None:
    states, tanks = seasons(seed)
    with_sign = tanks[tanks["collapses"] & (tanks["dead_pct"] >= SIGN_PCT)]
    found = [
        bool(
            (
                (states["season"] == tank.season)
                & (states["tank_id"] == tank.tank_id)
                & (states["holds_from"] < tank.ends_on)
            ).any()
        )
        for tank in with_sign.itertuples()
    ]
    trouble = states[states["kind"].isin(TROUBLE)]
    in_trouble = [
        bool(
            ((trouble["season"] == tank.season) & (trouble["tank_id"] == tank.tank_id)
             & (trouble["holds_from"] < tank.ends_on)).any()
        )
        for tank in with_sign.itertuples()
    ]  # fmt: skip
    listed, total = weeks_listed(trouble, tanks[~tanks["collapses"] & ~tanks["poor"]])
    print(
        f"\nseed {seed}: {sum(found)} of {len(found)} collapses with a sign listed before their end, "
        f"{sum(in_trouble)} of them for trouble; ordinary tanks in {100 * listed / total:.1f} % of {total} weeks"
    )
    assert sum(in_trouble) >= LEAST_LISTED * len(found) > 0
    assert listed <= MOST_ORDINARY * total
