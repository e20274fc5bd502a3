"""Whether numbers are normally distributed. The statistics library that has this test takes longer to import than
all the fits of a review to make."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr, ndtri

from broodyear.statistics.numbers import FloatArray

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
    """p value of the test of Shapiro & Wilk 1965 (Biometrika 52:591), by Royston, for 6 to 5000 values."""
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
