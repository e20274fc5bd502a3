"""Beta-binomial regression: eggs of one tank share a fate through a common, beta-distributed chance."""

from __future__ import annotations

import numpy as np
from scipy.special import digamma, gammaln, polygamma

from broodyear.errors import Refused
from broodyear.statistics.numbers import FloatArray, expit, log_binomial_coefficients
from broodyear.survival.design.matrix import Design
from broodyear.survival.methods.binomial import Answer, plain_fit

SMALLEST_LOG_ODDS = -13.0  # of the correlation; below it the digamma differences lose their digits
GRADIENT_TOLERANCE = 1e-3
NEWTON_STEPS = 3  # from there to rounding
NO_CORRELATION = "No more than binomial variation between rows: the correlation is estimated as zero."


def fit_beta_binomial(design: Design) -> Answer:
    """Maximum likelihood (Williams 1975, doi 10.2307/2529820; Crowder 1978, doi 10.2307/2346223).

    The covariance comes from the observed information over the coefficients and the logit of the correlation rho
    = 1 / (1 + a + b), which is the dispersion. When no positive correlation raises the likelihood, the binomial
    fit is returned with correlation 0.
    """
    from scipy.optimize import minimize

    counts = design.matrix, design.rows.survived, design.rows.trials
    binomial = plain_fit(design)
    size = len(binomial.coefficients)
    origin, scale = np.append(binomial.coefficients, 0.0), np.eye(size + 1)
    scale[:size, :size] = np.linalg.inv(np.linalg.cholesky(binomial.information)).T

    def objective(scaled: FloatArray) -> tuple[float, FloatArray]:
        value, gradient = _log_likelihood(origin + scale @ scaled, *counts)
        return -value, -(scale.T @ gradient)

    starts = [np.append(np.zeros(size), start) for start in (-4.0, -1.5)]
    best = minimize(
        objective,
        min(starts, key=lambda start: objective(start)[0]),
        jac=True,
        method="L-BFGS-B",
        bounds=[(None, None)] * size + [(SMALLEST_LOG_ODDS, 8.0)],
        options={"maxiter": 500, "gtol": GRADIENT_TOLERANCE, "ftol": 1e-14},
    )
    constant = log_binomial_coefficients(*counts[1:])
    if constant - best.fun <= binomial.log_likelihood + 1e-6 or best.x[-1] <= SMALLEST_LOG_ODDS + 0.5:
        notes = (NO_CORRELATION,)
        return Answer(binomial.coefficients, binomial.covariance, 0.0, binomial.log_likelihood, notes=notes)
    values = origin + scale @ best.x
    for _ in range(NEWTON_STEPS):
        values = values - np.linalg.solve(
            _second_derivatives(values, *counts), _log_likelihood(values, *counts)[1]
        )
    information = -scale.T @ _second_derivatives(values, *counts) @ scale
    if not np.all(np.isfinite(information)) or np.linalg.eigvalsh(information)[0] <= 0:
        raise Refused(
            "The beta-binomial fit did not reach a maximum: a level with very few tanks, or all-or-nothing"
            " tanks, leaves its correlation open. Merge levels, or use method='mixed'."
        )
    covariance = scale @ np.linalg.inv(information) @ scale.T
    rho = float(expit(values[-1:])[0])
    return Answer(values[:-1], covariance[:-1, :-1], rho, constant + _log_likelihood(values, *counts)[0])


def _log_likelihood(
    values: FloatArray, matrix: FloatArray, survived: FloatArray, trials: FloatArray
) -> tuple[float, FloatArray]:
    """Log-likelihood without binomial coefficients, and its gradient; values end with logit(rho)."""
    share = np.clip(expit(matrix @ values[:-1]), 1e-12, 1.0 - 1e-12)
    total = float(np.exp(-values[-1]))  # a + b = (1 - rho) / rho
    a, b = total * share, total * (1.0 - share)
    died = trials - survived
    value = (
        gammaln(survived + a) - gammaln(a) + gammaln(died + b) - gammaln(b)
        + gammaln(total) - gammaln(trials + total)
    )  # fmt: skip
    slope_a = digamma(survived + a) - digamma(a)
    slope_b = digamma(died + b) - digamma(b)
    slope_total = digamma(total) - digamma(trials + total)
    by_log_odds = total * share * (1.0 - share) * (slope_a - slope_b)
    by_total = share * slope_a + (1.0 - share) * slope_b + slope_total
    return float(value.sum()), np.append(matrix.T @ by_log_odds, -total * by_total.sum())


def _second_derivatives(
    values: FloatArray, matrix: FloatArray, survived: FloatArray, trials: FloatArray
) -> FloatArray:
    """Of the same log-likelihood, shape (values, values)."""
    share = np.clip(expit(matrix @ values[:-1]), 1e-12, 1.0 - 1e-12)
    total = float(np.exp(-values[-1]))
    a, b = total * share, total * (1.0 - share)
    died, bend = trials - survived, share * (1.0 - share)
    slope_a, slope_b = digamma(survived + a) - digamma(a), digamma(died + b) - digamma(b)
    curve_a = polygamma(1, survived + a) - polygamma(1, a)
    curve_b = polygamma(1, died + b) - polygamma(1, b)
    by_total = share * slope_a + (1.0 - share) * slope_b + digamma(total) - digamma(trials + total)
    by_total_twice = (
        share**2 * curve_a + (1.0 - share) ** 2 * curve_b + polygamma(1, total) - polygamma(1, trials + total)
    )
    twice = total * bend * (1.0 - 2.0 * share) * (slope_a - slope_b) + (total * bend) ** 2 * (curve_a + curve_b)
    mixed = bend * (slope_a - slope_b) + total * bend * (share * curve_a - (1.0 - share) * curve_b)
    corner = matrix.T @ (-total * mixed)
    last = float(np.sum(total * by_total + total**2 * by_total_twice))
    return np.block([[matrix.T @ (twice[:, None] * matrix), corner[:, None]], [corner[None], np.array([[last]])]])
