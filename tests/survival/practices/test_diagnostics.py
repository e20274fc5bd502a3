"""One step from a fit, and what a careful reader asks of it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import kstest

from broodyear.survival import collinearity, fit_survival
from broodyear.survival.practices.contrasts import averages_of, factor_contrasts
from broodyear.survival.practices.diagnostics import diagnose, site_influence
from broodyear.survival.practices.model import AdjustedModel, fit_adjusted
from broodyear.survival.practices.outcome import outcome_rows
from broodyear.survival.practices.within import within_batches
from broodyear.survival.tank_frame import prepare

FORMULA = "gravel_practice + room_type + species"
GROUPS = ["site_id", "batch_id", "season", "tank_season"]
#: The working model is one step of weighted least squares; on 300 tanks it lies within this many standard errors.
ONE_STEP = 0.15


@pytest.fixture(scope="module")
def model(tanks: pd.DataFrame) -> AdjustedModel:
    rows = outcome_rows(prepare(tanks).rows, "delivered_to_release")
    return fit_adjusted(rows.used, list(rows.factors.values()))


def test_the_working_model_gives_the_fit_back(model: AdjustedModel) -> None:
    found = model.working.estimates(model.fit.design.matrix)
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
    contrasts = factor_contrasts(model, "gravel_practice", averages_of(model, "gravel_practice"))
    found = within_batches(model, contrasts)
    for level in ("gravel", "single_layer_stones"):
        want, got = fit.effects.loc[f"gravel_practice[T.{level}]"], found["gravel_practice", level]
        assert abs(got.log_odds - want["estimate"]) < ONE_STEP * want["std_error"]
        assert got.error == pytest.approx(want["std_error"], rel=0.05)
        assert got.p_between == pytest.approx(fit.effects.loc[f"mean_{level}", "p_value"], abs=0.05)


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
    residual = diagnose(model, "delivered_to_release").residuals["residual"]
    assert kstest(residual, "norm").pvalue > 0.01
    assert 0.8 < diagnose(model, "delivered_to_release").dispersion < 1.2
    assert 0.8 < residual.std() < 1.15


def test_inflation_is_that_of_the_columns(tanks: pd.DataFrame, model: AdjustedModel) -> None:
    found = diagnose(model, "delivered_to_release")
    assert found.inflation["gvif_per_df"].is_monotonic_decreasing
    species = found.inflation.set_index("factor").loc["species"]
    assert species["gvif"] == pytest.approx(collinearity(tanks, FORMULA).columns["species[T.coho]"])
    assert found.condition_number > 1.0
    assert set(found.spreads["group"]) == set(model.groups)
