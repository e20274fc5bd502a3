"""Fitting a curve of development to tank records by maximum likelihood.

Model: the event happens when a tank's development fraction F reaches exp(u_batch + e), with u_batch and e normal:
log-normal in development, but for a share of wrong dates (see ``censored``) that is estimated with the rest. What
is known is that the event lies in (absent_day, seen_day] and after delivery.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from broodyear.development.likelihood.censored import MOST_WRONG_SHARE, Intervals
from broodyear.development.likelihood.descent import lowest_points
from broodyear.development.likelihood.marginal import FEW, Marginal, marginal
from broodyear.development.likelihood.tank_records import TankRecords
from broodyear.development.models.shapes import Shape
from broodyear.errors import Refused

Floats = NDArray[np.float64]
Whole = NDArray[np.intp]
Masks = NDArray[np.bool_]

# Spreads (SD of log development) are sought between these; batches that do not differ end at the lower one.
LEAST_SD, MOST_SD = 2e-4, 2.0
# Tanks of a batch differ by a tenth of a day in two months at the least: with less the likelihood is all edges.
LEAST_TANK_SD = 2e-3
_START_SD = 0.03
UNDETERMINED = "these records do not determine the curve; use a form with fewer constants"
UNSETTLED = (
    "the search for the curve did not settle, which is no lack of records: dates far off can be taken for right "
    "or for wrong ones in several ways; mend or leave out those that look wrong"
)
# Steps of one in these units matter about equally to the likelihood.
_SCALES = np.array([0.02, 0.01, 0.02])
_SPREAD_SCALE = 0.3
_SHARE_SCALE = 0.02
START_SHARE = 0.02
MOST_AT_ONCE = 10.0  # scales, of one step of the search
# Where a search is begun again: spreads of tanks and shares of wrong dates; and the turns of the curve for it.
_FURTHER = ((0.005, 0.15), (0.02, 0.05))
_REWEIGHTED = 12
_DIFFERENCE = 1e-3  # of a scale, for the second derivatives
_AT_LIMIT = 1e-6
_LEAST_CURVATURE = 1.0  # by scaled parameters: one at a limit has none to begin with
_SHORTEST_LOG_DAYS = -20.0  # no stage takes so little; steps of the search pass far beyond it
_HARDLY_BEGUN = 1e-150  # absurd constants, passed by a search, must overflow nowhere
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
    """Development fraction at delivery, at absent_day and at seen_day of each tank, for rates on the grid.

    rate: (g,) of all tanks, or (g, k) of k curves; the fractions are (n,) or (k, n).
    """
    start = (records.to_start @ rate).T + records.start_fraction
    return start, start + (records.to_absent @ rate).T, start + (records.to_seen @ rate).T


def edges(records: TankRecords, rate: Floats) -> tuple[Intervals, Floats, Floats, Floats]:
    """Intervals of log development of each tank, and the three fractions behind them."""
    found = fractions(records, rate)
    return between(records, *found, np.arange(len(records.batch)), records.batch, len(records.batches)), *found


def between(
    records: TankRecords, start: Floats, absent: Floats, seen: Floats, tank: Whole, group: Whole, groups: int
) -> Intervals:
    """Intervals of log development between fractions. tank: which of the records each value is of."""
    own = records.gap_log_sd[tank]
    return Intervals(
        lower=_log(absent),
        upper=np.where(np.isfinite(records.seen_day[tank]), _log(seen), np.inf),
        start=np.where(start > 0, _log(start), -np.inf),
        group=group,
        groups=groups,
        own_sd=own if own.any() else None,
    )


def _log(fraction: Floats) -> Floats:
    with np.errstate(divide="ignore"):
        return np.maximum(np.log(fraction), _FAR_BELOW)


class CurveLikelihood:
    """Negative log-likelihood of a form's free quantities, the two log spreads and the share of wrong dates.

    chosen: (k, n) which tanks each of k fits is made to; default: one fit to all. All of them stand in one
    marginal likelihood, each with batches of its own: many small fits cost hardly more than one large one.
    """

    def __init__(
        self,
        records: TankRecords,
        shape: Shape,
        has_batch_effect: bool = True,
        chosen: Masks | None = None,
        few: int = FEW,
    ) -> None:
        self.records, self.shape, self.has_batch_effect, self.few = records, shape, has_batch_effect, few
        self.chosen = np.ones((1, len(records.batch)), dtype=bool) if chosen is None else chosen
        # Where the last step found the batches: only a place to begin.
        self._modes = np.zeros((len(self.chosen), len(records.batches)))

    def of_each(self, theta: Floats, which: Whole) -> tuple[Floats, Floats]:
        """(m,) −log-likelihoods and (m, q) gradients of the fits numbered ``which``, each at its row of theta:
        free quantities, ln of the spreads of tanks and of batches, share."""
        k, batches = len(theta), len(self.records.batches)
        result, fit, by_free = self.parts(theta, which)
        by_each = [np.bincount(fit, of_tank, k) for of_tank in (result.by_log_spread_sd, result.by_wrong_share)]
        by_batch_sd = result.by_log_group_sd.reshape(k, batches).sum(axis=1)
        tail = [by_each[0], *([by_batch_sd] if self.has_batch_effect else []), by_each[1]]
        value = result.log_likelihoods.reshape(k, batches).sum(axis=1)
        return -value, -np.column_stack([by_free, *tail])

    def parts(self, theta: Floats, which: Whole) -> tuple[Marginal, Whole, Floats]:
        """The marginal likelihood, which fit each of its values belongs to, and derivatives by free quantities."""
        p, batches = self.shape.free, len(self.records.batches)
        fit, tank = np.nonzero(self.chosen[which])
        rate, rate_by = rates_on(self.shape, theta[:, :p], self.records.grid_c)
        found = fractions(self.records, rate.T)
        start, absent, seen = (all_tanks[fit, tank] for all_tanks in found)
        group = fit * batches + self.records.batch[tank]
        intervals = between(self.records, start, absent, seen, tank, group, len(theta) * batches)
        spread_sd = np.exp(theta[fit, p])
        batch_sd = np.repeat(np.exp(theta[:, p + 1]), batches) if self.has_batch_effect else 0.0
        result = marginal(intervals, spread_sd, batch_sd, self._modes[which].ravel(), theta[fit, -1], self.few)
        self._modes[which] = result.group_mode.reshape(-1, batches)
        at_start, at_absent = _per(result.by_start, start), _per(result.by_lower, absent)
        at_seen = _per(result.by_upper, seen)

        def summed(of_tank: Floats, weights: Floats) -> Floats:
            laid_out = np.zeros((len(theta), len(self.records.batch)))
            laid_out[fit, tank] = of_tank
            return np.asarray(laid_out @ weights, dtype=float)

        by_rate = (
            summed(at_start + at_absent + at_seen, self.records.to_start)
            + summed(at_absent, self.records.to_absent)
            + summed(at_seen, self.records.to_seen)
        )
        return result, fit, np.einsum("kg,kgp->kp", by_rate, rate_by)


def _per(derivative: Floats, fraction: Floats) -> Floats:
    """The derivative by a fraction from that by its logarithm; 0 where development has hardly begun."""
    return np.where(fraction > _HARDLY_BEGUN, derivative / np.maximum(fraction, _HARDLY_BEGUN), 0.0)


def rates_on(shape: Shape, free: Floats, grid_c: Floats) -> tuple[Floats, Floats]:
    """Daily rates on the grid and their derivatives by the free quantities, (…, g) and (…, g, p)."""
    log_days = shape.log_days(free, grid_c)
    bounded = np.maximum(np.where(np.isfinite(log_days), log_days, 0.0), _SHORTEST_LOG_DAYS)
    rate = np.where(np.isfinite(log_days), np.exp(-bounded), 0.0)
    return rate, -rate[..., None] * shape.gradient(free, grid_c)


def fit_curve(
    records: TankRecords,
    shape: Shape,
    *,
    has_batch_effect: bool = True,
    start: Floats | None = None,
    with_errors: bool = True,
    fixed_level: float | None = None,
    few: int = FEW,
) -> TankFit:
    """The most likely curve of one form. start: a theta to begin from; fixed_level: hold ln D at the reference;
    few: as ``marginal`` takes it.

    Raises Refused when the search does not arrive.
    """
    target = CurveLikelihood(records, shape, has_batch_effect, few=few)
    begin = start_values(records, shape, has_batch_effect) if start is None else np.array(start, dtype=float)
    limits = limits_of(records.mean_temp_c, shape, has_batch_effect)
    if fixed_level is not None:
        begin[0] = fixed_level
        limits[0] = (fixed_level, fixed_level)
    theta, has_arrived = _lowest(target, begin[None, :], limits)
    # Which dates are wrong can be taken in several ways, each with a likelihood highest by itself.
    if start is None and (theta[0, -1] > 0.0 or not has_arrived[0]):
        more = further_starts(records, shape, limits, has_batch_effect)
        many = CurveLikelihood(
            records, shape, has_batch_effect, np.ones((len(more), len(records.batch)), dtype=bool)
        )
        others, arrived = _lowest(many, more, limits)
        theta, has_arrived = np.concatenate([theta, others]), np.concatenate([has_arrived, arrived])
    ends, only = list(theta[has_arrived]) or [_searched(target, begin, limits)], np.zeros(1, dtype=np.intp)
    lowest = min(ends, key=lambda one: float(target.of_each(one[None], only)[0][0])) if len(ends) > 1 else ends[0]
    try:
        return _finished(target, lowest, limits, with_errors, UNDETERMINED if has_arrived.any() else UNSETTLED)
    except Refused:
        if few >= len(records.batch):
            raise
    # Perhaps for the nodes alone: what many values tell of their batch may have several modes too.
    return fit_curve(
        records, shape, has_batch_effect=has_batch_effect, start=start, with_errors=with_errors,
        fixed_level=fixed_level, few=len(records.batch),
    )  # fmt: skip


def _lowest(
    target: CurveLikelihood, begin: Floats, limits: Sequence[tuple[float, float]]
) -> tuple[Floats, NDArray[np.bool_]]:
    """(k, q) points where the searches from k begins ended, and whether they arrived there."""
    low, high = np.broadcast_to(np.array(limits).T[:, None, :], (2, *begin.shape))
    longest = MOST_AT_ONCE * scales_of(target.shape, target.has_batch_effect)

    def curvature() -> Floats:
        return np.stack([curvature_at(target, one) for one in begin])

    return lowest_points(target.of_each, begin, low, high, curvature, longest)


def theta_of(free: Floats, spreads: Sequence[float], wrong_share: float) -> Floats:
    """The parameter vector of a fit, to begin another from. spreads: SD of tanks and, where fitted, of batches."""
    return np.concatenate([free, np.log(np.maximum(spreads, 2 * LEAST_SD)), [wrong_share]])


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
    return np.concatenate([rough, spreads, [START_SHARE]])


def further_starts(
    records: TankRecords, shape: Shape, limits: Sequence[tuple[float, float]], has_batch_effect: bool
) -> Floats:
    """(k, q) further begins, about the curve by least absolute deviations through the middles of the intervals."""
    low, high = np.array(limits)[: shape.free].T
    whole = start_values(records, shape, has_batch_effect)
    curves = [_through_middles(records, shape, whole[: shape.free], low, high)]
    if shape.free == 3:  # as good as without a bend
        straight = _through_middles(records, Shape("exponential", shape.reference_c), whole[:2], low[:2], high[:2])
        curves.append(np.append(straight, low[2]))
    return np.stack(
        [
            np.concatenate([free, np.log([spread, *[_START_SD] * has_batch_effect]), [share]])
            for free in curves
            for spread, share in _FURTHER
        ]
    )


def _through_middles(records: TankRecords, shape: Shape, begin: Floats, low: Floats, high: Floats) -> Floats:
    """Free quantities by reweighted least squares of log development in the middle of each tank's interval."""
    free = np.clip(begin, low, high)
    is_seen = np.isfinite(records.seen_day)[:, None]
    days = records.to_start + np.where(is_seen, 0.5 * (records.to_absent + records.to_seen), records.to_absent)
    for _ in range(_REWEIGHTED):
        rate, rate_by = rates_on(shape, free, records.grid_c)
        done = np.maximum(days @ rate + records.start_fraction, _HARDLY_BEGUN)
        off, design = np.log(done), (days @ rate_by) / done[:, None]
        root = 1.0 / np.sqrt(np.maximum(np.abs(off), np.median(np.abs(off)) + LEAST_SD))
        step = np.linalg.lstsq(root[:, None] * design, -root * off, rcond=None)[0]
        longest = MOST_AT_ONCE * _SCALES[: len(free)]
        free = np.clip(free + np.clip(step, -longest, longest), low, high)
    return free


def limits_of(mean_temp_c: Floats, shape: Shape, has_batch_effect: bool = True) -> list[tuple[float, float]]:
    """Between what each parameter is sought, for tanks of these mean temperatures (°C)."""
    free = [(-np.inf, np.inf), (-1.0, -1e-3), shape.bend_limits(float(np.quantile(mean_temp_c, 0.05)))]
    spreads = [(float(np.log(least)), float(np.log(MOST_SD))) for least in (LEAST_TANK_SD, LEAST_SD)]
    return [*free[: shape.free], *spreads[: 1 + has_batch_effect], (0.0, MOST_WRONG_SHARE)]


def scales_of(shape: Shape, has_batch_effect: bool = True) -> Floats:
    """Steps of each parameter that matter about equally to the likelihood."""
    spreads = [_SPREAD_SCALE] * (2 if has_batch_effect else 1)
    return np.concatenate([_SCALES[: shape.free], spreads, [_SHARE_SCALE]])


def _searched(target: CurveLikelihood, begin: Floats, limits: Sequence[tuple[float, float]]) -> Floats:
    """A slower search, for where a batch's most likely effect jumps between a wrong date and the others."""
    from scipy.optimize import minimize  # loads for long, and is seldom needed

    scales = scales_of(target.shape, target.has_batch_effect)

    def scaled(point: Floats) -> tuple[float, Floats]:
        value, gradient = target.of_each((point * scales)[None], np.zeros(1, dtype=np.intp))
        return float(value[0]), gradient[0] * scales

    bounds = [(low / scale, high / scale) for (low, high), scale in zip(limits, scales, strict=True)]
    found = minimize(
        scaled, begin / scales, jac=True, method="L-BFGS-B", bounds=bounds,
        options={"maxiter": 300, "ftol": 1e-13, "gtol": 1e-5},
    )  # fmt: skip
    if not np.isfinite(found.fun):
        raise Refused("the likelihood of these records is not finite; check their dates and temperatures")
    return np.asarray(found.x, dtype=float) * scales


def _finished(
    target: CurveLikelihood,
    theta: Floats,
    limits: Sequence[tuple[float, float]],
    with_errors: bool,
    why_not: str,
) -> TankFit:
    p = target.shape.free
    result, _, _ = target.parts(theta[None, :], np.zeros(1, dtype=np.intp))
    is_held = np.array([_is_at(value, limit) for value, limit in zip(theta, limits, strict=True)])
    covariance = _covariance(target, theta, is_held, why_not)[:p, :p] if with_errors else np.full((p, p), np.nan)
    return TankFit(
        free=theta[:p],
        spread_sd=float(np.exp(theta[p])),
        batch_sd=found_sd(float(theta[p + 1])) if target.has_batch_effect else 0.0,
        wrong_share=float(theta[-1]),
        covariance=covariance,
        log_likelihood=result.log_likelihood,
        batch_mode=result.group_mode,
        batch_se=result.group_sd,
        is_bend_at_limit=bool(p == 3 and is_held[2]),
    )


def found_sd(log_sd: float) -> float:
    """The spread between batches; 0 where it ran to the least that is sought."""
    sd = float(np.exp(log_sd))
    return 0.0 if sd <= 1.01 * LEAST_SD else sd


def _is_at(value: float, limit: tuple[float, float]) -> bool:
    return any(np.isfinite(edge) and abs(value - edge) <= _AT_LIMIT * (1.0 + abs(edge)) for edge in limit)


def information_at(target: CurveLikelihood, theta: Floats) -> Floats:
    """(q, q) second derivatives of −log-likelihood of a fit to all tanks, by differences of the gradient."""
    steps = np.diag(_DIFFERENCE * scales_of(target.shape, target.has_batch_effect))
    down = steps.copy()
    down[-1, -1] = min(steps[-1, -1], theta[-1])  # a share is not negative
    points = np.concatenate([theta + steps, theta - down])
    everywhere = np.ones((len(points), len(target.records.batch)), dtype=bool)
    beside = CurveLikelihood(target.records, target.shape, target.has_batch_effect, everywhere, target.few)
    _, gradient = beside.of_each(points, np.arange(len(points)))
    change = (gradient[: len(theta)] - gradient[len(theta) :]) / np.diag(steps + down)[:, None]
    return np.asarray(0.5 * (change + change.T), dtype=float)


def curvature_at(target: CurveLikelihood, theta: Floats) -> Floats:
    """The same, made positive definite: what a search may begin with."""
    scales = scales_of(target.shape, target.has_batch_effect)
    values, vectors = np.linalg.eigh(information_at(target, theta) * np.outer(scales, scales))
    return np.asarray((vectors * np.maximum(values, _LEAST_CURVATURE)) @ vectors.T / np.outer(scales, scales))


def _covariance(target: CurveLikelihood, theta: Floats, is_held: Masks, why_not: str) -> Floats:
    """Inverse of the observed information over the parameters that are not held at a limit; 0 for those.

    Raises Refused, with the words given, where the information is not that of a highest point.
    """
    live = np.ix_(~is_held, ~is_held)
    scales = scales_of(target.shape, target.has_batch_effect)[~is_held]
    values, vectors = np.linalg.eigh(information_at(target, theta)[live] * np.outer(scales, scales))
    if len(values) and values.min() <= 0:
        raise Refused(why_not)
    covariance = np.zeros((len(theta), len(theta)))
    covariance[live] = (vectors / values) @ vectors.T * np.outer(scales, scales)
    return covariance
