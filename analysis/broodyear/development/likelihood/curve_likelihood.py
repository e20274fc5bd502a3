"""Fitting a curve of development to tank records by maximum likelihood.

Model: the event happens when a tank's development fraction F reaches exp(u_batch + e), with u_batch and e normal:
log-normal in development, but for a share of wrong dates (see ``censored``) that is estimated with the rest. What
is known is that the event lies in (absent_day, seen_day] and after delivery.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from broodyear.development.likelihood.censored import MOST_WRONG_SHARE, Intervals, Marginal, marginal
from broodyear.development.likelihood.tank_records import TankRecords
from broodyear.development.models.shapes import Shape
from broodyear.errors import Refused

Floats = NDArray[np.float64]

# Spreads (SD of log development) are sought between these; batches that do not differ end at the lower one.
LEAST_SD, MOST_SD = 2e-4, 2.0
_START_SD = 0.03
# Steps of one in these units matter about equally to the likelihood.
_SCALES = np.array([0.02, 0.01, 0.02])
_SPREAD_SCALE = 0.3
_SHARE_SCALE = 0.02
_START_SHARE = 0.02
_DIFFERENCE = 1e-3  # of a scale, for the second derivatives
_AT_LIMIT = 1e-6
_SHORTEST_LOG_DAYS = -20.0  # no stage takes so little; steps of the search pass far beyond it
_FAR_BELOW = -745.0  # log of the smallest positive number: "development has hardly begun"


@dataclass(frozen=True)
class TankFit:
    """A fitted curve of p free quantities with its spreads.

    free: (p,) level, slope, bend as far as the form has them; spread_sd: between tanks of a batch, batch_sd:
    between batches (0 when none was found), SD of log development; wrong_share: share of wrong dates; covariance:
    (p, p) of the free quantities; log_likelihood; batch_mode, batch_se: (batches,) log effects; is_bend_at_limit:
    the bend ran to a limit.
    """

    free: Floats
    spread_sd: float
    batch_sd: float
    wrong_share: float
    covariance: Floats
    log_likelihood: float
    batch_mode: Floats
    batch_se: Floats
    is_bend_at_limit: bool


def fractions(records: TankRecords, rate: Floats) -> tuple[Floats, Floats, Floats]:
    """Development fraction at delivery, at absent_day and at seen_day of each tank, for rates on the grid."""
    start = records.start_fraction + records.to_start @ rate
    return start, start + records.to_absent @ rate, start + records.to_seen @ rate


def edges(records: TankRecords, rate: Floats) -> tuple[Intervals, Floats, Floats, Floats]:
    """Intervals of log development of each tank, and the three fractions behind them."""
    start, absent, seen = fractions(records, rate)
    is_seen = np.isfinite(records.seen_day)
    intervals = Intervals(
        lower=_log(absent),
        upper=np.where(is_seen, _log(seen), np.inf),
        start=np.where(start > 0, _log(start), -np.inf),
        group=records.batch,
        groups=len(records.batches),
        own_sd=records.gap_log_sd if records.gap_log_sd.any() else None,
    )
    return intervals, start, absent, seen


def _log(fraction: Floats) -> Floats:
    with np.errstate(divide="ignore"):
        return np.maximum(np.log(fraction), _FAR_BELOW)


class CurveLikelihood:
    """Negative log-likelihood of a form's free quantities, the two log spreads and the share of wrong dates."""

    def __init__(self, records: TankRecords, shape: Shape, has_batch_effect: bool = True) -> None:
        self.records = records
        self.shape = shape
        self.has_batch_effect = has_batch_effect
        self._modes: Floats | None = None  # where the last step found the batches: only a place to begin

    def __call__(self, theta: Floats) -> tuple[float, Floats]:
        """(−log-likelihood, gradient) at theta: free quantities, ln spread_sd, ln batch_sd, share."""
        result, by_free = self.parts(theta)
        tail = [result.by_log_spread_sd] + ([result.by_log_group_sd] if self.has_batch_effect else [])
        return -result.log_likelihood, -np.concatenate([by_free, tail, [result.by_wrong_share]])

    def parts(self, theta: Floats) -> tuple[Marginal, Floats]:
        """The marginal likelihood and its derivatives by the free quantities."""
        p = self.shape.free
        rate, rate_by = rates_on(self.shape, theta[:p], self.records.grid_c)
        intervals, start, absent, seen = edges(self.records, rate)
        batch_sd = float(np.exp(theta[p + 1])) if self.has_batch_effect else 0.0
        result = marginal(intervals, float(np.exp(theta[p])), batch_sd, self._modes, float(theta[-1]))
        self._modes = result.group_mode
        at_start = np.where(start > 0, result.by_start / np.where(start > 0, start, 1.0), 0.0)
        at_absent = np.where(absent > 0, result.by_lower / np.where(absent > 0, absent, 1.0), 0.0)
        at_seen = result.by_upper / np.maximum(seen, 1e-300)
        weights = (
            self.records.to_start.T @ (at_start + at_absent + at_seen)
            + self.records.to_absent.T @ at_absent
            + self.records.to_seen.T @ at_seen
        )
        return result, rate_by.T @ weights


def rates_on(shape: Shape, free: Floats, grid_c: Floats) -> tuple[Floats, Floats]:
    """Daily rates on the grid and their derivatives by the free quantities, (g,) and (g, p)."""
    log_days = shape.log_days(free, grid_c)
    bounded = np.maximum(np.where(np.isfinite(log_days), log_days, 0.0), _SHORTEST_LOG_DAYS)
    rate = np.where(np.isfinite(log_days), np.exp(-bounded), 0.0)
    return rate, -rate[:, None] * shape.gradient(free, grid_c)


def fit_curve(
    records: TankRecords,
    shape: Shape,
    *,
    has_batch_effect: bool = True,
    start: Floats | None = None,
    with_errors: bool = True,
    fixed_level: float | None = None,
) -> TankFit:
    """The most likely curve of one form. start: a theta to begin from; fixed_level: hold ln D at the reference.

    Raises Refused when the search does not arrive.
    """
    target = CurveLikelihood(records, shape, has_batch_effect)
    begin = start_values(records, shape, has_batch_effect) if start is None else np.array(start, dtype=float)
    limits = _limits(records, shape, has_batch_effect)
    if fixed_level is not None:
        begin[0] = fixed_level
        limits[0] = (fixed_level, fixed_level)
    theta = _search(target, begin, limits, _scales(shape, has_batch_effect))
    return _finished(target, theta, limits, with_errors)


def theta_of(fit: TankFit, has_batch_effect: bool = True) -> Floats:
    """The parameter vector of a fit, to begin another one from."""
    spreads = [fit.spread_sd] + ([fit.batch_sd] if has_batch_effect else [])
    return np.concatenate([fit.free, np.log(np.maximum(spreads, 2 * LEAST_SD)), [fit.wrong_share]])


def unbiased_batch_variance(batch_sd: float, batches: int) -> float:
    """Variance between batches, the degree of freedom that maximum likelihood spends on the level given back."""
    return batch_sd**2 * batches / max(batches - 1, 1)


def start_values(records: TankRecords, shape: Shape, has_batch_effect: bool) -> Floats:
    """A first guess: a common slope, and the level that puts most events near the middle of their intervals."""
    rough = np.array([0.0, -0.12, 1.0 / (shape.reference_c + 5.0)])[: shape.free]
    rate, _ = rates_on(shape, rough, records.grid_c)
    _, absent, seen = fractions(records, rate)
    summed = 0.5 * (absent + seen) - records.start_fraction
    left = np.maximum(1.0 - records.start_fraction, 0.05)
    rough[0] = float(np.log(np.median(np.maximum(summed, 1e-9) / left)))
    spreads = [np.log(_START_SD)] * (2 if has_batch_effect else 1)
    return np.concatenate([rough, spreads, [_START_SHARE]])


def _limits(records: TankRecords, shape: Shape, has_batch_effect: bool) -> list[tuple[float | None, float | None]]:
    lowest, highest = np.quantile(records.mean_temp_c, 0.05), np.log(MOST_SD)
    free: list[tuple[float | None, float | None]] = [(None, None), (-1.0, -1e-3), shape.bend_limits(float(lowest))]
    spreads: list[tuple[float | None, float | None]] = [(float(np.log(LEAST_SD)), float(highest))]
    return free[: shape.free] + spreads * (2 if has_batch_effect else 1) + [(0.0, MOST_WRONG_SHARE)]


def _scales(shape: Shape, has_batch_effect: bool) -> Floats:
    spreads = [_SPREAD_SCALE] * (2 if has_batch_effect else 1)
    return np.concatenate([_SCALES[: shape.free], spreads, [_SHARE_SCALE]])


def _search(
    target: Callable[[Floats], tuple[float, Floats]],
    begin: Floats,
    limits: list[tuple[float | None, float | None]],
    scales: Floats,
) -> Floats:
    """Bounded quasi-Newton search in scaled parameters."""

    def scaled(point: Floats) -> tuple[float, Floats]:
        value, gradient = target(point * scales)
        return value, gradient * scales

    scaled_limits = [
        (None if low is None else low / s, None if high is None else high / s)
        for (low, high), s in zip(limits, scales, strict=True)
    ]
    found = minimize(
        scaled,
        begin / scales,
        jac=True,
        method="L-BFGS-B",
        bounds=scaled_limits,
        options={"maxiter": 300, "ftol": 1e-13, "gtol": 1e-5},
    )
    if not np.isfinite(found.fun):
        raise Refused("the likelihood of these records is not finite; check their dates and temperatures")
    return np.asarray(found.x, dtype=float) * scales


def _finished(
    target: CurveLikelihood, theta: Floats, limits: list[tuple[float | None, float | None]], with_errors: bool
) -> TankFit:
    p = target.shape.free
    result, _ = target.parts(theta)
    batch_sd = float(np.exp(theta[p + 1])) if target.has_batch_effect else 0.0
    is_held = [_is_at(value, limit) for value, limit in zip(theta, limits, strict=True)]
    covariance = _covariance(target, theta, is_held)[:p, :p] if with_errors else np.full((p, p), np.nan)
    return TankFit(
        free=theta[:p],
        spread_sd=float(np.exp(theta[p])),
        batch_sd=0.0 if batch_sd <= 1.01 * LEAST_SD else batch_sd,
        wrong_share=float(theta[-1]),
        covariance=covariance,
        log_likelihood=result.log_likelihood,
        batch_mode=result.group_mode,
        batch_se=result.group_sd,
        is_bend_at_limit=p == 3 and is_held[2],
    )


def _is_at(value: float, limit: tuple[float | None, float | None]) -> bool:
    return any(edge is not None and abs(value - edge) <= _AT_LIMIT * (1.0 + abs(edge)) for edge in limit)


def _covariance(target: CurveLikelihood, theta: Floats, is_held: list[bool]) -> Floats:
    """Inverse of the observed information over the parameters that are not held at a limit; 0 for those."""
    scales = _scales(target.shape, target.has_batch_effect)
    live = [i for i, held in enumerate(is_held) if not held]
    information = np.empty((len(live), len(live)))
    for row, i in enumerate(live):
        step = np.zeros(len(theta))
        step[i] = _DIFFERENCE * scales[i]
        down = step.copy()
        down[-1] = min(step[-1], theta[-1])  # a share is not negative
        change = target(theta + step)[1] - target(theta - down)[1]
        information[row] = change[live] / (step[i] + down[i])
    information = 0.5 * (information + information.T)
    values, vectors = np.linalg.eigh(information * np.outer(scales[live], scales[live]))
    if len(values) and values.min() <= 0:
        raise Refused("these records do not determine the curve; use a form with fewer constants")
    inverse = (vectors / values) @ vectors.T * np.outer(scales[live], scales[live])
    covariance = np.zeros((len(theta), len(theta)))
    covariance[np.ix_(live, live)] = inverse
    return covariance
