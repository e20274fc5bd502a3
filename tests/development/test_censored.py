"""The interval likelihood with batch effects against brute force."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm, truncnorm

from broodyear.development.likelihood.censored import (
    WRONG_LOG_SD,
    Intervals,
    log_interval_probability,
    mean_absolute_within,
    mixed_terms,
    probability_inside,
)
from broodyear.development.likelihood.curve_likelihood import marginal

SPREAD, GROUP = 0.7, 0.9
# Seven adaptive nodes against adaptive quadrature to 1e-10.
QUADRATURE = 1e-6


def _intervals(rng: np.random.Generator, n: int = 12, groups: int = 3) -> Intervals:
    lower = rng.normal(0, 1, n)
    upper = lower + rng.uniform(0.2, 1.5, n)
    upper[::5] = np.inf
    return Intervals(lower, upper, lower - rng.uniform(0.5, 3.0, n), np.arange(n) % groups, groups)


def _brute(known: Intervals) -> float:
    total = 0.0
    for g in range(known.groups):
        member = known.group == g

        def integrand(u: float, member: np.ndarray = member) -> float:
            inside = norm.cdf((known.upper[member] - u) / SPREAD) - norm.cdf((known.lower[member] - u) / SPREAD)
            left = norm.sf((known.start[member] - u) / SPREAD)
            return float(np.prod(inside / left) * norm.pdf(u, scale=GROUP))

        total += np.log(quad(integrand, -8, 8, epsabs=1e-13, epsrel=1e-11, points=[0.0])[0])
    return total


def test_marginal_likelihood_agrees_with_brute_force_integration() -> None:
    known = _intervals(np.random.default_rng(3))
    assert marginal(known, SPREAD, GROUP).log_likelihood == pytest.approx(_brute(known), rel=QUADRATURE)


def test_gradients_agree_with_differences() -> None:
    known = _intervals(np.random.default_rng(4))
    result, step = marginal(known, SPREAD, GROUP), 1e-5
    by_spread = marginal(known, SPREAD * np.exp(step), GROUP).log_likelihood
    by_spread -= marginal(known, SPREAD * np.exp(-step), GROUP).log_likelihood
    by_group = marginal(known, SPREAD, GROUP * np.exp(step)).log_likelihood
    by_group -= marginal(known, SPREAD, GROUP * np.exp(-step)).log_likelihood
    assert result.by_log_spread_sd.sum() == pytest.approx(by_spread / (2 * step), rel=1e-4)
    assert result.by_log_group_sd.sum() == pytest.approx(by_group / (2 * step), rel=1e-4)
    for name, analytic in (("lower", result.by_lower), ("upper", result.by_upper), ("start", result.by_start)):
        for i in (1, 7):
            edges = {edge: getattr(known, edge).copy() for edge in ("lower", "upper", "start")}
            edges[name][i] += step
            above = marginal(Intervals(**edges, group=known.group, groups=3), SPREAD, GROUP).log_likelihood
            edges[name][i] -= 2 * step
            below = marginal(Intervals(**edges, group=known.group, groups=3), SPREAD, GROUP).log_likelihood
            assert analytic[i] == pytest.approx((above - below) / (2 * step), rel=1e-3, abs=1e-5)


def test_a_value_with_an_error_of_its_own_is_wider_by_it() -> None:
    """Equal errors of all values are a larger spread; the derivative is by the spread alone."""
    known, own, step = _intervals(np.random.default_rng(6)), 0.4, 1e-5
    wider = replace(known, own_sd=np.full(len(known.lower), own))
    together = marginal(known, float(np.hypot(SPREAD, own)), GROUP).log_likelihood
    result = marginal(wider, SPREAD, GROUP)
    assert result.log_likelihood == pytest.approx(together, rel=1e-12)
    by_spread = marginal(wider, SPREAD * np.exp(step), GROUP).log_likelihood
    by_spread -= marginal(wider, SPREAD * np.exp(-step), GROUP).log_likelihood
    assert result.by_log_spread_sd.sum() == pytest.approx(by_spread / (2 * step), rel=1e-4)


def test_without_group_spread_values_are_independent() -> None:
    known = _intervals(np.random.default_rng(5))
    alone = norm.cdf(known.upper / SPREAD) - norm.cdf(known.lower / SPREAD)
    expected = float(np.sum(np.log(alone / norm.sf(known.start / SPREAD))))
    assert marginal(known, SPREAD, 0.0).log_likelihood == pytest.approx(expected, rel=1e-10)
    assert marginal(known, SPREAD, 1e-6).log_likelihood == pytest.approx(expected, rel=1e-6)


def test_probabilities_survive_far_tails() -> None:
    far = log_interval_probability(np.array([40.0, -41.0]), np.array([41.0, -40.0]))
    np.testing.assert_allclose(far, norm.logsf(40.0), rtol=1e-10)
    assert log_interval_probability(np.array([-np.inf]), np.array([np.inf]))[0] == pytest.approx(0.0, abs=1e-15)


def test_wrong_dates_change_the_likelihood_by_their_share() -> None:
    known = _intervals(np.random.default_rng(8))
    share = 0.1
    right = norm.cdf(known.upper / SPREAD) - norm.cdf(known.lower / SPREAD)
    wrong = norm.cdf(known.upper / WRONG_LOG_SD) - norm.cdf(known.lower / WRONG_LOG_SD)
    right, wrong = right / norm.sf(known.start / SPREAD), wrong / norm.sf(known.start / WRONG_LOG_SD)
    expected = float(np.sum(np.log((1 - share) * right + share * wrong)))
    found = marginal(known, SPREAD, 0.0, wrong_share=share)
    assert found.log_likelihood == pytest.approx(expected, rel=1e-10)
    step = 1e-6
    above = marginal(known, SPREAD, GROUP, wrong_share=share + step).log_likelihood
    below = marginal(known, SPREAD, GROUP, wrong_share=share - step).log_likelihood
    assert marginal(known, SPREAD, GROUP, wrong_share=share).by_wrong_share.sum() == pytest.approx(
        (above - below) / (2 * step), rel=1e-3
    )


@pytest.mark.parametrize(("low", "high"), [(-2.0, 1.0), (0.5, 2.0), (-3.0, -1.0), (0.2, np.inf), (-0.4, np.inf)])
def test_conditional_means_agree_with_truncated_normal(low: float, high: float) -> None:
    mean, sd = 0.3, 1.2
    value = truncnorm((low - mean) / sd, (high - mean) / sd, loc=mean, scale=sd)
    expected = value.expect(abs)
    found = mean_absolute_within(np.array([low]), np.array([high]), mean, sd)[0]
    assert found == pytest.approx(expected, rel=1e-6)
    inside = probability_inside(np.array([low]), np.array([high]), np.array([0.7]), mean, sd)[0]
    assert inside == pytest.approx(value.cdf(0.7) - value.cdf(-0.7), abs=1e-9)


def test_log_score_is_the_log_of_the_conditional_probability() -> None:
    known = Intervals(np.array([-0.5]), np.array([0.5]), np.array([-1.0]), np.zeros(1, dtype=np.intp), 1)
    score = mixed_terms(known, np.zeros(1), np.array([2.0]), 0.0).log_probability[0]
    expected = np.log((norm.cdf(0.25) - norm.cdf(-0.25)) / norm.sf(-0.5))
    assert score == pytest.approx(expected, rel=1e-12)


def _lone() -> Intervals:
    """Five tanks in a batch, and two batches of one tank, one of them far off: looks far apart, a small spread."""
    lower = np.array([-0.03, 0.00, -0.02, 0.01, -0.04, -0.30, 0.02])
    upper = lower + np.array([0.03, 0.04, 0.03, 0.05, 0.06, 0.05, 0.04])
    return Intervals(lower, upper, np.full(7, -np.inf), np.array([0, 0, 0, 0, 0, 1, 2]), 3)


@pytest.mark.parametrize("share", [0.02, 0.17])
def test_a_value_alone_in_its_group_has_the_likelihood_of_its_whole_error(share: float) -> None:
    known, spread, group = _lone(), 0.004, 0.03
    found = marginal(known, spread, group, wrong_share=share)
    for g, i in ((1, 5), (2, 6)):
        inside = [
            norm.cdf(known.upper[i], scale=np.hypot(sd, group))
            - norm.cdf(known.lower[i], scale=np.hypot(sd, group))
            for sd in (spread, WRONG_LOG_SD)
        ]
        assert np.exp(found.log_likelihoods[g]) == pytest.approx(
            (1 - share) * inside[0] + share * inside[1], rel=1e-6
        )

        def weighed(u: float, i: int = i, power: int = 0) -> float:
            at = [
                norm.cdf((known.upper[i] - u) / sd) - norm.cdf((known.lower[i] - u) / sd)
                for sd in (spread, WRONG_LOG_SD)
            ]
            return float(((1 - share) * at[0] + share * at[1]) * norm.pdf(u, scale=group) * u**power)

        near = [known.lower[i], known.upper[i], 0.0]
        whole, first = (
            quad(weighed, -0.5, 0.5, args=(i, k), points=near, limit=400, epsabs=0.0)[0] for k in (0, 1)
        )
        assert found.group_mode[g] == pytest.approx(first / whole, abs=1e-6)


@pytest.mark.parametrize("first", [2, 3, 5])
def test_gradients_of_few_values_agree_with_differences(first: int) -> None:
    known, share, step = _lone().subset(np.arange(7) >= first), 0.17, 1e-5
    found = marginal(known, 0.02, 0.03, wrong_share=share)

    def slope(low: float, high: float, half: float) -> float:
        return (high - low) / (2 * half)

    up, down = np.exp(step), np.exp(-step)
    likelihoods = {
        "by_log_spread_sd": [marginal(known, 0.02 * by, 0.03, None, share) for by in (down, up)],
        "by_log_group_sd": [marginal(known, 0.02, 0.03 * by, None, share) for by in (down, up)],
        "by_wrong_share": [marginal(known, 0.02, 0.03, None, share + by) for by in (-step, step)],
    }
    for name, (low, high) in likelihoods.items():
        expected = slope(low.log_likelihood, high.log_likelihood, step)
        assert getattr(found, name).sum() == pytest.approx(expected, rel=1e-5), name
    assert np.all(found.group_sd < 0.031)
