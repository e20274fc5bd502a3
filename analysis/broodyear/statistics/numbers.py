"""Array types and the few elementary functions that every model shares."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln, ndtr, ndtri, stdtr, stdtrit

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


def two_sided_p(statistic: FloatArray, degrees_of_freedom: float) -> FloatArray:
    """Two-sided p of a t statistic, or of a z statistic when the degrees of freedom are infinite."""
    size = -np.abs(np.asarray(statistic, dtype=float))
    tail = ndtr(size) if np.isinf(degrees_of_freedom) else stdtr(degrees_of_freedom, size)
    return np.asarray(2.0 * tail, dtype=float)


def critical_value(degrees_of_freedom: float, coverage: float = 0.95) -> float:
    """Multiple of the standard error that gives a two-sided interval of this coverage."""
    upper = 0.5 + coverage / 2.0
    if np.isinf(degrees_of_freedom):
        return float(ndtri(upper))
    return float(stdtrit(degrees_of_freedom, upper))


def normal_nodes(points: int = 31) -> tuple[FloatArray, FloatArray]:
    """Gauss–Hermite nodes and weights that average a function over a standard normal variable."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(points)
    return np.asarray(nodes, dtype=float), np.asarray(weights / weights.sum(), dtype=float)


def level_sums(codes: IntArray, values: FloatArray, levels: int) -> FloatArray:
    """Sums of the rows of a matrix by level; codes: level per row. Shape (levels, columns)."""
    from scipy.sparse import csr_array

    rows = len(codes)
    members = csr_array((np.ones(rows), codes, np.arange(rows + 1)), shape=(rows, levels))
    return np.asarray(members.T @ values, dtype=float)


def p_words(p_value: float) -> str:
    """A p-value as sentences show it."""
    return "p < 0.001" if p_value < 0.001 else f"p = {p_value:.3f}"
