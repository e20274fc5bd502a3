"""Fitting curves of development to tank records by maximum likelihood, one by one or to many folds at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from broodyear.development.arrays import Floats, Masks
from broodyear.development.likelihood.censored import MOST_WRONG_SHARE
from broodyear.development.likelihood.curve_likelihood import (
    FEW,
    HARDLY_BEGUN,
    CurveLikelihood,
    fractions,
    rates_on,
)
from broodyear.development.likelihood.descent import lowest_points
from broodyear.development.likelihood.tank_records import TankRecords
from broodyear.development.models.forms import Shape
from broodyear.errors import Refused

# Spreads (SD of log development) are sought between these; batches that do not differ end at the lower one.
LEAST_SD, MOST_SD = 2e-4, 2.0
# Tanks of a batch differ by a tenth of a day in two months at the least: with less the likelihood is all edges.
LEAST_TANK_SD = 2e-3
_START_SD = 0.03
_UNDETERMINED = "these records do not determine the curve; use a form with fewer constants"
_UNSETTLED = (
    "the search for the curve did not settle, which is no lack of records: dates far off can be taken for right "
    "or for wrong ones in several ways; mend or leave out those that look wrong"
)
# Steps of one in these units matter about equally to the likelihood.
_SCALES = np.array([0.02, 0.01, 0.02])
_SPREAD_SCALE = 0.3
_SHARE_SCALE = 0.02
_START_SHARE = 0.02
_MOST_AT_ONCE = 10.0  # scales, of one step of the search
# Where a search is begun again: spreads of tanks and shares of wrong dates; and the turns of the curve for it.
_FURTHER = ((0.005, 0.15), (0.02, 0.05))
_REWEIGHTED = 12
_DIFFERENCE = 1e-3  # of a scale, for the second derivatives
_AT_LIMIT = 1e-6
# What a step has to promise in a fit to a fold: a thousandth of a standard error.
_LEAST_GAIN_OF_FOLD = 1e-6
_LEAST_CURVATURE = 1.0  # by scaled parameters: one at a limit has none to begin with


@dataclass(frozen=True)
class FoldFit:
    """A fitted curve of p free quantities with its spreads.

    free: (p,) level, slope, curvature as far as the form has them; spread_sd: between tanks of a batch, batch_sd:
    between batches (0 when none was found), SD of log development; wrong_share: share of wrong dates.
    """

    free: Floats
    spread_sd: float
    batch_sd: float
    wrong_share: float


@dataclass(frozen=True)
class TankFit(FoldFit):
    """The same with its errors.

    covariance: (p, p) of the free quantities; log_likelihood; batch_mode, batch_se: (batches,) log effects;
    is_curvature_at_limit: the curvature ran to a limit.
    """

    covariance: Floats
    log_likelihood: float
    batch_mode: Floats
    batch_se: Floats
    is_curvature_at_limit: bool


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
        return _finished(target, lowest, limits, with_errors, _UNDETERMINED if has_arrived.any() else _UNSETTLED)
    except Refused:
        if few >= len(records.batch):
            raise
    # Perhaps for the nodes alone: what many values tell of their batch may have several modes too.
    return fit_curve(
        records, shape, has_batch_effect=has_batch_effect, start=start, with_errors=with_errors,
        fixed_level=fixed_level, few=len(records.batch),
    )  # fmt: skip


def _lowest(target: CurveLikelihood, begin: Floats, limits: Sequence[tuple[float, float]]) -> tuple[Floats, Masks]:
    """(k, q) points where the searches from k begins ended, and whether they arrived there."""
    low, high = np.broadcast_to(np.array(limits).T[:, None, :], (2, *begin.shape))
    longest = _MOST_AT_ONCE * _scales_of(target.shape, target.has_batch_effect)

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
    return np.concatenate([rough, spreads, [_START_SHARE]])


def further_starts(
    records: TankRecords, shape: Shape, limits: Sequence[tuple[float, float]], has_batch_effect: bool
) -> Floats:
    """(k, q) further begins, about the curve by least absolute deviations through the middles of the intervals."""
    low, high = np.array(limits)[: shape.free].T
    whole = start_values(records, shape, has_batch_effect)
    curves = [_through_middles(records, shape, whole[: shape.free], low, high)]
    if shape.free == 3:  # as good as without a curvature
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
    days = records.to_middle
    for _ in range(_REWEIGHTED):
        rate, rate_by = rates_on(shape, free, records.grid_c)
        done = np.maximum(days @ rate + records.start_fraction, HARDLY_BEGUN)
        off, design = np.log(done), (days @ rate_by) / done[:, None]
        root = 1.0 / np.sqrt(np.maximum(np.abs(off), np.median(np.abs(off)) + LEAST_SD))
        step = np.linalg.lstsq(root[:, None] * design, -root * off, rcond=None)[0]
        longest = _MOST_AT_ONCE * _SCALES[: len(free)]
        free = np.clip(free + np.clip(step, -longest, longest), low, high)
    return free


def limits_of(mean_temp_c: Floats, shape: Shape, has_batch_effect: bool = True) -> list[tuple[float, float]]:
    """Between what each parameter is sought, for tanks of these mean temperatures (°C)."""
    free = [(-np.inf, np.inf), (-1.0, -1e-3), shape.curvature_limits(float(np.quantile(mean_temp_c, 0.05)))]
    spreads = [(float(np.log(least)), float(np.log(MOST_SD))) for least in (LEAST_TANK_SD, LEAST_SD)]
    return [*free[: shape.free], *spreads[: 1 + has_batch_effect], (0.0, MOST_WRONG_SHARE)]


def _scales_of(shape: Shape, has_batch_effect: bool = True) -> Floats:
    """Steps of each parameter that matter about equally to the likelihood."""
    spreads = [_SPREAD_SCALE] * (2 if has_batch_effect else 1)
    return np.concatenate([_SCALES[: shape.free], spreads, [_SHARE_SCALE]])


def _searched(target: CurveLikelihood, begin: Floats, limits: Sequence[tuple[float, float]]) -> Floats:
    """A slower search, for where a batch's most likely effect jumps between a wrong date and the others."""
    from scipy.optimize import minimize  # loads for long, and is seldom needed

    scales = _scales_of(target.shape, target.has_batch_effect)

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
    target: CurveLikelihood, theta: Floats, limits: Sequence[tuple[float, float]], with_errors: bool, why_not: str
) -> TankFit:
    p = target.shape.free
    result, _, _ = target.parts(theta[None, :], np.zeros(1, dtype=np.intp))
    is_held = np.array([_is_at(value, limit) for value, limit in zip(theta, limits, strict=True)])
    covariance = _covariance(target, theta, is_held, why_not)[:p, :p] if with_errors else np.full((p, p), np.nan)
    return TankFit(
        **vars(_found(theta, p, target.has_batch_effect)),
        covariance=covariance,
        log_likelihood=result.log_likelihood,
        batch_mode=result.group_mode,
        batch_se=result.group_sd,
        is_curvature_at_limit=bool(p == 3 and is_held[2]),
    )


def _found(theta: Floats, p: int, has_batch_effect: bool = True) -> FoldFit:
    """What a parameter vector says; a spread between batches that ran to the least that is sought is none."""
    spread_sd, batch_sd = (float(sd) for sd in np.exp(theta[[p, p + has_batch_effect]]))
    if not has_batch_effect or batch_sd <= 1.01 * LEAST_SD:
        batch_sd = 0.0
    return FoldFit(theta[:p], spread_sd, batch_sd, float(theta[-1]))


def _is_at(value: float, limit: tuple[float, float]) -> bool:
    return any(np.isfinite(edge) and abs(value - edge) <= _AT_LIMIT * (1.0 + abs(edge)) for edge in limit)


def information_at(target: CurveLikelihood, theta: Floats) -> Floats:
    """(q, q) second derivatives of −log-likelihood of a fit to all tanks, by differences of the gradient."""
    steps = np.diag(_DIFFERENCE * _scales_of(target.shape, target.has_batch_effect))
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
    scales = _scales_of(target.shape, target.has_batch_effect)
    values, vectors = np.linalg.eigh(information_at(target, theta) * np.outer(scales, scales))
    return np.asarray((vectors * np.maximum(values, _LEAST_CURVATURE)) @ vectors.T / np.outer(scales, scales))


def _covariance(target: CurveLikelihood, theta: Floats, is_held: Masks, why_not: str) -> Floats:
    """Inverse of the observed information over the parameters that are not held at a limit; 0 for those.

    Raises Refused, with the words given, where the information is not that of a highest point.
    """
    live = np.ix_(~is_held, ~is_held)
    scales = _scales_of(target.shape, target.has_batch_effect)[~is_held]
    values, vectors = np.linalg.eigh(information_at(target, theta)[live] * np.outer(scales, scales))
    if len(values) and values.min() <= 0:
        raise Refused(why_not)
    covariance = np.zeros((len(theta), len(theta)))
    covariance[live] = (vectors / values) @ vectors.T * np.outer(scales, scales)
    return covariance


def fit_folds(records: TankRecords, shape: Shape, whole: Floats, chosen: Masks) -> list[FoldFit | Refused]:
    """Fits to the tanks of each row of ``chosen``, or why there is none.

    whole: parameter vector of the fit to all tanks (``theta_of``); chosen: (k, n).
    """
    target = CurveLikelihood(records, shape, chosen=chosen)
    limits = np.array([limits_of(records.mean_temp_c[row], shape) for row in chosen])
    share_of_tanks = chosen.mean(axis=1)[:, None, None]

    def curvature() -> Floats:
        return np.asarray(share_of_tanks * curvature_at(CurveLikelihood(records, shape), whole), dtype=float)

    longest = _MOST_AT_ONCE * _scales_of(shape)
    begin = np.repeat(whole[None, :], len(chosen), axis=0)
    # From no wrong date there is no way to some: a fold that has one among fewer tanks is begun with a share.
    begin[:, -1] = np.maximum(begin[:, -1], _START_SHARE)
    theta, has_arrived = lowest_points(
        target.of_each, begin, limits[:, :, 0], limits[:, :, 1], curvature, longest,
        least_gain=_LEAST_GAIN_OF_FOLD,
    )  # fmt: skip
    return [
        _found(one, shape.free) if arrived else _alone(records, shape, whole, row)
        for one, arrived, row in zip(theta, has_arrived, chosen, strict=True)
    ]


def _alone(records: TankRecords, shape: Shape, whole: Floats, chosen: Masks) -> FoldFit | Refused:
    """The fit by itself, where the steps of all together did not arrive."""
    try:
        return fit_curve(records.subset(chosen), shape, start=whole, with_errors=False)
    except Refused as refusal:
        return refusal
