"""Shrinkage against Efron and Morris's batting averages, the rat tumours, toxoplasmosis and surgical data."""

from __future__ import annotations

import numpy as np
import pytest
from tests.setups.golden import assert_matches, check, counts

from broodyear.errors import Refused
from broodyear.setups import shrinkage
from broodyear.setups.shrinkage import BetaPrior

GOLDEN = "shrinkage.json"
DATA = {"batting": "batting", "rats71": "rat_tumours", "toxo": "toxoplasmosis", "surgical": "surgical"}


def test_batting_averages_raw() -> None:
    units, hits, at_bats = counts("data_batting.csv")
    got = shrinkage.james_stein(hits, at_bats[0])
    golden = check(GOLDEN, "js_raw.estimates")
    assert_matches(got.estimates, [golden["value"][unit] for unit in units], golden["tolerance"])
    published = check(GOLDEN, "js_raw.published")
    assert_matches([got.keep, got.centre], [0.212, 0.265], published["tolerance"])


def test_batting_averages_on_the_arcsine_scale() -> None:
    units, hits, at_bats = counts("data_batting.csv")
    got, golden = shrinkage.james_stein_arcsine(hits, at_bats[0]), check(GOLDEN, "js_arcsine")
    assert_matches(got.keep, golden["value"]["keep"], golden["tolerance"])
    assert_matches(got.estimates, [golden["value"]["estimates"][unit] for unit in units], golden["tolerance"])


def test_rat_tumour_prior_and_posterior_as_published() -> None:
    # Gelman et al., Bayesian Data Analysis 3rd ed., section 5.1: prior from 70 groups, posterior of the last.
    _, tumours, rats = counts("data_rat_tumours.csv")
    prior = shrinkage.beta_prior_by_moments(tumours[:70], rats[:70])
    golden, published = check(GOLDEN, "rats.moments70"), check(GOLDEN, "rats.posterior71.published")
    assert_matches([prior.a, prior.b], [golden["value"]["a"], golden["value"]["b"]], golden["tolerance"])
    posterior = (shrinkage.posterior_mean([4], [14], prior)[0], shrinkage.posterior_sd([4], [14], prior)[0])
    assert_matches(posterior, [0.223, 0.083], published["tolerance"])


@pytest.mark.parametrize("name", DATA)
def test_beta_binomial_maximum_likelihood(name: str) -> None:
    _, count, number = counts(f"data_{DATA[name]}.csv")
    golden, prior = check(GOLDEN, f"{name}.betabinom_ml"), shrinkage.fit_beta_binomial(count, number)
    got = {
        "mu": prior.mean,
        "rho": prior.correlation,
        "loglik": shrinkage.beta_binomial_log_likelihood(count, number, prior),
    }
    for quantity, value in got.items():
        assert_matches(value, golden["value"][quantity], golden["tolerance"])


@pytest.mark.parametrize("name", DATA)
def test_posterior_means_and_intervals(name: str) -> None:
    units, count, number = counts(f"data_{DATA[name]}.csv")
    means, intervals = check(GOLDEN, f"{name}.eb_posterior_mean"), check(GOLDEN, f"{name}.eb_interval95")
    prior = shrinkage.fit_beta_binomial(count, number)
    got = shrinkage.posterior_mean(count, number, prior)
    assert_matches(got, [means["value"][unit] for unit in units], means["tolerance"])
    limits = np.column_stack(shrinkage.posterior_interval(count, number, prior))
    assert_matches(limits, [intervals["value"][unit] for unit in units], intervals["tolerance"])


@pytest.mark.parametrize("name", DATA)
def test_moment_estimators(name: str) -> None:
    _, count, number = counts(f"data_{DATA[name]}.csv")
    golden = check(GOLDEN, f"{name}.moments")
    plain, weighted = golden["value"]["unweighted"], golden["value"]["size_weighted"]
    prior = shrinkage.beta_prior_by_moments(count, number)
    assert_matches([prior.a, prior.b], [plain["a"], plain["b"]], golden["tolerance"])
    got = shrinkage.kleinman_moments(count, number)
    assert_matches(got, [weighted["mu"], weighted["rho"]], golden["tolerance"])


def test_units_that_all_agree_are_refused() -> None:
    with pytest.raises(Refused, match="all alive or all dead"):
        shrinkage.fit_beta_binomial([20, 30], [20, 30])
    with pytest.raises(Refused, match="do not vary"):
        shrinkage.beta_prior_by_moments([20, 30], [20, 30])


def test_large_units_are_hardly_shrunken() -> None:
    got = shrinkage.posterior_mean([20, 20_000], [40, 40_000], BetaPrior(80.0, 20.0))
    assert got[0] > 0.70
    assert got[1] == pytest.approx(0.5, abs=0.001)
