"""Restricted spreads and t intervals, where the normal case says what they must be."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

from broodyear.errors import UsageError
from broodyear.survival import fit_survival

NEARLY_NORMAL = 2e-2  # with 50 000 eggs per row the counts are nearly normal on the logit scale


@pytest.fixture(scope="module")
def two_arms() -> pd.DataFrame:
    """12 sites of 50 000 eggs, two practices: a two-sample comparison of site means."""
    rng = np.random.default_rng(7)
    frame = pd.DataFrame({"site": np.arange(12), "gravel": ["bare", "stones"] * 6, "eggs": 50_000})
    frame["alive"] = rng.binomial(50_000, expit(0.2 + rng.normal(0, 0.5, 12)))
    return frame


def fit(frame: pd.DataFrame, formula: str = "gravel", **more):
    return fit_survival(frame, formula, survived="alive", trials="eggs", **({"groups": "site"} | more))


def test_restricted_variance_divides_by_the_degrees_of_freedom(two_arms):
    logit = np.log(two_arms["alive"] / (two_arms["eggs"] - two_arms["alive"]))
    pooled = ((logit - logit.groupby(two_arms["gravel"]).transform("mean")) ** 2).sum() / 10
    found = fit(two_arms, small_sample=True)
    assert found.group_sd["site"] ** 2 == pytest.approx(pooled, rel=NEARLY_NORMAL)
    plain = fit(two_arms)
    assert (plain.group_sd["site"] / found.group_sd["site"]) ** 2 == pytest.approx(10 / 12, rel=NEARLY_NORMAL)


def test_degrees_of_freedom_are_those_of_a_two_sample_t_test(two_arms):
    found = fit(two_arms, small_sample=True)
    assert found.degrees_of_freedom_of(np.array([0.0, 1.0])) == pytest.approx(10, rel=0.15)
    assert fit(two_arms).degrees_of_freedom_of(np.array([0.0, 1.0])) == np.inf


def test_the_prior_moves_a_variance_by_as_much_as_it_says(two_arms):
    """The squares are v (10 − 1 + √v) where 10 ln v + squares / v − 2 ln √v + 2 √v is least."""
    logit = np.log(two_arms["alive"] / (two_arms["eggs"] - two_arms["alive"]))
    squares = ((logit - logit.groupby(two_arms["gravel"]).transform("mean")) ** 2).sum()
    found = fit(two_arms, small_sample=True, spread_prior=True)
    sd, contrast = float(found.group_sd["site"]), np.array([0.0, 1.0])
    assert sd**2 * (10 - 1 + sd) == pytest.approx(squares, rel=NEARLY_NORMAL)
    # 2 / var(ln v), from half the second derivative over ln √v: 2 squares / v + √v.
    assert found.degrees_of_freedom_of(contrast) == pytest.approx(squares / sd**2 + sd / 2, rel=5e-3)


def test_with_the_prior_no_spread_is_nothing():
    """Sites alike to the last egg: the best spread is zero, and nobody can know that from eight sites."""
    frame = pd.DataFrame({"site": range(8), "gravel": ["bare", "stones"] * 4, "eggs": 100, "alive": 80})
    plain, found = (fit(frame, small_sample=True, spread_prior=prior) for prior in (False, True))
    assert plain.group_sd["site"] == 0.0 and found.notes == ()
    assert found.group_sd["site"] > 0.05
    assert found.effects.loc["gravel[T.stones]", "std_error"] > plain.effects.loc["gravel[T.stones]", "std_error"]
    assert np.isfinite(found.degrees_of_freedom_of(np.array([0.0, 1.0])))


def test_interval_is_the_t_interval(two_arms):
    from scipy.stats import ttest_ind

    logit = np.log(two_arms["alive"] / (two_arms["eggs"] - two_arms["alive"]))
    stones = two_arms["gravel"] == "stones"
    classic = ttest_ind(logit[stones], logit[~stones])
    found = fit(two_arms, small_sample=True)
    row = found.effects.loc["gravel[T.stones]"]
    assert row["p_value"] == pytest.approx(classic.pvalue, rel=0.05)
    limits = classic.confidence_interval()
    assert [row["ci_low"], row["ci_high"]] == pytest.approx([limits.low, limits.high], abs=0.03)
    assert found.contrast("gravel").loc[0, "p_value"] == pytest.approx(row["p_value"], rel=1e-6)


def test_tank_level_contrasts_keep_more_degrees_than_site_level_ones(tanks):
    found = fit_survival(
        tanks, "gravel_practice + mean_water_temp_c", survived="survivors", trials="eggs",
        groups=["site_id", "batch_id", "tank_season"], small_sample=True,
    )  # fmt: skip
    gravel, warm = np.eye(4)[1], np.eye(4)[3]
    assert 30 < found.degrees_of_freedom_of(gravel) < 80
    assert found.degrees_of_freedom_of(warm) > 150


def test_spreads_only_grow(tanks):
    groups = ["site_id", "batch_id", "tank_season"]
    plain = fit_survival(tanks, "room_type", survived="survivors", trials="eggs", groups=groups)
    found = fit_survival(tanks, "room_type", survived="survivors", trials="eggs", groups=groups, small_sample=True)
    assert (found.group_sd > plain.group_sd).all()
    assert found.log_likelihood < plain.log_likelihood
    assert found.coefficients == pytest.approx(plain.coefficients, abs=0.02)


def test_small_sample_is_for_the_laplace_mixed_model(two_arms):
    with pytest.raises(UsageError, match="small_sample=True needs method='mixed'"):
        fit(two_arms, method="clustered", small_sample=True)
    with pytest.raises(UsageError, match="small_sample=True needs method='mixed'"):
        fit(two_arms, quadrature_points=9, small_sample=True)
    with pytest.raises(UsageError, match="spread_prior=True needs small_sample=True"):
        fit(two_arms, spread_prior=True)
