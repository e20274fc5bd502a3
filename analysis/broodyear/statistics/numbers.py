"""Array types and the few elementary functions that every model shares."""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt
from numpy.typing import ArrayLike
from scipy.special import betainc, gammaln, ndtr, ndtri, stdtr, stdtrit

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


def expit(log_odds: FloatArray) -> FloatArray:
    """Probability from log-odds, without overflow at either end."""
    small = np.exp(-np.abs(log_odds))
    return np.where(log_odds >= 0, 1.0, small) / (1.0 + small)


def log1p_exp(log_odds: FloatArray) -> FloatArray:
    """log(1 + e^x) without overflow."""
    return np.maximum(log_odds, 0.0) + np.log1p(np.exp(-np.abs(log_odds)))


def log_binomial_coefficients(survived: FloatArray, trials: FloatArray) -> float:
    """Sum over rows of log C(trials, survived), the constant part of a binomial log-likelihood."""
    terms = gammaln(trials + 1.0) - gammaln(survived + 1.0) - gammaln(trials - survived + 1.0)
    return float(np.sum(terms))


def binomial_log_likelihood(survived: FloatArray, trials: FloatArray, log_odds: FloatArray) -> float:
    """Binomial log-likelihood at given log-odds, binomial coefficients included."""
    kernel = float(np.sum(survived * log_odds - trials * log1p_exp(log_odds)))
    return kernel + log_binomial_coefficients(survived, trials)


def binomial_cdf(count: FloatArray, trials: FloatArray, share: FloatArray) -> FloatArray:
    """P(binomial <= count) by the incomplete beta function; 0 below 0 and 1 from the number of trials on."""
    inside = (count >= 0.0) & (count < trials)
    dead = np.where(inside, trials - count, 1.0)
    alive = np.where(inside, count + 1.0, 1.0)
    return np.where(inside, betainc(dead, alive, 1.0 - share), (count >= trials).astype(float))


def two_sided_p(statistic: ArrayLike, degrees_of_freedom: ArrayLike) -> FloatArray:
    """Two-sided p of t statistics, or of z statistics where the degrees of freedom are infinite."""
    size, degrees = -np.abs(np.asarray(statistic, dtype=float)), np.asarray(degrees_of_freedom, dtype=float)
    tail = np.where(np.isinf(degrees), ndtr(size), stdtr(np.where(np.isinf(degrees), 1.0, degrees), size))
    return np.asarray(2.0 * tail, dtype=float)


def critical_values(degrees_of_freedom: ArrayLike, coverage: float = 0.95) -> FloatArray:
    """Multiples of the standard error that give two-sided intervals of this coverage."""
    upper, degrees = 0.5 + coverage / 2.0, np.asarray(degrees_of_freedom, dtype=float)
    finite = stdtrit(np.where(np.isinf(degrees), 1.0, degrees), upper)
    return np.asarray(np.where(np.isinf(degrees), ndtri(upper), finite), dtype=float)


def critical_value(degrees_of_freedom: float, coverage: float = 0.95) -> float:
    """`critical_values` of one number."""
    return float(critical_values(degrees_of_freedom, coverage))


def share_limits(share: ArrayLike, error: ArrayLike, reach: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Limits of shares with these standard errors, `reach` errors to either side on the logit scale."""
    inner = np.clip(np.asarray(share, dtype=float), 1e-12, 1.0 - 1e-12)
    centre, width = np.log(inner / (1.0 - inner)), np.asarray(reach) * np.asarray(error) / (inner * (1.0 - inner))
    return expit(centre - width), expit(centre + width)


def delta_errors(gradient: FloatArray, covariance: FloatArray) -> FloatArray:
    """Delta-method standard error of a gradient, or of each row of several."""
    variance = np.einsum("...i,ij,...j->...", gradient, covariance, gradient)
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)), dtype=float)


@cache
def normal_nodes(points: int = 31) -> tuple[FloatArray, FloatArray]:
    """Gauss–Hermite nodes and weights that average a function over a standard normal variable."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(points)
    return np.asarray(nodes, dtype=float), np.asarray(weights / weights.sum(), dtype=float)


def level_sums(codes: IntArray, values: FloatArray, levels: int) -> FloatArray:
    """Sums of the rows of a matrix by level; codes: level per row. Shape (levels, columns)."""
    from scipy.sparse import csc_array

    rows = len(codes)
    members = csc_array((np.ones(rows), codes, np.arange(rows + 1)), shape=(levels, rows))
    return np.asarray(members @ values, dtype=float)
