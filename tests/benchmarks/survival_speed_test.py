"""Seconds to fit the mixed model at the sizes promised, and how cost grows with rows.

Run: python -m pytest tests/benchmarks/survival_speed_test.py -s
"""

from __future__ import annotations

import time

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit
from tests.simulated.outcomes import outcome_rows

from broodyear.survival import effects_report, fit_survival
from broodyear.synthetic import simulate

#: Processor time of the same work is up to so much longer while others use the caches.
ON_A_BUSY_MACHINE = 1.5
SIZES = [(3_000, 500, 60, 10, 2.0), (15_000, 2_000, 90, 20, 15.0)]


def crossed(rows: int, sites: int, batches: int, seasons: int) -> pd.DataFrame:
    rng = np.random.default_rng(1)
    frame = pd.DataFrame(
        {
            "site": np.concatenate([np.arange(sites), rng.integers(0, sites, rows - sites)]),
            "batch": rng.integers(0, batches, rows),
            "season": rng.integers(0, seasons, rows),
            "gravel": rng.choice(["bare", "gravel", "stones"], rows),
            "room": rng.choice(["classroom", "hallway", "library", "office"], rows),
            "warm": rng.normal(9.0, 1.0, rows),
            "eggs": rng.integers(30, 300, rows),
        }
    )
    log_odds = 1.6 - 0.1 * (frame["warm"] - 9.0) + rng.normal(0, 0.3, sites)[frame["site"]]
    log_odds += rng.normal(0, 0.5, batches)[frame["batch"]] + rng.normal(0, 0.2, seasons)[frame["season"]]
    frame["alive"] = rng.binomial(frame["eggs"], expit(log_odds + rng.normal(0, 0.4, rows)))
    return frame.assign(tank_season=np.arange(rows))


@pytest.fixture(scope="module", autouse=True)
def libraries_loaded() -> None:
    """Importing the libraries takes about a second once per process; it is not the model's time."""
    small = crossed(300, 30, 10, 5)
    fit_survival(small, "gravel + warm", survived="alive", trials="eggs", groups=["site", "batch"])


@pytest.mark.parametrize("own_row", [False, True])
@pytest.mark.parametrize(("rows", "sites", "batches", "seasons", "allowed_s"), SIZES)
def test_seconds(rows: int, sites: int, batches: int, seasons: int, allowed_s: float, own_row: bool) -> None:
    frame = crossed(rows, sites, batches, seasons)
    groups = ["site", "batch", "season", *(["tank_season"] if own_row else [])]
    started = time.perf_counter()
    fit = fit_survival(frame, "gravel + room + warm", survived="alive", trials="eggs", groups=groups)
    taken = time.perf_counter() - started
    print(f"\n{rows} rows, {groups}: {taken:.2f} s, sds {fit.group_sd.round(3).to_dict()}")
    assert taken < allowed_s


def test_cost_grows_near_linearly_with_rows() -> None:
    seconds = []
    for rows in (5_000, 40_000):
        frame = crossed(rows, 500, 60, 10)
        started = time.perf_counter()
        fit_survival(
            frame, "gravel + room + warm", survived="alive", trials="eggs", groups=["site", "batch", "season"]
        )
        seconds.append(time.perf_counter() - started)
    print(f"\n5 000 rows {seconds[0]:.2f} s, 40 000 rows {seconds[1]:.2f} s")
    assert seconds[1] < 12.0 * seconds[0]


def test_effects_of_all_practices_take_two_seconds_of_processor_time() -> None:
    """Three outcomes of five seasons of 90 tanks: six mixed fits, four other methods, and what decides claims."""
    frame = outcome_rows(simulate(1, with_readings=False))
    started = time.process_time()
    report = effects_report(frame)
    taken = time.process_time() - started
    print(f"\n{len(frame)} rows, {len(report.effects)} contrasts: {taken:.2f} s of processor time")
    assert taken < 2.0 * ON_A_BUSY_MACHINE
