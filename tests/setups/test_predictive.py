"""Overdispersed counts: exact tails and shrunken survival against brute-force integration."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import binom, norm
from tests.setups.golden import check, counts

from broodyear.setups import predictive

#: Trapezoid rule on 61 nodes against adaptive quadrature.
TAIL_TOLERANCE = 1e-6
#: Grid posterior on 57 points against adaptive quadrature.
POSTERIOR_TOLERANCE = 1e-5
#: Limits are interpolated between grid points a quarter of a standard deviation apart.
LIMIT_TOLERANCE = 2e-4


def row(*values: float) -> list[np.ndarray]:
    return [np.array([value], dtype=float) for value in values]


def share(log_odds: float) -> float:
    return float(1.0 / (1.0 + np.exp(-log_odds)))


@pytest.mark.parametrize(
    ("survivors", "eggs", "centre", "spread"),
    [(30, 40, 1.7, 0.45), (0, 20, 1.0, 0.5), (40, 40, 2.5, 0.3), (110, 150, 1.7, 0.16), (3, 12, -0.5, 0.8)],
)
def test_lower_mid_p_by_quadrature(survivors: int, eggs: int, centre: float, spread: float) -> None:
    def mid_tail(z: float) -> float:
        alive = share(centre + spread * z)
        tail = binom.cdf(survivors - 1, eggs, alive) + 0.5 * binom.pmf(survivors, eggs, alive)
        return float(tail * norm.pdf(z))

    want = quad(mid_tail, -9, 9, epsabs=1e-12, limit=200)[0]
    got = predictive.lower_mid_p(*row(survivors, eggs, centre, spread))[0]
    assert got == pytest.approx(want, abs=TAIL_TOLERANCE)


def test_mid_p_without_spread_is_the_binomial_one() -> None:
    _, count, number = counts("data_surgical.csv")
    target = count.sum() / number.sum()
    centre = np.full(len(count), np.log(target / (1.0 - target)))
    lower = predictive.lower_mid_p(count, number, centre, np.full(len(count), 1e-9))
    want = check("funnel_multiplicity.json", "flags.surgical")["value"]["midp_two_sided"]
    np.testing.assert_allclose(2.0 * np.minimum(lower, 1.0 - lower), list(want.values()), atol=1e-7)


@pytest.mark.parametrize(("eggs", "centre", "spread"), [(1, 0.3, 0.4), (40, 1.7, 0.45), (150, -30.0, 0.2)])
def test_every_count_at_once_is_each_count_alone(eggs: int, centre: float, spread: float) -> None:
    every = np.arange(eggs + 1.0)
    alone = predictive.lower_mid_p(every, *(np.full(eggs + 1, float(one)) for one in (eggs, centre, spread)))
    np.testing.assert_allclose(predictive.every_mid_p(eggs, centre, spread), alone, atol=1e-11)


def test_tail_probabilities_of_all_counts_rise_to_one() -> None:
    counted = np.arange(61.0)
    tails = predictive.lower_mid_p(counted, *(np.full(61, value) for value in (60.0, 1.5, 0.4)))
    assert (np.diff(tails) > 0).all()
    assert 0.0 < tails[0] < tails[-1] < 1.0


@pytest.mark.parametrize(
    ("survivors", "eggs", "centre", "spread"), [(30, 40, 1.7, 0.45), (0, 20, 1.0, 0.5), (12, 150, 1.7, 0.3)]
)
def test_shrunken_survival_by_quadrature(survivors: int, eggs: int, centre: float, spread: float) -> None:
    grid = np.linspace(centre - 9.0, centre + 5.0, 200_001)
    logs = survivors * grid - eggs * np.logaddexp(0.0, grid) - 0.5 * ((grid - centre) / spread) ** 2
    density = np.exp(logs - logs.max())
    density /= density.sum()
    alive = 1.0 / (1.0 + np.exp(-grid))
    reached = np.cumsum(density)
    mean, low, high = predictive.shrunken_survival(*row(survivors, eggs, centre, spread))
    assert mean[0] == pytest.approx(float(density @ alive), abs=POSTERIOR_TOLERANCE)
    assert low[0] == pytest.approx(float(np.interp(0.025, reached, alive)), abs=LIMIT_TOLERANCE)
    assert high[0] == pytest.approx(float(np.interp(0.975, reached, alive)), abs=LIMIT_TOLERANCE)


def test_shrunken_rates_of_the_surgical_data() -> None:
    # lme4::glmer(cbind(r, n - r) ~ 1 + (1 | unit), nAGQ = 25): modes; the mean differs from the mode by less
    # than the tolerance because the posteriors are nearly symmetric.
    units, count, number = counts("data_surgical.csv")
    fitted = check("shrinkage.json", "surgical.logitnormal_agq25")["value"]
    centre, spread = (np.full(len(count), fitted[name]) for name in ("intercept", "sigma"))
    mean, _, _ = predictive.shrunken_survival(count, number, centre, spread)
    np.testing.assert_allclose(mean, [fitted["shrunken"][unit] for unit in units], atol=0.004)


def test_coarse_nodes_change_little() -> None:
    counted = np.arange(151.0)
    constant = [np.full(151, value) for value in (150.0, 1.7, 0.5)]
    fine = predictive.normal_scores(counted, *constant)
    coarse = predictive.normal_scores(counted, *constant, coarse=True)
    # Beyond five standard deviations both lie outside the nodes.
    inside = np.abs(fine) < 5.0
    np.testing.assert_allclose(coarse[inside], fine[inside], atol=0.005)
