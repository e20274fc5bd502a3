"""Crossed groups, quadrature and the marginal methods against fits made in R; the golden file quotes each call."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from broodyear.survival import fit_survival

FORMULA = "gravel + temp_c + covered"
CLOSE = 1e-4  # estimates; the reference optimisers stop within a few units of the fifth digit
CLOSE_ERRORS = 1e-3  # relative; references take second derivatives by differences
CLOSE_LOG_LIKELIHOOD = 1e-4


@pytest.fixture(scope="module")
def crossed(golden) -> pd.DataFrame:
    """200 simulated tank-seasons, spreads of 1.8, 1.0 and 0.5 between sites, batches and seasons."""
    return golden.frame("crossed_tanks")


def fit(frame: pd.DataFrame, formula: str = FORMULA, **more):
    return fit_survival(frame, formula, survived="survived", trials="trials", **more)


def hold(found, reference, *, estimates: float = CLOSE) -> None:
    for column, tolerance in (("estimate", {"abs": estimates}), ("std_error", {"rel": CLOSE_ERRORS})):
        if column in reference:
            assert found.effects[column].to_dict() == pytest.approx(reference[column], **tolerance)


def test_three_crossed_groups(golden, crossed):
    reference = golden.value("crossed_tanks", "crossed")
    found = fit(crossed, groups=["site", "batch", "season"])
    hold(found, reference)
    assert found.group_sd.to_dict() == pytest.approx(reference["sd"], abs=CLOSE)
    assert found.log_likelihood == pytest.approx(reference["log_likelihood"], abs=CLOSE_LOG_LIKELIHOOD)


def test_modes_and_their_errors(golden, crossed):
    modes = golden.value("crossed_tanks", "season_modes")
    found = fit(crossed, groups=["site", "batch", "season"]).group_effects("season")
    assert found["level"].tolist() == modes["level"]
    assert found["effect"].to_numpy() == pytest.approx(modes["effect"], abs=1e-3)
    assert found["std_error"].to_numpy() == pytest.approx(modes["std_error"], rel=1e-3)


def test_quadrature(golden, crossed):
    reference = golden.value("crossed_tanks", "quadrature")
    found = fit(crossed, groups="site", quadrature_points=15)
    hold(found, reference)
    assert found.group_sd["site"] == pytest.approx(reference["sd"], abs=CLOSE)


def test_beta_binomial(golden, crossed):
    reference = golden.value("crossed_tanks", "beta_binomial")
    found = fit(crossed, method="beta_binomial")
    hold(found, reference)
    assert found.dispersion == pytest.approx(reference["correlation"], abs=CLOSE)
    assert found.log_likelihood == pytest.approx(reference["log_likelihood"], abs=CLOSE_LOG_LIKELIHOOD)


def test_clustered(golden, crossed):
    hold(fit(crossed, method="clustered", groups="site"), golden.value("crossed_tanks", "clustered"))


def test_exchangeable_is_that_of_one_row_per_egg(golden):
    reference = golden.value("crossed_tanks", "exchangeable")
    found = fit(golden.frame("small_tanks"), method="exchangeable", groups="site")
    hold(found, reference, estimates=1e-6)
    assert found.dispersion == pytest.approx(reference["correlation"], abs=1e-6)


def test_firth_under_separation(golden):
    small = golden.frame("small_tanks")
    small["survived"] = np.where(small["gravel"] == "one layer", small["trials"], small["survived"])
    hold(fit(small, "gravel + temp_c", method="firth"), golden.value("crossed_tanks", "firth"), estimates=1e-6)
