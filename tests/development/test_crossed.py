"""Mean of interval-known values with crossed groups, heavy tails and Satterthwaite limits."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy.special import stdtrit

from broodyear.development.likelihood.censored import Intervals, common_part
from broodyear.development.likelihood.crossed import CrossedMean, crossed_means
from broodyear.development.likelihood.crossed_posterior import MeanWanted, Posteriors
from broodyear.development.likelihood.curve_likelihood import marginal

# Intervals this narrow are values; what is left of an error is that of the search.
NARROW = 1e-4
# Found by steps that stop when one promises less than a two-hundredth of a standard error.
SEARCH_REL = 5e-3
# What rounding in the last digits of what is given may move an answer by, in its own unit.
LAST_DIGITS = 1e-4
# What normal terms in the place of ten intervals are off in ln of the likelihood; it is one that matters.
TERMS = 0.05
# What a normal cut off at delivery makes of errors that are cut off there and are not normal.
CUT_OFF_REL = 0.1
# The same steps in another order of summing.
TOGETHER = 1e-6


def crossed_mean(known: Intervals, groups: dict[str, np.ndarray], **how: Any) -> CrossedMean:
    return crossed_means([MeanWanted(known, groups, **how)])[0]


def intervals(lower: np.ndarray, upper: np.ndarray, start: float = -np.inf) -> Intervals:
    n = len(lower)
    return Intervals(lower, upper, np.full(n, start), np.zeros(n, dtype=np.intp), 1)


def as_text(labels: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    return {name: codes.astype(str) for name, codes in labels.items()}


def values(middle: np.ndarray) -> Intervals:
    return intervals(middle - NARROW, middle + NARROW)


@pytest.mark.parametrize("count", [0, 3])
def test_no_known_end_gives_no_number(count: int) -> None:
    found = crossed_mean(intervals(np.full(count, -np.inf), np.full(count, np.inf)), {}, wrong_sd=30.0)
    assert np.isnan(
        [found.estimate[0], found.std_error(), *found.interval(), found.total_sd, found.p_value()]
    ).all()
    assert len(found.wrong_probability) == count


def test_narrow_intervals_give_the_mean_of_their_middles() -> None:
    middle = np.array([-1.0, 0.0, 0.5, 1.5, 4.0])
    found = crossed_mean(values(middle), {}, wrong_sd=30.0, wrong_share=0.0)
    # Worked by hand: the middles sum to 5.0 over 5 values; the spread is √(Σ(x − 1)² / 4), its limits t with 4.
    spread = np.sqrt((4 + 1 + 0.25 + 0.25 + 9) / 4)
    assert found.estimate[0] == pytest.approx(1.0, abs=1e-3)
    assert found.spread_sd == pytest.approx(spread, rel=SEARCH_REL)
    assert found.df[0] == pytest.approx(4.0, rel=0.02)
    assert found.interval()[1] - 1.0 == pytest.approx(2.776445 * spread / np.sqrt(5), rel=0.01)


def test_nothing_is_told_where_one_value_fits_every_interval() -> None:
    """From 1 to 2 every value is as likely as can be, at a spread as small as one likes."""
    known = intervals(np.array([-5.0, 0.0, 1.0]), np.array([2.0, 9.0, 4.0]))
    assert common_part(known) == (1.0, 2.0)
    assert np.isnan(crossed_mean(known, {}, wrong_sd=30.0).estimate[0])


def test_a_value_that_fits_all_but_one_interval_is_estimated() -> None:
    known = intervals(np.array([-5.0, 0.0, 1.0, 6.0]), np.array([2.0, 9.0, 4.0, 7.0]))
    assert common_part(known) is None
    low, high = crossed_mean(known, {}, wrong_sd=30.0).interval()
    assert low < high


def test_known_values_agree_with_a_restricted_likelihood_fit() -> None:
    """statsmodels 0.15 MixedLM, reml=True, batch and site as crossed variance components."""
    rng = np.random.default_rng(31)
    site, batch = np.repeat(np.arange(12), 10), np.tile(np.repeat(np.arange(5), 2), 12)
    middle = 1.0 + rng.normal(0, 2.0, 12)[site] + rng.normal(0, 1.0, 5)[batch] + rng.normal(0, 0.8, 120)
    frame = pd.DataFrame({"y": middle, "site": site, "batch": batch, "all": 1})
    parts = {"site": "0 + C(site)", "batch": "0 + C(batch)"}
    other = smf.mixedlm("y ~ 1", frame, groups="all", vc_formula=parts, re_formula="0").fit(reml=True)
    labels = {"site": site.astype(str), "batch": batch.astype(str)}
    found = crossed_mean(values(middle), labels, wrong_sd=30.0, wrong_share=0.0)
    spreads = dict(zip(other.model.exog_vc.names, other.vcomp, strict=True))
    assert found.estimate[0] == pytest.approx(other.params["Intercept"], abs=1e-3)
    assert found.std_error() == pytest.approx(other.bse["Intercept"], rel=SEARCH_REL)
    assert found.group_sd["site"] == pytest.approx(np.sqrt(spreads["site"]), rel=SEARCH_REL)
    assert found.group_sd["batch"] == pytest.approx(np.sqrt(spreads["batch"]), rel=SEARCH_REL)
    assert found.spread_sd == pytest.approx(np.sqrt(other.scale), rel=SEARCH_REL)


def test_balanced_sites_have_the_degrees_of_freedom_of_their_means() -> None:
    """One way and balanced, the mean of 8 sites has exactly 7."""
    rng = np.random.default_rng(32)
    site = np.repeat(np.arange(8), 6)
    middle = rng.normal(0, 3.0, 8)[site] + rng.normal(0, 1.0, 48)
    found = crossed_mean(values(middle), {"site": site.astype(str)}, wrong_sd=30.0, wrong_share=0.0)
    means = pd.Series(middle).groupby(site).mean()
    assert found.df[0] == pytest.approx(7.0, rel=0.01)
    assert found.std_error() == pytest.approx(float(means.std(ddof=1) / np.sqrt(8)), rel=SEARCH_REL)


def test_wrong_dates_move_neither_mean_nor_spread_and_are_told() -> None:
    rng = np.random.default_rng(33)
    site = np.repeat(np.arange(20), 10)
    lower = np.floor(rng.normal(0, 1.0, 20)[site] + rng.normal(0, 1.5, 200))
    labels = {"site": site.astype(str)}
    clean = crossed_mean(intervals(lower, lower + 1.0), labels, wrong_sd=30.0)
    wrong = lower.copy()
    wrong[:6] += [40.0, -35.0, 50.0, 28.0, 60.0, 31.0]
    found = crossed_mean(intervals(wrong, wrong + 1.0), labels, wrong_sd=30.0)
    assert (found.wrong_probability > 0.5).nonzero()[0].tolist() == [0, 1, 2, 3, 4, 5]
    assert found.estimate[0] == pytest.approx(clean.estimate[0], abs=0.15)
    assert found.spread_sd == pytest.approx(clean.spread_sd, rel=0.05)
    assert found.wrong_share == pytest.approx(0.03, abs=0.005)


def test_sites_are_allowed_for_where_batches_alone_would_be_sure() -> None:
    """Thermometers of SD 3 d on 10 sites, no bias: short form of the calibration among the benchmarks."""
    rng = np.random.default_rng(34)
    site, batch = np.repeat(np.arange(10), 8), np.tile(np.arange(8), 10)
    inside = {"both": 0, "batch": 0}
    for _ in range(60):
        value = rng.normal(0, 3.0, 10)[site] + rng.normal(0, 1.5, 8)[batch] + rng.normal(0, 1.5, 80)
        known = intervals(np.floor(value), np.floor(value) + 1.0)
        for name, labels in (("both", {"site": site, "batch": batch}), ("batch", {"batch": batch})):
            low, high = crossed_mean(
                known, {key: one.astype(str) for key, one in labels.items()}, wrong_sd=30.0
            ).interval()
            inside[name] += low <= 0.0 <= high
    assert inside["both"] >= 53  # 95 % of 60 less three standard errors
    assert inside["batch"] < 53


def test_a_difference_between_readers_is_told_apart_from_the_sites() -> None:
    rng = np.random.default_rng(35)
    site = np.repeat(np.arange(20), 10)
    by_hand = (site % 2).astype(float)
    middle = rng.normal(0, 0.5, 20)[site] + 4.0 * by_hand + rng.normal(0, 1.0, 200)
    design = np.column_stack([np.ones(200), by_hand])
    found = crossed_mean(values(middle), {"site": site.astype(str)}, wrong_sd=30.0, design=design)
    low, high = found.interval(1)
    assert low < 4.0 < high and high - low < 2.5
    assert found.p_value(1) < 0.001 < found.p_value(0)


def test_means_worked_out_together_are_those_worked_out_one_by_one() -> None:
    """Sets of other sizes, with other levels and other groups, and one that tells nothing."""
    rng = np.random.default_rng(36)
    wanted = []
    for size, sites, batches in ((80, 20, 6), (30, 4, 12), (25, 25, 3)):
        site, batch = rng.integers(0, sites, size), rng.integers(0, batches, size)
        lower = np.floor(
            rng.normal(0, 1.5, sites)[site] + rng.normal(0, 1.0, batches)[batch] + rng.normal(0, 1, size)
        )
        groups = {"batch": batch.astype(str), "site": site.astype(str)}
        wanted.append(MeanWanted(intervals(lower, lower + 1.0), groups, 30.0))
        wanted.append(MeanWanted(intervals(lower, lower + 1.0), {"batch": groups["batch"]}, 30.0, wrong_share=0.0))
    wanted.append(MeanWanted(intervals(np.array([0.0]), np.array([3.0])), {}, 30.0))
    together = crossed_means(wanted)
    for one, found in zip(wanted, together, strict=True):
        alone = crossed_means([one])[0]
        np.testing.assert_allclose(found.estimate, alone.estimate, atol=TOGETHER)
        np.testing.assert_allclose(found.posterior, alone.posterior, atol=TOGETHER)
        np.testing.assert_allclose(found.df, alone.df, rtol=TOGETHER)
        assert found.group_sd == pytest.approx(alone.group_sd, rel=TOGETHER)
    assert np.isnan(together[-1].estimate[0])
    assert len(together[0].effects["site"]) == 20


def test_the_evidence_is_that_of_quadrature() -> None:
    """Looks 3 apart, 4 sites: ln of the restricted likelihood, each less that at the spreads before, by nine-point
    quadrature over each site's effect and the trapezoid rule over the mean."""
    rng = np.random.default_rng(37)
    site = np.repeat(np.arange(4), [1, 2, 3, 4])
    lower = np.floor(rng.normal(0, 1.5, 4)[site] + rng.normal(0, 1.0, 10)) - rng.integers(0, 3, 10)
    known = intervals(lower, lower + 3.0)
    by_quadrature, found = [], []
    for site_sd, spread_sd in ((1.0, 1.0), (2.0, 0.5), (0.3, 2.0), (1.5, 0.2)):
        means = np.linspace(-9.0, 7.0, 41)
        logs = np.array(
            [
                marginal(
                    Intervals(lower - mean, lower + 3.0 - mean, known.start, site.astype(np.intp), 4),
                    spread_sd,
                    site_sd,
                ).log_likelihood
                for mean in means
            ]
        )
        by_quadrature.append(logs.max() + np.log(np.sum(np.exp(logs - logs.max())) * (means[1] - means[0])))
        one = MeanWanted(known, {"site": site.astype(str)}, 30.0, wrong_share=0.0)
        posteriors, spreads = Posteriors([one]), np.array([[site_sd, spread_sd]])
        flat = posteriors.flat([one], np.zeros(10, dtype=bool))
        terms = posteriors.begin(flat, spreads, np.zeros(1))
        state = posteriors.settled(flat, spreads, spreads, *terms)
        found.append(float(state.evidence[0]))
    np.testing.assert_allclose(np.diff(found), np.diff(by_quadrature), atol=TERMS)


def _far_apart(seed: int) -> MeanWanted:
    """61 values of 10 batches (SD 1.5) and 49 sites (1.2), SD 1.5 of single values, looks about 10 apart."""
    rng = np.random.default_rng(seed)
    batch = np.concatenate([np.arange(10), rng.integers(0, 10, 51)])
    site = rng.permutation(np.concatenate([np.arange(49), rng.integers(0, 49, 12)]))
    value = rng.normal(0, 1.5, 10)[batch] + rng.normal(0, 1.2, 49)[site] + rng.normal(0, 1.5, 61)
    width = np.maximum(rng.poisson(10, 61), 1)
    lower = value - rng.uniform(size=61) * width
    groups = {"batch": batch.astype(str), "site": site.astype(str)}
    return MeanWanted(intervals(lower, lower + width), groups, 30.0)


def test_spreads_are_recovered_where_looks_are_far_apart_and_sites_have_one_tank() -> None:
    """60 sets: short form of the calibration among the benchmarks."""
    wanted = [_far_apart(seed) for seed in range(38, 98)]
    found = crossed_means(wanted)
    assert all(one.is_settled for one in found)
    true = np.sqrt(1.5**2 + 1.2**2 + 1.5**2)
    assert np.median([one.total_sd for one in found]) == pytest.approx(true, rel=0.1)
    inside = sum(low <= 0.0 <= high for low, high in (one.interval() for one in found))
    assert inside >= 53  # 95 % of 60 less three standard errors


@pytest.mark.parametrize(("count", "batches", "sites", "apart"), [(61, 10, 49, 2), (13, 7, 11, 3), (7, 5, 5, 17)])
def test_the_last_digits_of_what_is_given_move_nothing(count: int, batches: int, sites: int, apart: int) -> None:
    rng = np.random.default_rng([39, count])
    for _ in range(5):
        labels = {"batch": rng.integers(0, batches, count), "site": rng.integers(0, sites, count)}
        value = rng.normal(0, 2.0, batches)[labels["batch"]] + rng.normal(0, 2.0, sites)[labels["site"]]
        lower = value - rng.uniform(size=count) * apart
        groups = {name: codes.astype(str) for name, codes in labels.items()}
        for moved in (1e-9, -1e-9):
            plain = crossed_mean(intervals(lower, lower + apart), groups, wrong_sd=30.0)
            other = crossed_mean(intervals(lower + moved, lower + apart + moved**2), groups, wrong_sd=30.0)
            np.testing.assert_allclose(other.interval(), plain.interval(), atol=LAST_DIGITS, equal_nan=True)


def test_a_search_that_does_not_settle_is_told_and_gives_no_number() -> None:
    """Nothing holds what the last site's values differ by: both lie anywhere below zero."""
    rng = np.random.default_rng(40)
    value, by_hand = rng.normal(0, 1.0, 12), np.repeat([0.0, 1.0], [10, 2])
    lower = np.where(by_hand == 1.0, -np.inf, np.floor(value))
    upper = np.where(by_hand == 1.0, 0.0, np.floor(value) + 1.0)
    design = np.column_stack([np.ones(12), by_hand])
    site = {"site": np.repeat(np.arange(6), 2).astype(str)}
    found = crossed_mean(intervals(lower, upper), site, wrong_sd=30.0, design=design)
    assert not found.is_settled
    assert np.isnan(
        [*found.estimate, *found.interval(0), *found.interval(1), found.p_value(1), found.total_sd]
    ).all()
    assert crossed_mean(intervals(lower[:10], upper[:10]), {}, wrong_sd=30.0).is_settled


def labelled(rng: np.random.Generator, count: int) -> dict[str, np.ndarray]:
    return {"batch": rng.integers(0, 20, count), "site": rng.integers(0, 10, count)}


@pytest.mark.parametrize("seed", range(4))
def test_heavy_tails_of_many_values_have_a_mean(seed: int) -> None:
    """Errors between ordinary and wrong ones, each of which asks for a turn of its own."""
    rng, n = np.random.default_rng([41, seed]), 400
    labels = labelled(rng, n)
    effects = rng.normal(0, 1.8, 20)[labels["batch"]] + rng.normal(0, 1.6, 10)[labels["site"]]
    lower = np.floor(effects + 0.6 * rng.standard_t(1.0, n))
    found = crossed_mean(intervals(lower, lower + 1), as_text(labels), wrong_sd=30.0)
    low, high = found.interval()
    assert found.is_settled and low < 0.5 < high and high - low < 4.5


@pytest.mark.parametrize("seed", [6, 11, 19, 21])
def test_a_model_that_is_months_late_is_told_although_delivery_cuts_it_off(seed: int) -> None:
    """Units in °F·d: predictions so late that many tanks could not have hatched so early without being missed."""
    rng, n = np.random.default_rng([42, seed]), 200
    labels = labelled(rng, n)
    temp = rng.uniform(5.3, 11.4, n)
    single = rng.normal(0, 0.005, 20)[labels["batch"]] + rng.normal(0, 0.03, n)
    event = 32 * np.exp(-0.14 * (temp - 8) + single)
    predicted = event + 500 / temp - 1.5 * (labels["site"] - 5)
    lower = np.floor(event) - predicted
    known = Intervals(lower, lower + 1, -predicted, np.zeros(n, dtype=np.intp), 1)
    found = crossed_mean(known, as_text(labels), wrong_sd=30.0)
    assert found.is_settled
    assert found.estimate[0] == pytest.approx(float(np.mean(event - predicted)), rel=CUT_OFF_REL)
    assert found.p_value() < 1e-6


def balanced(batches: int, each: int, seed: int = 3) -> tuple[np.ndarray, np.ndarray]:
    """(values, batch of each): batches that differ by 4 times what their tanks do."""
    rng = np.random.default_rng(seed)
    batch = np.repeat(np.arange(batches), each)
    return rng.normal(0.0, 2.0, batches)[batch] + rng.normal(0.0, 0.5, len(batch)), batch


def test_a_new_value_has_the_spread_and_degrees_of_freedom_of_mean_squares() -> None:
    """By hand: the variance of a new batch's value is (1 + 1/k)·MSB/n + (1 − 1/n)·MSW (Satterthwaite 1946)."""
    k, n = 6, 5
    known, batch = balanced(k, n)
    found = crossed_mean(values(known), {"batch": batch.astype(str)}, wrong_sd=300.0, wrong_share=0.0)
    means = known.reshape(k, n).mean(axis=1)
    between = n * means.var(ddof=1)
    within = known.reshape(k, n).var(axis=1, ddof=1).mean()
    parts = (1 + 1 / k) * between / n, (1 - 1 / n) * within
    df = sum(parts) ** 2 / (parts[0] ** 2 / (k - 1) + parts[1] ** 2 / (k * (n - 1)))
    mean, variance, degrees = found.predicted(np.ones((2, 1)), {"batch": np.array([-1, 2])})
    assert mean[0] == pytest.approx(means.mean(), abs=1e-3)
    assert variance[0] == pytest.approx(sum(parts), rel=2 * SEARCH_REL)
    assert degrees[0] == pytest.approx(df, rel=0.03)
    # A known batch: shrunken towards the others, the spread between tanks still there.
    shrunk = means.mean() + (1 - within / between) * (means[2] - means.mean())
    assert mean[1] == pytest.approx(shrunk, abs=2e-3)
    assert within < variance[1] < 1.3 * within


def test_spreads_not_told_apart_are_doubtful_only_where_one_of_them_is_asked_for() -> None:
    """Three stocks of a batch each and one tank of a further batch: what is batch and what is stock rests on one
    difference, but not how far a further batch of a stock may lie from its own."""
    rng = np.random.default_rng(1)
    stock = np.array([0] * 6 + [1] * 6 + [2] * 6 + [0])
    batch = np.array([0] * 6 + [1] * 6 + [2] * 6 + [3])
    known = np.array([0.0, 0.06, -0.06])[stock] + rng.normal(0, 0.01, 19) + np.where(batch == 3, -0.05, 0.0)
    groups = {"batch": batch.astype(str), "stock": stock.astype(str)}
    found = crossed_mean(values_within(known, 1e-5), groups, wrong_sd=0.5, wrong_share=0.0)
    _, variance, degrees = found.predicted(np.ones((1, 1)), {"batch": np.array([-1]), "stock": np.array([1])})
    assert degrees[0] > 1.5
    half = float(stdtrit(degrees[0], 0.975) * np.sqrt(variance[0]))
    assert half < 0.4  # 0.6 and more, were the spread of batches taken as told by itself


def values_within(middle: np.ndarray, half: float) -> Intervals:
    return intervals(middle - half, middle + half)
