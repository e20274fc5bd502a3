"""What an ordinary tank may show: binomial counts whose survival differs between tanks on the logit scale.

survival = 1 / (1 + exp(-(centre + spread x N(0, 1)))), count ~ binomial(eggs, survival). Tails are exact sums
of binomial tails over the spread (trapezoid rule), so small counts need no normal approximation.
"""

from __future__ import annotations

import numpy as np

from broodyear.statistics.numbers import FloatArray, binomial_cdf, expit

#: Nodes of the trapezoid rule over the standard normal spread: 5.7 SD either way in steps of 0.19.
NODES: FloatArray = np.linspace(-5.7, 5.7, 61)
WEIGHTS: FloatArray = np.exp(-0.5 * NODES**2) / np.exp(-0.5 * NODES**2).sum()

#: Rows worked on at a time, to keep the node-by-row tables in the processor's cache.
_CHUNK = 2000


def mean_survival(centre: FloatArray, spread: FloatArray) -> FloatArray:
    """Average survival (0 to 1) over tanks with this centre and spread (logit scale), one per row."""
    share = expit(np.asarray(centre)[:, None] + np.asarray(spread)[:, None] * NODES)
    return np.asarray(share @ WEIGHTS, dtype=float)


def lower_mid_p(
    survivors: FloatArray, eggs: FloatArray, centre: FloatArray, spread: FloatArray, *, coarse: bool = False
) -> FloatArray:
    """P(count < observed) + half P(count = observed), one per row; coarse takes every second node."""
    tails = np.empty(len(survivors))
    step = 2 if coarse else 1
    for start in range(0, len(survivors), _CHUNK):
        part = slice(start, start + _CHUNK)
        tails[part] = _mid_tail(survivors[part], eggs[part], centre[part], spread[part], step)
    return tails


def every_mid_p(eggs: int, centre: float, spread: float) -> FloatArray:
    """`lower_mid_p` of every count from none to all of one number of eggs, shape (eggs + 1,)."""
    from scipy.special import gammaln

    counts = np.arange(eggs + 1.0)
    log_odds = np.clip(centre + spread * NODES, -35.0, 35.0)
    coefficient = gammaln(eggs + 1.0) - gammaln(counts + 1.0) - gammaln(eggs - counts + 1.0)
    logs = -eggs * np.log1p(np.exp(-log_odds)) - np.outer(eggs - counts, log_odds)
    chance = np.exp(coefficient[:, None] + logs) @ WEIGHTS
    return np.asarray(np.cumsum(chance) - 0.5 * chance, dtype=float)


def _mid_tail(
    survivors: FloatArray, eggs: FloatArray, centre: FloatArray, spread: FloatArray, step: int
) -> FloatArray:
    from scipy.special import gammaln

    nodes, weights = NODES[::step], WEIGHTS[::step] / WEIGHTS[::step].sum()
    log_odds = np.clip(centre[:, None] + spread[:, None] * nodes, -35.0, 35.0)
    log_alive = -np.log1p(np.exp(-log_odds))
    count, number = survivors[:, None], eggs[:, None]
    coefficient = gammaln(number + 1.0) - gammaln(count + 1.0) - gammaln(number - count + 1.0)
    at_value = np.exp(coefficient + number * log_alive - (number - count) * log_odds)
    up_to = binomial_cdf(count, number, np.exp(log_alive))
    return np.asarray((up_to - 0.5 * at_value) @ weights, dtype=float)


def normal_scores(
    survivors: FloatArray, eggs: FloatArray, centre: FloatArray, spread: FloatArray, *, coarse: bool = False
) -> FloatArray:
    """The standard normal value with the same lower mid-p; held within 8 SD."""
    from scipy.special import ndtri

    tail = lower_mid_p(survivors, eggs, centre, spread, coarse=coarse)
    return np.asarray(np.clip(ndtri(np.clip(tail, 1e-16, 1.0 - 1e-16)), -8.0, 8.0), dtype=float)


def shrunken_survival(
    survivors: FloatArray, eggs: FloatArray, centre: FloatArray, spread: FloatArray, tail: float = 0.025
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Posterior mean, lower and upper limit of each row's survival (0 to 1), prior N(centre, spread) on the
    logit.
    """
    mode = _posterior_mode(survivors, eggs, centre, spread)
    share = expit(mode)
    width = 1.0 / np.sqrt(eggs * share * (1.0 - share) + 1.0 / spread**2)
    points = mode[:, None] + width[:, None] * np.linspace(-7.0, 7.0, 57)
    logs = survivors[:, None] * points - eggs[:, None] * np.logaddexp(0.0, points)
    logs -= 0.5 * ((points - centre[:, None]) / spread[:, None]) ** 2
    density = np.exp(logs - logs.max(axis=1, keepdims=True))
    density /= density.sum(axis=1, keepdims=True)
    mean = np.einsum("ij,ij->i", density, expit(points))
    low, high = (expit(_quantile(points, density, at)) for at in (tail, 1.0 - tail))
    return np.asarray(mean, dtype=float), low, high


def _posterior_mode(survivors: FloatArray, eggs: FloatArray, centre: FloatArray, spread: FloatArray) -> FloatArray:
    """Newton steps of at most 1.5 on the concave log posterior."""
    point, precision = centre.copy(), 1.0 / spread**2
    for _ in range(25):
        share = expit(point)
        slope = survivors - eggs * share - precision * (point - centre)
        point = point + np.clip(slope / (eggs * share * (1.0 - share) + precision), -1.5, 1.5)
    return point


def _quantile(points: FloatArray, density: FloatArray, probability: float) -> FloatArray:
    """Where the cumulative density of each row reaches the probability.

    Linear between points on the normal-score scale, on which the curve is nearly straight.
    """
    from scipy.special import ndtri

    # Trapezoid rule with its first end correction (Euler and Maclaurin).
    reached = np.cumsum(density, axis=1) - 0.5 * density - np.gradient(density, axis=1) / 12.0
    after = np.clip((reached < probability).sum(axis=1), 1, points.shape[1] - 1)
    row = np.arange(len(points))
    low, high = (ndtri(np.clip(reached[row, place], 1e-12, 1.0 - 1e-12)) for place in (after - 1, after))
    part = np.clip((ndtri(probability) - low) / np.maximum(high - low, 1e-12), 0.0, 1.0)
    return np.asarray(points[row, after - 1] + part * (points[row, after] - points[row, after - 1]), dtype=float)
