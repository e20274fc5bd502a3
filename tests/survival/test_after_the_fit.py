"""Residuals, influence, bounds, curvature and the methods side by side."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import kstest

from broodyear.errors import Refused, UsageError
from broodyear.survival import (
    compare_methods,
    curvature_test,
    fit_survival,
    leave_one_out,
    missing_outcome_bounds,
    quantile_residuals,
    random_effect_normality,
)
from broodyear.synthetic.tank_seasons import TankSeasonPlan, draw_tank_seasons

FORMULA = "gravel_practice + mean_water_temp_c"


def counts(frame: pd.DataFrame, formula: str = FORMULA, **more):
    return fit_survival(frame, formula, survived="survivors", trials="eggs", **more)


def test_quantile_residuals_are_standard_normal_when_the_model_holds(tanks):
    fit = counts(tanks, method="beta_binomial")
    found = quantile_residuals(fit, np.random.default_rng(1))
    assert kstest(found, "norm").pvalue > 0.01
    assert found == pytest.approx(quantile_residuals(fit, np.random.default_rng(1)))


def test_quantile_residuals_show_what_binomial_variation_leaves_out(tanks):
    fit = counts(tanks, method="quasi_binomial")
    assert quantile_residuals(fit, np.random.default_rng(1)).std() > 2.0


def test_random_effect_normality_sees_a_lone_bad_site():
    rng = np.random.default_rng(3)
    frame = draw_tank_seasons(rng, TankSeasonPlan(seasons=6, tank_sd=0.0))
    bad = frame["site_id"].isin(["S0003", "S0031"])
    frame.loc[bad, "survivors"] = (0.1 * frame.loc[bad, "eggs"]).astype(int)
    fit = counts(frame, groups=["site_id", "batch_id"])
    shape = random_effect_normality(fit)
    assert shape.loc["site_id", "p_value"] < 1e-4
    assert shape.loc["site_id", "skewness"] < -1
    assert shape.loc["batch_id", "levels"] == frame["batch_id"].nunique()


def test_leave_one_out_finds_the_site_that_carries_the_answer(tanks):
    few = tanks[tanks["site_id"].isin(sorted(tanks["site_id"].unique())[:12])].copy()
    few = few[few["gravel_practice"] != "gravel"]
    loud = few["site_id"] == few.loc[few["gravel_practice"] != "bare", "site_id"].iloc[0]
    few.loc[loud, "survivors"] = 1
    fit = counts(few, "gravel_practice", groups="site_id", method="clustered")
    found = leave_one_out(fit, few, "site_id")
    assert found.loc[0, "level"] == few.loc[loud, "site_id"].iloc[0]
    assert found["rows"].sum() == len(few)
    dropped = counts(few[~loud], "gravel_practice", groups="site_id", method="clustered")
    term = "gravel_practice[T.single_layer_stones]"
    assert found.loc[0, term] == pytest.approx(dropped.effects.loc[term, "estimate"])
    with pytest.raises(UsageError, match="no column 'school'"):
        leave_one_out(fit, few, "school")


def test_leave_one_out_notes_a_refit_that_is_refused(tanks):
    frame = tanks[tanks["site_id"].isin(sorted(tanks["site_id"].unique())[:6])].copy()
    first = frame["site_id"].iloc[0]
    frame["special"] = frame["site_id"] == first
    fit = counts(frame, "special", method="quasi_binomial")
    found = leave_one_out(fit, frame, "site_id").set_index("level")
    assert "Column 'special' is False in all" in found.loc[first, "note"]


def test_bounds_by_region():
    frame = pd.DataFrame(
        {
            "region": ["N", "N", "S", "S", "S"],
            "eggs": [100, 200, 50, 50, 0],
            "survivors": [90, np.nan, 25, 30, np.nan],
        }
    )
    found = missing_outcome_bounds(frame, by="region").set_index("region")
    assert found.loc["N"].to_dict() == {
        "tanks": 2, "reported": 1, "missing": 1, "reported_pct": 90.0, "all_died_pct": 45.0, "all_lived_pct": 95.0,
    }  # fmt: skip
    assert found.loc["S", "all_died_pct"] == found.loc["S", "all_lived_pct"] == pytest.approx(55.0)


def curved(seed: int, bend: float) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    frame = draw_tank_seasons(rng, TankSeasonPlan(tank_sd=0.0, site_sd=0.2))
    log_odds = 1.5 - bend * (frame["mean_water_temp_c"] - 9.0) ** 2
    return frame.assign(survivors=rng.binomial(frame["eggs"], 1 / (1 + np.exp(-log_odds))))


@pytest.mark.parametrize(
    ("method", "groups"), [("mixed", "site_id"), ("beta_binomial", ()), ("quasi_binomial", ())]
)
def test_a_bend_is_found_and_a_line_is_not_bent(method, groups):
    bent = curvature_test(
        curved(1, 0.2), "1", "mean_water_temp_c", survived="survivors", trials="eggs", groups=groups, method=method
    )
    assert bent.p_value < 1e-6
    assert "not a straight line" in bent.sentence
    top = bent.curve.loc[bent.curve["adjusted_pct"].idxmax(), "mean_water_temp_c"]
    assert abs(top - 9.0) < 0.7
    straight = curvature_test(
        curved(2, 0.0), "1", "mean_water_temp_c", survived="survivors", trials="eggs", groups=groups, method=method
    )
    assert straight.p_value > 0.01


def test_likelihood_ratio_of_curvature_is_between_nested_models(tanks):
    found = curvature_test(
        tanks,
        "gravel_practice",
        "mean_water_temp_c",
        survived="survivors",
        trials="eggs",
        groups=["site_id", "batch_id"],
        knots=3,
    )
    assert found.degrees_of_freedom == 1
    assert found.statistic == pytest.approx(2 * (found.spline.log_likelihood - found.line.log_likelihood))
    assert len(found.spline.effects) == len(found.line.effects) + 1


def test_curvature_says_what_it_needs(tanks):
    with pytest.raises(UsageError, match="knots must be 3 or 4"):
        curvature_test(tanks, "1", "mean_water_temp_c", survived="survivors", trials="eggs", knots=7)
    with pytest.raises(UsageError, match="not 'clustered'"):
        curvature_test(tanks, "1", "mean_water_temp_c", survived="survivors", trials="eggs", method="clustered")
    rough = tanks.assign(mean_water_temp_c=tanks["mean_water_temp_c"].round(0).clip(8, 10))
    with pytest.raises(Refused, match="3 distinct values, too few for a curve"):
        curvature_test(rough, "1", "mean_water_temp_c", survived="survivors", trials="eggs")


def test_five_methods_side_by_side(tanks):
    found = compare_methods(
        tanks, FORMULA, survived="survivors", trials="eggs", groups=["site_id", "batch_id", "tank_season"]
    )
    assert list(found.fits) == ["mixed", "beta_binomial", "quasi_binomial", "clustered", "exchangeable"]
    assert len(found.contrasts) == 5 * 3
    single = counts(tanks, method="quasi_binomial").contrast("gravel_practice")
    row = found.contrasts.query("method == 'quasi_binomial' and level == 'gravel'").iloc[0]
    assert row["difference_points"] == pytest.approx(single.set_index("level").loc["gravel", "difference_points"])
    assert len(found.agreement) == 3


def test_methods_agree_on_a_strong_effect_without_clusters():
    rng = np.random.default_rng(5)
    plan = TankSeasonPlan(
        gravel_effects={"gravel": 1.2, "single_layer_stones": 1.2}, site_sd=0.05, batch_sd=0.05, season_sd=0.0
    )
    frame = draw_tank_seasons(rng, plan)
    frame["gravel"] = frame["gravel_practice"] != "bare"
    found = compare_methods(frame, "gravel", survived="survivors", trials="eggs", groups="site_id")
    assert found.agreement.loc[0, "agrees"]
    assert "All 5 methods agree that a difference is shown" in found.agreement.loc[0, "sentence"]


def test_a_refused_method_is_listed_with_its_reason(tanks):
    found = compare_methods(
        tanks.assign(region="R1"),
        FORMULA,
        survived="survivors",
        trials="eggs",
        groups=["site_id"],
        cluster="region",
    )
    refused = found.contrasts[found.contrasts["method"] == "clustered"]
    assert "Group 'region' has one level" in refused["note"].iloc[0]
    assert "clustered" not in found.fits
