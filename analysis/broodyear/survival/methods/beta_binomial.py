"""Beta-binomial regression: eggs of one tank share a fate through a common, beta-distributed chance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import digamma, gammaln, polygamma

from broodyear.errors import Refused
from broodyear.statistics.numbers import FloatArray, expit, log_binomial_coefficients
from broodyear.survival.methods.binomial import Logistic, fit_logistic

SMALLEST_LOG_ODDS = -13.0  # of the correlation; below it the digamma differences lose their digits
GRADIENT_TOLERANCE = 1e-6


@dataclass(frozen=True, eq=False)
class BetaBinomial:
    """A beta-binomial maximum-likelihood fit.

    coefficients, covariance: of the logit of the mean survival; the covariance comes from the observed
    information over the coefficients and the logit of the correlation. correlation: intra-tank
    correlation rho = 1 / (1 + a + b). log_likelihood: binomial coefficients included.
    """

    coefficients: FloatArray
    covariance: FloatArray
    correlation: float
    correlation_std_error: float
    log_likelihood: float
    at_boundary: bool


def fit_beta_binomial(
    matrix: FloatArray, survived: FloatArray, trials: FloatArray, binomial: Logistic | None = None
) -> BetaBinomial:
    """Maximum likelihood (Williams 1975, doi 10.2307/2529820; Crowder 1978, doi 10.2307/2346223).

    When no positive correlation raises the likelihood, the binomial fit is returned with correlation 0.
    binomial: that fit, where it is there already.
    """
    from scipy.optimize import minimize

    binomial = binomial or fit_logistic(matrix, survived, trials)
    whiten = np.linalg.inv(np.linalg.cholesky(binomial.information)).T

    def unpack(scaled: FloatArray) -> FloatArray:
        return np.append(binomial.coefficients + whiten @ scaled[:-1], scaled[-1])

    def objective(scaled: FloatArray) -> tuple[float, FloatArray]:
        value, gradient = _log_likelihood(unpack(scaled), matrix, survived, trials)
        return -value, -np.append(whiten.T @ gradient[:-1], gradient[-1])

    best = min(
        (
            minimize(
                objective,
                np.append(np.zeros(matrix.shape[1]), start),
                jac=True,
                method="L-BFGS-B",
                bounds=[(None, None)] * matrix.shape[1] + [(SMALLEST_LOG_ODDS, 8.0)],
                options={"maxiter": 500, "gtol": GRADIENT_TOLERANCE, "ftol": 1e-14},
            )
            for start in (-4.0, -1.5)
        ),
        key=lambda result: float(result.fun),
    )
    constant = log_binomial_coefficients(survived, trials)
    if -best.fun + constant <= binomial.log_likelihood + 1e-6 or best.x[-1] <= SMALLEST_LOG_ODDS + 0.5:
        return _without_correlation(binomial)
    return _finish(unpack(best.x), matrix, survived, trials, constant)


def _without_correlation(binomial: Logistic) -> BetaBinomial:
    return BetaBinomial(
        coefficients=binomial.coefficients,
        covariance=binomial.covariance,
        correlation=0.0,
        correlation_std_error=float("nan"),
        log_likelihood=binomial.log_likelihood,
        at_boundary=True,
    )


def _finish(
    values: FloatArray, matrix: FloatArray, survived: FloatArray, trials: FloatArray, constant: float
) -> BetaBinomial:
    """Newton steps to the maximum, then the covariance from the observed information there."""
    for _ in range(3):
        _, gradient = _log_likelihood(values, matrix, survived, trials)
        hessian = _hessian(values, matrix, survived, trials)
        values = values - np.linalg.solve(hessian, gradient)
    value, _ = _log_likelihood(values, matrix, survived, trials)
    information = -_hessian(values, matrix, survived, trials)
    if not np.all(np.isfinite(information)) or np.linalg.eigvalsh(information)[0] <= 0:
        raise Refused(
            "The beta-binomial fit did not reach a maximum: a level with very few tanks, or all-or-nothing"
            " tanks, leaves its correlation open. Merge levels, or use method='mixed'."
        )
    covariance = np.linalg.inv(information)
    correlation = float(expit(values[-1:])[0])
    return BetaBinomial(
        coefficients=values[:-1],
        covariance=np.asarray(covariance[:-1, :-1], dtype=float),
        correlation=correlation,
        correlation_std_error=float(np.sqrt(covariance[-1, -1])) * correlation * (1.0 - correlation),
        log_likelihood=value + constant,
        at_boundary=False,
    )


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


def _hessian(values: FloatArray, matrix: FloatArray, survived: FloatArray, trials: FloatArray) -> FloatArray:
    """Second derivatives of the log-likelihood over (coefficients, logit of rho)."""
    share = np.clip(expit(matrix @ values[:-1]), 1e-12, 1.0 - 1e-12)
    total, spread = float(np.exp(-values[-1])), share * (1.0 - share)
    a, b = total * share, total * (1.0 - share)
    died = trials - survived
    slope_a = digamma(survived + a) - digamma(a)
    slope_b = digamma(died + b) - digamma(b)
    bend_a = polygamma(1, survived + a) - polygamma(1, a)
    bend_b = polygamma(1, died + b) - polygamma(1, b)
    by_total = share * slope_a + (1.0 - share) * slope_b + digamma(total) - digamma(trials + total)
    twice_total = (
        share**2 * bend_a + (1.0 - share) ** 2 * bend_b + polygamma(1, total) - polygamma(1, trials + total)
    )
    twice = total * spread * ((1.0 - 2.0 * share) * (slope_a - slope_b) + total * spread * (bend_a + bend_b))
    mixed = spread * (slope_a - slope_b + total * (share * bend_a - (1.0 - share) * bend_b))
    cross = -total * matrix.T @ mixed
    hessian = np.empty((len(values), len(values)))
    hessian[:-1, :-1] = matrix.T @ (twice[:, None] * matrix)
    hessian[:-1, -1] = hessian[-1, :-1] = cross
    hessian[-1, -1] = total**2 * twice_total.sum() + total * by_total.sum()
    return hessian
