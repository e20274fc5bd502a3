"""Beta-binomial regression: eggs of one tank share a fate through a common, beta-distributed chance."""

from __future__ import annotations

import numpy as np
from scipy.special import digamma, gammaln

from broodyear.errors import Refused
from broodyear.statistics.numbers import FloatArray, expit, jacobian, log_binomial_coefficients
from broodyear.survival.design.matrix import Design
from broodyear.survival.methods.answer import Answer
from broodyear.survival.methods.binomial import plain_fit

SMALLEST_LOG_ODDS = -13.0  # of the correlation; below it the digamma differences lose their digits
GRADIENT_TOLERANCE = 1e-6
STEP = 1e-3  # standard errors, and log-odds of the correlation
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

    searches = [
        minimize(
            objective,
            np.append(np.zeros(size), start),
            jac=True,
            method="L-BFGS-B",
            bounds=[(None, None)] * size + [(SMALLEST_LOG_ODDS, 8.0)],
            options={"maxiter": 500, "gtol": GRADIENT_TOLERANCE, "ftol": 1e-14},
        )
        for start in (-4.0, -1.5)
    ]
    best = min(searches, key=lambda result: float(result.fun))
    constant = log_binomial_coefficients(*counts[1:])
    if constant - best.fun <= binomial.log_likelihood + 1e-6 or best.x[-1] <= SMALLEST_LOG_ODDS + 0.5:
        notes = (NO_CORRELATION,)
        return Answer(binomial.coefficients, binomial.covariance, 0.0, binomial.log_likelihood, notes=notes)
    scaled = best.x
    for _ in range(3):  # Newton's steps to the maximum, and the information there
        information = jacobian(lambda at: objective(at)[1], scaled, STEP)
        scaled = scaled - np.linalg.solve(information, objective(scaled)[1])
    information = jacobian(lambda at: objective(at)[1], scaled, STEP)
    if not np.all(np.isfinite(information)) or np.linalg.eigvalsh(information)[0] <= 0:
        raise Refused(
            "The beta-binomial fit did not reach a maximum: a level with very few tanks, or all-or-nothing"
            " tanks, leaves its correlation open. Merge levels, or use method='mixed'."
        )
    values, covariance = origin + scale @ scaled, scale @ np.linalg.inv(information) @ scale.T
    rho = float(expit(values[-1:])[0])
    return Answer(values[:-1], covariance[:-1, :-1], rho, constant - objective(scaled)[0])


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
