"""Randomisation inference: by hand, against a general-purpose permutation test, and under what it promises."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy import stats

from broodyear.trials.randomisation import difference, limits, p_value, permuted, randomised

#: Two sets of a few thousand drawn permutations: their p-values differ by less than this, five standard errors.
DRAWN = 0.035


def two_blocks() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Three and two tanks. By hand: block means differ by 8 and 2, weights 2·1/3 and 1·1/2, so 6.857 … below."""
    outcome = np.array([70.0, 74.0, 80.0, 60.0, 62.0])
    treated = np.array([False, False, True, False, True])
    return outcome, treated, np.array([0, 0, 0, 1, 1])


def test_the_difference_by_hand() -> None:
    expected = (8.0 * (2 / 3) + 2.0 * (1 / 2)) / (2 / 3 + 1 / 2)
    assert difference(*two_blocks()) == pytest.approx(expected)


def test_every_arrangement_by_hand() -> None:
    """Six arrangements: the observed one is the greatest, so the two-sided share is that of it and its like."""
    outcome, treated, block = two_blocks()
    every = [
        difference(
            outcome,
            np.array([*(place == one for place in range(3)), *(place == two for place in range(2))]),
            block,
        )
        for one, two in itertools.product(range(3), range(2))
    ]
    observed = difference(outcome, treated, block)
    exact = np.mean(np.abs(every) >= abs(observed) - 1e-9)
    found = randomised(outcome, treated, block, seed=1, draws=20_000)
    assert found.p_value == pytest.approx(exact, abs=DRAWN)
    assert found.blocks == 2 and found.tanks == (3, 2)


def test_one_block_agrees_with_scipys_permutation_test() -> None:
    rng = np.random.default_rng(5)
    one, other = rng.normal(70, 10, 14), rng.normal(78, 10, 11)
    expected = stats.permutation_test(
        (other, one), lambda x, y: np.mean(x) - np.mean(y), n_resamples=9_999, random_state=1
    )
    outcome = np.concatenate([one, other])
    found = randomised(outcome, np.arange(25) >= 14, np.zeros(25, dtype=int), seed=2, draws=9_999)
    assert found.difference == pytest.approx(expected.statistic)
    assert found.p_value == pytest.approx(expected.pvalue, abs=DRAWN)


def test_the_limits_are_where_the_test_turns() -> None:
    """Just inside a limit the shift is not contradicted at 5 %, just outside it is."""
    rng = np.random.default_rng(7)
    block = np.repeat(np.arange(6), 8)
    treated = np.tile(np.arange(8) % 2 == 1, 6)
    outcome = rng.normal(70, 12, 48) + 9.0 * treated
    made = permuted(outcome, treated, block, np.random.default_rng(3), 1_999)
    low, high = limits(made, 0.05)
    assert low < made.observed < high
    for limit, outward in ((low, -1.0), (high, 1.0)):
        assert p_value(made, -(limit - 0.01 * outward)) >= 0.05
        assert p_value(made, -(limit + 0.01 * outward)) <= 0.05


def test_nothing_depends_on_the_order_of_rows_or_the_numbers_of_blocks() -> None:
    outcome, treated, block = two_blocks()
    order = np.array([4, 2, 0, 3, 1])
    assert difference(outcome[order], treated[order], 9 - block[order]) == pytest.approx(
        difference(outcome, treated, block)
    )


def test_too_few_arrangements_exclude_nothing() -> None:
    found = randomised(*two_blocks(), seed=1)
    assert (found.low, found.high) == (-math.inf, math.inf)


def test_blocks_with_one_level_tell_nothing() -> None:
    found = randomised(np.array([50.0, 60.0]), np.array([True, False]), np.array([0, 1]), seed=1)
    assert math.isnan(found.difference) and math.isnan(found.p_value) and found.blocks == 0
