"""Population-averaged and typical-site effects against integrals and derivatives done another way."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.special import expit
from scipy.stats import norm

from broodyear.errors import Refused, UsageError
from broodyear.survival import fit_survival
from broodyear.survival.result import average_over_groups

INTEGRAL = 1e-8
POINTS = 1e-6  # percentage points
DELTA = 1e-4  # relative, of standard errors by numerical differences


@pytest.fixture(scope="module")
def fit(tanks):
    return fit_survival(
        tanks,
        "gravel_practice + room_type + mean_water_temp_c",
        survived="survivors",
        trials="eggs",
        groups=["site_id", "batch_id"],
    )


@pytest.mark.parametrize("sd", [0.0, 0.3, 1.0, 2.0])
@pytest.mark.parametrize("log_odds", [-4.0, 0.0, 1.5, 3.0])
def test_average_over_groups_is_the_integral(sd, log_odds):
    found = average_over_groups(np.array([log_odds]), sd)
    exact, _ = quad(lambda z: expit(log_odds + sd * z) * norm.pdf(z), -9, 9, epsabs=1e-12)
    assert found.survival[0] == pytest.approx(exact, abs=INTEGRAL if sd <= 1 else 1e-6)


def test_each_row_may_have_a_standard_deviation_of_its_own() -> None:
    """As rows averaged one by one; the widest decides how many nodes all have."""
    log_odds, sds = np.array([1.7, -0.4, 3.0]), np.array([0.45, 0.0, 1.6])
    one_by_one = [average_over_groups(log_odds[[row]], sds[row]).survival[0] for row in range(3)]
    np.testing.assert_allclose(average_over_groups(log_odds, sds).survival, one_by_one, atol=1e-7)


def test_average_over_groups_slopes_are_derivatives():
    found, step = average_over_groups(np.array([1.2]), 0.8), 1e-6
    by_log_odds = (
        average_over_groups(np.array([1.2 + step]), 0.8).survival
        - average_over_groups(np.array([1.2 - step]), 0.8).survival
    )
    by_sd = (
        average_over_groups(np.array([1.2]), 0.8 + step).survival
        - average_over_groups(np.array([1.2]), 0.8 - step).survival
    )
    assert found.by_log_odds[0] == pytest.approx(by_log_odds[0] / (2 * step), abs=1e-7)
    assert found.by_sd[0] == pytest.approx(by_sd[0] / (2 * step), abs=1e-7)


def averaged_points(fit, tanks, values) -> float:
    """Difference gravel − bare in points at given (log sds, coefficients), straight from the definition."""
    sds, beta = np.exp(values[:2]), values[2:]
    total = float(np.sqrt(np.sum(sds**2)))
    nodes, weights = np.polynomial.hermite_e.hermegauss(61)
    weights = weights / weights.sum()
    means = []
    for gravel in (1.0, 0.0):
        log_odds = (
            beta[0]
            + gravel * beta[1]
            + beta[3] * (tanks["room_type"] == "hallway")
            + beta[4] * (tanks["room_type"] == "library")
            + beta[5] * tanks["mean_water_temp_c"]
        ).to_numpy()
        means.append((expit(log_odds[:, None] + total * nodes) @ weights).mean())
    return 100.0 * (means[0] - means[1])


def test_contrast_averages_predictions_over_rows_and_groups(fit, tanks):
    values = np.concatenate([np.log(fit.group_sd.to_numpy()), fit.coefficients])
    row = fit.contrast("gravel_practice").set_index("level").loc["gravel"]
    assert row["difference_points"] == pytest.approx(averaged_points(fit, tanks, values), abs=POINTS)
    gradient = np.empty(len(values))
    for index in range(len(values)):
        step = np.zeros(len(values))
        step[index] = 1e-5
        gradient[index] = (
            averaged_points(fit, tanks, values + step) - averaged_points(fit, tanks, values - step)
        ) / 2e-5
    error = float(np.sqrt(gradient @ fit.joint_covariance @ gradient))
    half = (row["difference_high"] - row["difference_low"]) / 2.0
    assert half == pytest.approx(1.959964 * error, rel=DELTA)


def test_contrast_odds_ratios_are_the_coefficients(fit):
    row = fit.contrast("gravel_practice").set_index("level").loc["gravel"]
    effect = fit.effects.loc["gravel_practice[T.gravel]"]
    assert row["odds_ratio"] == pytest.approx(np.exp(effect["estimate"]), rel=1e-9)
    assert row["or_high"] == pytest.approx(np.exp(effect["ci_high"]), rel=1e-9)
    assert row["p_value"] == pytest.approx(effect["p_value"], rel=1e-6)


def test_contrast_the_other_way_round_is_its_mirror(fit):
    there = fit.contrast("gravel_practice", "bare").set_index("level").loc["gravel"]
    back = fit.contrast("gravel_practice", "gravel").set_index("level").loc["bare"]
    assert back["difference_points"] == pytest.approx(-there["difference_points"], abs=POINTS)
    assert back["difference_low"] == pytest.approx(-there["difference_high"], abs=POINTS)
    assert back["odds_ratio"] == pytest.approx(1.0 / there["odds_ratio"], rel=1e-9)


def test_typical_site_differs_from_the_population_average(fit):
    typical = fit.typical_contrast("room_type").set_index("level").loc["hallway"]
    averaged = fit.contrast("room_type").set_index("level").loc["hallway"]
    assert typical["odds_ratio"] == pytest.approx(averaged["odds_ratio"], rel=1e-9)
    assert abs(typical["difference_points"] - averaged["difference_points"]) > 0.01


def test_step_adds_to_every_row(fit, tanks):
    row = fit.step("mean_water_temp_c", 2.0).iloc[0]
    moved = tanks.assign(mean_water_temp_c=tanks["mean_water_temp_c"] + 2.0)
    expected = 100.0 * (fit.predict(moved).mean() - fit.predict(tanks).mean())
    assert row["difference_points"] == pytest.approx(expected, abs=POINTS)
    assert row["level"] == "+2"
    assert row["odds_ratio"] == pytest.approx(np.exp(2 * fit.effects.loc["mean_water_temp_c", "estimate"]))


def test_adjusted_differences_are_the_contrast(fit):
    adjusted = fit.adjusted("gravel_practice").set_index("level")
    row = fit.contrast("gravel_practice").set_index("level").loc["gravel"]
    difference = adjusted.loc["gravel", "adjusted_pct"] - adjusted.loc["bare", "adjusted_pct"]
    assert difference == pytest.approx(row["difference_points"], abs=POINTS)
    assert ((adjusted["adjusted_low"] > 0) & (adjusted["adjusted_high"] < 100)).all()
    assert adjusted["rows"].sum() == fit.rows_used


def test_curve_runs_from_lowest_to_highest(fit, tanks):
    curve = fit.curve("mean_water_temp_c", 5)
    temps = curve["mean_water_temp_c"]
    assert [temps.iloc[0], temps.iloc[-1]] == [
        tanks["mean_water_temp_c"].min(),
        tanks["mean_water_temp_c"].max(),
    ]
    assert curve["adjusted_pct"].is_monotonic_decreasing


def test_numbers_with_few_values_may_be_contrasted(seeds):
    fit = fit_survival(seeds, "seed75 + cucumber", survived="r", trials="n", method="quasi_binomial")
    row = fit.contrast("cucumber").iloc[0]
    assert (row["level"], row["reference"]) == (1, 0)
    assert row["odds_ratio"] == pytest.approx(np.exp(fit.effects.loc["cucumber", "estimate"]))


def test_reference_named_in_the_formula_is_the_default(seeds):
    fit = fit_survival(
        seeds,
        "C(extract, contr.treatment(base='cucumber'))",
        survived="r",
        trials="n",
        method="quasi_binomial",
    )
    assert list(fit.contrast("extract")["reference"]) == ["cucumber"]


def test_predict_refuses_levels_it_has_not_seen(fit, tanks):
    with pytest.raises(Refused, match="levels the fit has not seen \\(layered_stones\\); it knows bare, gravel"):
        fit.predict(tanks.head(2).assign(gravel_practice="layered_stones"))


def test_measured_columns_are_not_factors(fit):
    with pytest.raises(UsageError, match=r"is measured .* use \.step\('mean_water_temp_c', by=1.0\)"):
        fit.contrast("mean_water_temp_c")
    with pytest.raises(UsageError, match="no level 'sand'; its levels are: bare, gravel, single_layer_stones"):
        fit.contrast("gravel_practice", "sand")
    with pytest.raises(UsageError, match="no factor 'cover'"):
        fit.contrast("cover")


def test_group_effects_need_a_group_of_a_mixed_fit(fit, seeds):
    with pytest.raises(UsageError, match="no group 'season'; its groups are: site_id, batch_id"):
        fit.group_effects("season")
    quasi = fit_survival(seeds, "seed75", survived="r", trials="n", method="quasi_binomial")
    with pytest.raises(UsageError, match="needs method='mixed'"):
        quasi.group_effects("plate")
    assert quasi.group_sd.empty
    assert isinstance(quasi.group_sd, pd.Series)
