"""One step from a fit, and what a careful reader asks of it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from formulaic import model_matrix
from scipy.stats import kstest
from tests.simulated.tank_seasons import TankSeasonPlan, draw_tank_seasons

from broodyear.statistics.crossed import factorise, precision_of
from broodyear.statistics.numbers import moment, shapiro_wilk_p
from broodyear.survival import fit_survival
from broodyear.survival.practices.diagnostics import (
    condition_number,
    diagnose,
    inflation,
    random_effect_normality,
    site_influence,
)
from broodyear.survival.practices.factors import code_factor, outcome_rows
from broodyear.survival.practices.findings import factor_contrasts, within_batches
from broodyear.survival.practices.model import AdjustedModel, fit_adjusted
from broodyear.survival.tank_frame import prepare

FORMULA = "gravel_practice + room_type + species"
GROUPS = ["site_id", "batch_id", "season", "tank_season"]
#: The working model is one step of weighted least squares; on 300 tanks it lies within this many standard errors.
ONE_STEP = 0.15


@pytest.fixture(scope="module")
def model(tanks: pd.DataFrame) -> AdjustedModel:
    rows = outcome_rows(prepare(tanks), "delivered_to_release")
    return fit_adjusted(rows.used, list(rows.factors.values()))


def test_the_working_model_gives_the_fit_back(model: AdjustedModel) -> None:
    found = model.working
    errors = model.fit.effects["std_error"].to_numpy()
    assert np.abs((found.coefficients - model.fit.coefficients) / errors).max() < ONE_STEP
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx(errors, rel=0.02)
    for row in np.eye(len(errors)):
        assert found.degrees(row) == pytest.approx(model.fit.degrees_of_freedom_of(row), rel=1e-6)


def test_within_batches_by_one_step_is_the_fit_with_batch_means(tanks: pd.DataFrame, model: AdjustedModel) -> None:
    frame = tanks.assign(**{
        f"mean_{level}": (tanks["gravel_practice"] == level).groupby(tanks["batch_id"]).transform("mean")
        for level in ("gravel", "single_layer_stones")
    })  # fmt: skip
    fit = fit_survival(
        frame, f"{FORMULA} + mean_gravel + mean_single_layer_stones", survived="survivors", trials="eggs",
        groups=GROUPS, small_sample=True,
    )  # fmt: skip
    contrasts = factor_contrasts(model, "gravel_practice", model.averages_of("gravel_practice"))
    found = {one.level: one.within for one in within_batches(model, contrasts)}
    for level in ("gravel", "single_layer_stones"):
        want, got = fit.effects.loc[f"gravel_practice[T.{level}]"], found[level]
        assert abs(got.log_odds - want["estimate"]) < ONE_STEP * want["std_error"]
        assert got.error == pytest.approx(want["std_error"], rel=0.05)
        assert got.p_between == pytest.approx(fit.effects.loc[f"mean_{level}", "p_value"], abs=0.05)


def test_leaving_out_one_tank_is_a_column_that_marks_it(model: AdjustedModel) -> None:
    """Every tank by a column of its own, in a few rows; the tank that the working model names is the worst."""
    plain, contrast = model.working, model.direction("gravel_practice", "gravel")[model.columns.kept]
    log_odds = float(contrast @ plain.coefficients)
    row, ratio = plain.without_one(contrast, log_odds)
    ratios = []
    for mark in np.eye(len(model.rows)):
        wider, longer = model.with_columns(mark[:, None]), np.append(contrast, 0.0)
        assert wider is not None
        ratios.append(longer @ wider.coefficients / np.sqrt(longer @ wider.covariance @ longer))
    ratios = np.sign(log_odds) * np.array(ratios)
    assert row == np.argmin(ratios)
    assert ratio == pytest.approx(max(ratios.min(), 0.0), abs=1e-6)


def test_without_spreads_it_is_least_squares_of_the_other_rows() -> None:
    """Each row left out, and the others fitted by statsmodels' ordinary least squares of √w y on √w X, error 1."""
    rng = np.random.default_rng(5)
    rows = pd.DataFrame({
        "season": 2024, "tank_id": [f"T{index}" for index in range(14)], "site_id": "S", "batch_id": "B",
        "eggs": 100, "survivors": [5, *rng.integers(60, 95, 13)], "gravel_practice": ["gravel", "bare"] * 7,
    })  # fmt: skip
    values = rows["gravel_practice"]
    factor = code_factor(rows, "gravel_practice", values, fewest_batches=1)
    model = fit_adjusted(rows, [factor])
    fitted = model.working.factor
    given = model.working
    plain = precision_of(factorise(fitted.layout, np.zeros(1), fitted.weight), given.matrix, given.response)
    contrast = model.direction("gravel_practice", factor.compared[1])[model.columns.kept]
    root = np.sqrt(fitted.weight)
    response, matrix = root * given.response, root[:, None] * plain.matrix
    ratios = []
    for others in ~np.eye(14, dtype=bool):
        fit = sm.OLS(response[others], matrix[others]).fit()
        ratios.append(contrast @ fit.params / np.sqrt(contrast @ fit.normalized_cov_params @ contrast))
    log_odds = float(contrast @ plain.coefficients)
    ratios = np.sign(log_odds) * np.array(ratios)
    row, ratio = plain.without_one(contrast, log_odds)
    assert row == np.argmin(ratios) == 0
    assert ratio == pytest.approx(max(ratios.min(), 0.0), abs=1e-9)


def test_a_contrast_that_one_tank_tells_has_nothing_without_it(tanks: pd.DataFrame) -> None:
    rows = outcome_rows(prepare(tanks), "delivered_to_release").used
    model = fit_adjusted(rows, [], {"mark": (np.arange(len(rows)) == 3).astype(float)})
    contrast = model.columns.along("mark", 1.0)[model.columns.kept]
    assert model.working.without_one(contrast, 3.0) == (3, 0.0)


def test_influence_is_that_of_a_fit_without_the_site(tanks: pd.DataFrame, model: AdjustedModel) -> None:
    first = site_influence(model).iloc[0]
    without = fit_survival(
        tanks[tanks["site_id"] != first["site_id"]], FORMULA, survived="survivors", trials="eggs", groups=GROUPS,
        small_sample=True,
    )  # fmt: skip
    whole = fit_survival(tanks, FORMULA, survived="survivors", trials="eggs", groups=GROUPS, small_sample=True)
    shift = (without.effects["estimate"] - whole.effects["estimate"]).abs() / whole.effects["std_error"]
    assert first["largest_shift"] == pytest.approx(shift.drop("Intercept").max(), rel=0.25)


def test_residuals_of_a_model_that_holds_are_standard_normal(model: AdjustedModel) -> None:
    found = diagnose(model)
    residual = found["residuals"]["residual"]
    assert kstest(residual, "norm").pvalue > 0.01
    assert 0.8 < found["model_checks"]["dispersion"].item() < 1.2
    assert 0.8 < residual.std() < 1.15


def test_a_factor_is_inflated_as_its_column_regressed_on_the_others_says(model: AdjustedModel) -> None:
    found = diagnose(model)
    assert found["inflation"]["gvif_per_df"].is_monotonic_decreasing
    index = list(model.fit.design.terms).index("species[1]")
    own, rest = model.fit.design.matrix[:, index], np.delete(model.fit.design.matrix, index, axis=1)
    left = own - rest @ np.linalg.lstsq(rest, own, rcond=None)[0]
    species = found["inflation"].set_index("factor").loc["species"]
    assert species["gvif"] == pytest.approx(float(np.sum((own - own.mean()) ** 2) / np.sum(left**2)))
    assert found["model_checks"]["condition_number"].item() > 1.0
    assert set(found["normality"]["group"]) == set(model.fit.groups)


def test_inflation_and_condition_number_of_longley(golden) -> None:
    longley = golden.frame("longley").drop(columns="Employed")
    values = longley.to_numpy(dtype=float)
    found = inflation(values, {name: np.array([index]) for index, name in enumerate(longley)})
    for name, expected in golden.value("penalised_and_collinear", "vif.longley").items():
        assert found.set_index("factor").loc[name, "gvif"] == pytest.approx(expected, rel=1e-8)
    whole = np.column_stack([np.ones(len(values)), values])
    expected = golden.value("penalised_and_collinear", "condition.longley")["kappa_unit_length_with_intercept"]
    assert condition_number(whole) == pytest.approx(expected, rel=1e-6)


def test_generalised_inflation_of_factors(golden) -> None:
    tanks = golden.frame("collinear_tanks").astype({"gravel": object, "room": object})
    matrix = model_matrix("temp_dev + temp_sd + temp_max + gravel + room", tanks)
    owners = {
        str(term): np.array(at) - 1 for term, at in matrix.model_spec.term_indices.items() if str(term) != "1"
    }
    found = inflation(matrix.to_numpy(dtype=float)[:, 1:], owners).set_index("factor")
    for term, expected in golden.value("penalised_and_collinear", "gvif.linear").items():
        assert found.loc[term, "gvif"] == pytest.approx(expected["GVIF"], rel=1e-6)
        assert found.loc[term, "gvif_per_df"] == pytest.approx(expected["GVIF_1_2df"], rel=1e-6)


def test_a_lone_bad_site_is_seen_among_the_intercepts() -> None:
    frame = draw_tank_seasons(np.random.default_rng(3), TankSeasonPlan(seasons=6, tank_sd=0.0))
    bad = frame["site_id"].isin(["S0003", "S0031"])
    frame.loc[bad, "survivors"] = (0.1 * frame.loc[bad, "eggs"]).astype(int)
    fit = fit_survival(
        frame, "gravel_practice", survived="survivors", trials="eggs", groups=["site_id", "batch_id"]
    )
    shape = random_effect_normality(fit)
    assert shape.loc["site_id", "p_value"] < 1e-4
    assert shape.loc["site_id", "skewness"] < -1
    assert shape.loc["batch_id", "levels"] == frame["batch_id"].nunique()


@pytest.mark.parametrize("size", [6, 11, 12, 151])
def test_skewness_kurtosis_and_normality_are_those_of_the_library(size: int) -> None:
    from scipy.stats import kurtosis, shapiro, skew

    for values in (np.random.default_rng(1).normal(size=size), np.random.default_rng(2).exponential(size=size)):
        assert moment(values, 3) == pytest.approx(skew(values), abs=1e-12)
        assert moment(values, 4) - 3.0 == pytest.approx(kurtosis(values), abs=1e-12)
        assert shapiro_wilk_p(values) == pytest.approx(shapiro(values).pvalue, rel=1e-6)
