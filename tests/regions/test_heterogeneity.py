"""Variation between regions from correlated estimates."""

from __future__ import annotations

import numpy as np
import pytest

from broodyear.regions.part import heterogeneity


def against_the_first(values: np.ndarray, variances: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Independent estimates as differences from the first, with their covariance."""
    covariance = np.diag(variances) + variances[0]
    covariance[0, :] = covariance[:, 0] = 0.0
    return values - values[0], covariance


def restricted_likelihood(tau: float, values: np.ndarray, variances: np.ndarray) -> float:
    """-2 log restricted likelihood of the plain random-effects model (Viechtbauer 2005, JEBS 30:261-293)."""
    weight = 1.0 / (variances + tau**2)
    mean = np.sum(weight * values) / weight.sum()
    return float(np.log(variances + tau**2).sum() + np.log(weight.sum()) + np.sum(weight * (values - mean) ** 2))


def test_tau_is_that_of_the_plain_random_effects_model() -> None:
    values, variances = np.array([0.1, 0.9, -0.4, 0.3, 0.7]), np.array([0.02, 0.05, 0.03, 0.01, 0.04])
    grid = np.linspace(0.0, 2.0, 200_001)
    best = grid[np.argmin([restricted_likelihood(tau, values, variances) for tau in grid[::100]]) * 100]
    fine = grid[(grid > best - 0.002) & (grid < best + 0.002)]
    want = fine[np.argmin([restricted_likelihood(tau, values, variances) for tau in fine])]
    assert heterogeneity(*against_the_first(values, variances))["tau_log_odds"] == pytest.approx(want, abs=1e-4)


def test_q_is_cochrans() -> None:
    values, variances = np.array([0.1, 0.9, -0.4]), np.array([0.02, 0.05, 0.03])
    mean = np.average(values, weights=1.0 / variances)
    want = float(np.sum((values - mean) ** 2 / variances))
    found = heterogeneity(*against_the_first(values, variances))
    assert found["q"] == pytest.approx(want)
    assert found["i_squared_pct"] == pytest.approx(100.0 * (want - 2.0) / want)


def test_equal_regions_have_no_variance_between_them() -> None:
    found = heterogeneity(*against_the_first(np.array([0.2, 0.21, 0.19]), np.full(3, 0.05)))
    assert (found["tau_log_odds"], found["i_squared_pct"]) == (0.0, 0.0)


def test_choice_of_the_first_region_does_not_matter() -> None:
    values, variances = np.array([0.1, 0.9, -0.4]), np.array([0.02, 0.05, 0.03])
    order = [2, 0, 1]
    one = heterogeneity(*against_the_first(values, variances))
    two = heterogeneity(*against_the_first(values[order], variances[order]))
    assert one["tau_log_odds"] == pytest.approx(two["tau_log_odds"], abs=1e-4)
    assert one["new_error"] == pytest.approx(two["new_error"], abs=1e-4)
