"""Mean and spread of errors that are known only to lie in intervals, with a random effect per batch.

This is how a model's bias is estimated: the event lies in (absent_day, seen_day], so the error of a predicted day
lies in an interval too, and taking its late end for the truth makes every model look early.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import log_ndtr, ndtr, stdtrit

from broodyear.development.censored import Intervals, log_interval_probability, marginal

Floats = NDArray[np.float64]

# The spreads are sought between these multiples of the rough spread of the interval midpoints.
_LEAST, _MOST = 1e-3, 30.0
_DIFFERENCE = 1e-3


@dataclass(frozen=True)
class IntervalMean:
    """Mean of n interval-known errors.

    mean; std_error (NaN where it was held); low, high: 95 % limits by Student's t with groups − 1 degrees;
    spread_sd: within groups; group_sd: between groups; total_sd; log_likelihood; values, groups: how many.
    """

    mean: float
    std_error: float
    low: float
    high: float
    spread_sd: float
    group_sd: float
    total_sd: float
    log_likelihood: float
    values: int
    groups: int


def ungrouped(intervals: Intervals) -> Intervals:
    """The same intervals without groups, for a total spread."""
    return replace(intervals, group=np.zeros(len(intervals.lower), dtype=np.intp), groups=1)


def interval_mean(
    intervals: Intervals, *, held_mean: float | None = None, with_error: bool = True
) -> IntervalMean:
    """Maximum-likelihood mean, spread and group spread.

    held_mean: estimate the spreads about this mean only; with_error False: leave out the standard error.
    Every number is NaN where no interval has an end that is known, and where the mean is sought and one value lies
    in every interval: any small spread about any such value is then as likely as can be.
    """
    middle = _middles(intervals)
    if not np.isfinite(middle).any() or (held_mean is None and common_part(intervals) is not None):
        return _unknown(len(middle), intervals.groups)
    centre = float(np.nanmedian(middle)) if held_mean is None else held_mean
    size = float(np.sqrt(np.nanmean((middle - centre) ** 2)))
    size = size if size > 0 else 1.0
    has_groups = intervals.groups > 1

    target = _Target(intervals, centre, size, has_groups, held_mean is None)

    start = np.array([0.0, np.log(0.7), np.log(0.5)][: 3 if has_groups else 2])
    limit = (float(np.log(_LEAST)), float(np.log(_MOST)))
    bounds = [(None, None) if held_mean is None else (0.0, 0.0), limit, limit][: len(start)]
    found = minimize(
        target, start, jac=True, method="L-BFGS-B", bounds=bounds, options={"gtol": 1e-5, "ftol": 1e-11}
    )
    theta = np.asarray(found.x, dtype=float)
    mean = centre + size * theta[0]
    error = size * _mean_error(target, theta, limit) if with_error and held_mean is None else float("nan")
    reach = float(stdtrit(max((intervals.groups if has_groups else len(middle)) - 1, 1), 0.975))
    spread = size * float(np.exp(theta[1]))
    group = size * float(np.exp(theta[2])) if has_groups and theta[2] > limit[0] + 1e-6 else 0.0
    return IntervalMean(
        mean=float(mean),
        std_error=error,
        low=float(mean - reach * error),
        high=float(mean + reach * error),
        spread_sd=spread,
        group_sd=group,
        total_sd=float(np.hypot(spread, group)),
        log_likelihood=-float(found.fun),
        values=len(middle),
        groups=intervals.groups,
    )


def common_part(intervals: Intervals) -> tuple[float, float] | None:
    """The values that lie in every interval, as (low, high); None when there is none."""
    low, high = float(np.max(intervals.lower, initial=-np.inf)), float(np.min(intervals.upper, initial=np.inf))
    return (low, high) if low < high else None


def _middles(intervals: Intervals) -> Floats:
    """Middle of each interval, its early end where the late one is open, NaN where the early one is."""
    has_start, has_end = np.isfinite(intervals.lower), np.isfinite(intervals.upper)
    early = np.where(has_start, intervals.lower, np.nan)
    return np.where(has_end, 0.5 * (early + np.where(has_end, intervals.upper, 0.0)), early)


def _unknown(values: int, groups: int) -> IntervalMean:
    nan = float("nan")
    return IntervalMean(nan, nan, nan, nan, nan, nan, nan, nan, values, groups)


class _Target:
    """Negative log-likelihood of (scaled mean, ln spread, ln group spread) with its gradient."""

    def __init__(
        self, intervals: Intervals, centre: float, size: float, has_groups: bool, has_free_mean: bool
    ) -> None:
        self.scaled = replace(
            intervals,
            lower=(intervals.lower - centre) / size,
            upper=(intervals.upper - centre) / size,
            start=(intervals.start - centre) / size,
        )
        self.has_groups = has_groups
        self.has_free_mean = has_free_mean
        self._modes: Floats | None = None  # where the last step found the groups: only a place to begin

    def __call__(self, theta: Floats) -> tuple[float, Floats]:
        """(−log-likelihood, gradient)."""
        whole = self.scaled
        moved = replace(
            whole, lower=whole.lower - theta[0], upper=whole.upper - theta[0], start=whole.start - theta[0]
        )
        group_sd = float(np.exp(theta[2])) if self.has_groups else 0.0
        result = marginal(moved, float(np.exp(theta[1])), group_sd, self._modes)
        self._modes = result.group_mode
        by_mean = (
            -float(np.sum(result.by_upper + result.by_lower + result.by_start)) if self.has_free_mean else 0.0
        )
        by_group = [result.by_log_group_sd] if self.has_groups else []
        return -result.log_likelihood, -np.array([by_mean, result.by_log_spread_sd, *by_group])


def _mean_error(
    target: Callable[[Floats], tuple[float, Floats]], theta: Floats, limit: tuple[float, float]
) -> float:
    """Standard error of the scaled mean, from second derivatives over the parameters not at a limit."""
    live = [0] + [i for i in range(1, len(theta)) if limit[0] + 1e-6 < theta[i] < limit[1] - 1e-6]
    information = np.empty((len(live), len(live)))
    for row, i in enumerate(live):
        step = np.zeros(len(theta))
        step[i] = _DIFFERENCE
        information[row] = (target(theta + step)[1] - target(theta - step)[1])[live] / (2.0 * _DIFFERENCE)
    information = 0.5 * (information + information.T)
    try:
        variance = float(np.linalg.inv(information)[0, 0])
    except np.linalg.LinAlgError:
        return float("nan")
    return float(np.sqrt(variance)) if variance > 0 else float("nan")


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


def log_interval_score(lower: Floats, upper: Floats, start: Floats, sd: Floats) -> Floats:
    """ln P(lower < x ≤ upper | x > start) of normal values with mean 0."""
    return np.asarray(log_interval_probability(lower / sd, upper / sd) - log_ndtr(-start / sd), dtype=float)
