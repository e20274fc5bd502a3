"""Simulated trials, 20 % not followed and 10 % silent: false alarms, coverage, and power as promised.

Run: pytest tests/benchmarks/trials_calibration_test.py -s
"""

from __future__ import annotations

import numpy as np
import pytest
from tests.trials.programmes import ORDINARY, planned_tanks, recorded

from broodyear.trials import assign, power_of
from broodyear.trials.power import shift_for
from broodyear.trials.randomisation import randomised

#: Trials per figure: a share of 5 % is known to 0.7 points, one of 80 % to 1.3.
TRIALS = 1_000
SEED = 20_250_901
NOT_FOLLOWED = 0.20
#: Shift on the log-odds: about 8 points at ORDINARY's survival.
SHIFT = 0.5
TANKS = (40, 96)


def judged(tanks: int, shift: float, seed: int, not_followed: float = NOT_FOLLOWED) -> tuple[float, float]:
    """Shares of trials whose interval holds the truth, and whose p-value is at most 0.05."""
    covered = found = 0
    listed = planned_tanks(tanks)
    past = listed.assign(gravel_practice="bare")
    for number in range(TRIALS):
        drawn = assign(listed, past, "gravel_practice", ("bare", "gravel"), season=2025, seed=seed + number).rows
        rows, truth = recorded(drawn, shift, np.random.default_rng([seed, number]), not_followed=not_followed)
        usable = rows[rows["usable"]]
        answer = randomised(
            (100.0 * usable["survivors"] / usable["eggs"]).to_numpy(dtype=float),
            (usable["level"] == "gravel").to_numpy(),
            usable["block"].astype("category").cat.codes.to_numpy(dtype=np.int64),
            seed=number,
        )
        covered += answer.low <= truth <= answer.high
        found += answer.p_value <= 0.05
    return covered / TRIALS, found / TRIALS


@pytest.mark.parametrize("tanks", TANKS)
def test_false_alarms_and_coverage(tanks: int) -> None:
    _, alarms = judged(tanks, 0.0, SEED)
    covered, _ = judged(tanks, SHIFT, SEED + TRIALS)
    print(f"\n{tanks} tanks: false alarms {100 * alarms:.1f} %, coverage {100 * covered:.1f} %")
    assert 0.03 <= alarms <= 0.07
    assert 0.93 <= covered <= 0.97


@pytest.mark.parametrize("tanks", TANKS)
def test_the_difference_promised_is_found_in_four_of_five_trials(tanks: int) -> None:
    """The promise is for tanks that do as assigned; the effect here lies on the log-odds, as real ones would."""
    listed = planned_tanks(tanks)
    past = listed.assign(gravel_practice="bare")
    rows = assign(listed, past, "gravel_practice", ("bare", "gravel"), season=2025, seed=1).rows
    promised = power_of(rows, ORDINARY, seed=2, seasons=(1,)).smallest_points[1]
    shift = -shift_for(promised, ORDINARY)
    _, found = judged(tanks, shift, SEED + 3 * TRIALS, not_followed=0.0)
    print(f"\n{tanks} tanks: {promised:.1f} points promised with 80 % power, found in {100 * found:.1f} %")
    assert 0.75 <= found <= 0.85
