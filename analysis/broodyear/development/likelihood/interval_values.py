"""Values known only to lie in intervals: what they share, and their moments and probabilities given a normal law.

The event lies in (absent_day, seen_day], so the error of a predicted day lies in an interval too, and taking its
late end for the truth makes every model look early.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, ndtr

from broodyear.development.likelihood.censored import WRONG_LOG_SD, Intervals, log_interval_probability

Floats = NDArray[np.float64]


def common_part(intervals: Intervals) -> tuple[float, float] | None:
    """The values that lie in every interval, as (low, high); None when there is none."""
    low, high = float(np.max(intervals.lower, initial=-np.inf)), float(np.min(intervals.upper, initial=np.inf))
    return (low, high) if low < high else None


def middles(intervals: Intervals) -> Floats:
    """Middle of each interval, its early end where the late one is open, NaN where the early one is."""
    has_start, has_end = np.isfinite(intervals.lower), np.isfinite(intervals.upper)
    early = np.where(has_start, intervals.lower, np.nan)
    return np.where(has_end, 0.5 * (early + np.where(has_end, intervals.upper, 0.0)), early)


def mean_absolute_within(lower: Floats, upper: Floats, mean: float, sd: float) -> Floats:
    """E|x| of a normal value given that it lies in each (lower, upper]; upper may be infinite."""
    below = _part(lower, np.minimum(upper, 0.0), mean, sd, np.minimum(lower, 0.0) < np.minimum(upper, 0.0))
    above = _part(np.maximum(lower, 0.0), upper, mean, sd, np.maximum(lower, 0.0) < upper)
    whole = np.exp(log_interval_probability((lower - mean) / sd, (upper - mean) / sd))
    middle = np.clip(mean, lower, upper)
    # An interval far out in the tail has lost its probability to rounding; its nearer end stands for it.
    return np.where(whole > 1e-200, (above - below) / np.maximum(whole, 1e-200), np.abs(middle))


def _part(lower: Floats, upper: Floats, mean: float, sd: float, is_there: NDArray[np.bool_]) -> Floats:
    """∫ x φ over each interval, 0 where it is empty."""
    low = np.where(is_there, (lower - mean) / sd, 0.0)
    high = np.where(is_there, (upper - mean) / sd, 0.0)
    mass = np.where(low > 0, ndtr(-low) - ndtr(-high), ndtr(high) - ndtr(low))
    value = mean * mass - sd * (_density(high) - _density(low))
    return np.where(is_there, value, 0.0)


def _density(z: Floats) -> Floats:
    return np.asarray(np.exp(-0.5 * np.where(np.isfinite(z), z, 40.0) ** 2) / np.sqrt(2.0 * np.pi), dtype=float)


def probability_inside(lower: Floats, upper: Floats, reach: Floats, mean: float, sd: float) -> Floats:
    """P(|x| ≤ reach) of a normal value given that it lies in each (lower, upper]."""
    low, high = np.maximum(lower, -reach), np.minimum(upper, reach)
    is_there = low < high
    inside = log_interval_probability(
        (np.where(is_there, low, 0.0) - mean) / sd, (np.where(is_there, high, 1.0) - mean) / sd
    )
    whole = log_interval_probability((lower - mean) / sd, (upper - mean) / sd)
    return np.where(is_there, np.exp(np.minimum(inside - whole, 0.0)), 0.0)


def log_interval_score(
    lower: Floats, upper: Floats, start: Floats, sd: Floats, wrong_share: Floats | float = 0.0
) -> Floats:
    """ln P(lower < x ≤ upper | x > start) of values with mean 0, normal but for a share of wrong dates."""
    right = log_interval_probability(lower / sd, upper / sd) - log_ndtr(-start / sd)
    wrong = log_interval_probability(lower / WRONG_LOG_SD, upper / WRONG_LOG_SD) - log_ndtr(-start / WRONG_LOG_SD)
    share = np.asarray(wrong_share, dtype=float)
    with np.errstate(divide="ignore"):
        return np.asarray(np.logaddexp(np.log1p(-share) + right, np.log(share) + wrong), dtype=float)
