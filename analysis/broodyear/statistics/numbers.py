"""Array types and the few elementary functions that every model shares."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
import numpy.typing as npt
from numpy.typing import ArrayLike
from scipy.special import betainc, gammaln, ndtr, ndtri, stdtr, stdtrit
from scipy.special import expit as expit

STEP = 1e-3  # of moves of about one standard error, for second derivatives

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


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


def share_limits(share: ArrayLike, error: ArrayLike, critical: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Limits of shares with these standard errors, `critical` errors to either side on the logit scale."""
    inner = np.clip(np.asarray(share, dtype=float), 1e-12, 1.0 - 1e-12)
    centre, width = (
        np.log(inner / (1.0 - inner)),
        np.asarray(critical) * np.asarray(error) / (inner * (1.0 - inner)),
    )
    return expit(centre - width), expit(centre + width)


def delta_errors(gradient: FloatArray, covariance: FloatArray) -> FloatArray:
    """Delta-method standard error of a gradient, or of each row of several."""
    variance = np.einsum("...i,ij,...j->...", gradient, covariance, gradient)
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)), dtype=float)


def differenced(
    slope: Callable[[FloatArray], FloatArray], at: FloatArray, moves: FloatArray | None = None
) -> FloatArray:
    """Second derivatives by central differences of a slope, in units of moves (columns) of about a standard error,
    by default of one each."""
    moves = np.eye(len(at)) if moves is None else moves
    changes = np.array([slope(at + move) - slope(at - move) for move in STEP * moves.T])
    found = changes @ moves / (2.0 * STEP)
    return np.asarray(0.5 * (found + found.T), dtype=float)


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


def connected_parts(level_codes: IntArray, group_codes: IntArray, levels: int, groups: int) -> IntArray:
    """Which levels of a factor can be compared at all: connected part of each, numbered from 1 by falling rows.

    Levels and groups are the two sides of a graph; every row joins its level to its group. Two levels in
    different connected parts of that graph are never compared under like conditions, directly or through
    others, so their difference cannot be told apart from the difference between groups (Weeks & Williams 1964,
    doi 10.1080/00401706.1964.10490188, on connectedness of designs).

    >>> connected_parts(np.array([0, 0, 1, 2]), np.array([0, 1, 1, 2]), 3, 3).tolist()
    [1, 1, 2]
    """
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    size = levels + groups
    graph = coo_array((np.ones(len(level_codes)), (level_codes, levels + group_codes)), shape=(size, size))
    _, labels = connected_components(graph, directed=False)
    weight = np.bincount(labels[level_codes], minlength=int(labels.max()) + 1)
    rank = 1 + np.argsort(np.argsort(-weight, kind="stable"))
    return np.asarray(rank[labels[:levels]], dtype=np.int64)


def aliases(matrix: FloatArray, tolerance: float) -> tuple[IntArray, FloatArray]:
    """Columns that earlier ones do not make up, and the directions along which the others can be exchanged.

    tolerance: share of a column's length left after the earlier ones, at or below which these make it up.
    """
    lengths = np.maximum(np.linalg.norm(matrix, axis=0), 1e-300)
    scaled = matrix / lengths
    factor = np.asarray(np.linalg.qr(scaled, mode="r"), dtype=float)
    if len(factor) == matrix.shape[1] and np.abs(np.diag(factor)).min() > tolerance:
        return np.arange(matrix.shape[1], dtype=np.int64), np.zeros((matrix.shape[1], 0))
    kept: list[int] = []
    for index, column in enumerate(factor.T):
        made = factor[:, kept] @ np.linalg.lstsq(factor[:, kept], column, rcond=None)[0]
        kept += [index] if np.linalg.norm(column - made) > tolerance else []
    aliased = np.setdiff1d(np.arange(matrix.shape[1]), kept)
    null = np.zeros((matrix.shape[1], len(aliased)))
    null[aliased, np.arange(len(aliased))] = 1.0
    weights = np.linalg.lstsq(factor[:, kept], factor[:, aliased], rcond=None)[0]
    null[kept] = -weights * lengths[aliased] / lengths[kept, None]
    return np.array(kept, dtype=np.int64), null


#: Polynomials of Royston 1995, Applied Statistics 44:547 (AS R94), highest power first: the two outermost weights
#: over n^-1/2; mean and log standard deviation of the transformed statistic, from 12 values on over log n, below
#: over n.
_OUTERMOST = (
    [-2.706056, 4.434685, -2.071190, -0.147981, 0.221157, 0.0],
    [-3.582633, 5.682633, -1.752461, -0.293762, 0.042981, 0.0],
)
_MANY = [0.0038915, -0.083751, -0.31082, -1.5861], [0.0030302, -0.082676, -0.4803]
_FEW = [-0.0006714, 0.025054, -0.39978, 0.5440], [-0.0020322, 0.062767, -0.77857, 1.3822]
_SHIFT = [0.459, -2.273]  # of the transformation below 12 values
MANY = 12


def moment(values: FloatArray, order: int) -> float:
    """Central moment of the values in units of their standard deviation: 3 is the skewness, 4 the kurtosis."""
    off = values - values.mean()
    return float(np.mean(off**order) / np.mean(off**2) ** (order / 2.0))


def shapiro_wilk_p(values: FloatArray) -> float:
    """p value of the test of Shapiro & Wilk 1965 (Biometrika 52:591), by Royston, for 6 to 5000 values.

    The statistics library that has this test takes longer to import than all the fits of a review to make.
    """
    size, ordered = len(values), np.sort(values)
    scores = ndtri((np.arange(1, size + 1) - 0.375) / (size + 0.25))
    total = scores @ scores
    last, before = (
        score / np.sqrt(total) + np.polyval(weights, size**-0.5)
        for score, weights in zip(scores[:-3:-1], _OUTERMOST, strict=True)
    )
    inner = (total - 2.0 * (scores[-1] ** 2 + scores[-2] ** 2)) / (1.0 - 2.0 * (last**2 + before**2))
    weights = scores / np.sqrt(inner)
    weights[[0, 1, -2, -1]] = -last, -before, before, last
    off = ordered - ordered.mean()
    rest = max(1.0 - float(weights @ off) ** 2 / float(off @ off), 1e-300)
    if size >= MANY:
        statistic, at, (mean, log_sd) = np.log(rest), np.log(size), _MANY
    else:
        statistic, at, (mean, log_sd) = -np.log(np.polyval(_SHIFT, size) - np.log(rest)), size, _FEW
    return float(ndtr((np.polyval(mean, at) - statistic) / np.exp(np.polyval(log_sd, at))))
