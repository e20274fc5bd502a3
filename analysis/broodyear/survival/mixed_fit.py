"""Outer maximisation of a binomial mixed model: standard deviations and coefficients together."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from broodyear.errors import Refused
from broodyear.survival.arrays import FloatArray
from broodyear.survival.design import Design, Grouping
from broodyear.survival.glm import fit_logistic
from broodyear.survival.mixed_laplace import Laplace, Mode, refuse_unsettled
from broodyear.survival.mixed_quadrature import Quadrature
from broodyear.survival.mixed_system import invert, lay_out

START_SD = 0.4
RESTART_SDS = (1.0, 0.1)
SMALLEST_SD, LARGEST_SD = 1e-3, 30.0
SUSPECT_SD = 0.05  # below this a spread is tested for being zero
HESSIAN_STEP = 1e-3  # in units of about one standard error
HESSIAN_DRIFT = 1e-6  # a longer move than this (in standard errors) calls for new second derivatives
GRADIENT_TOLERANCE = 1e-6
NEWTON_STEPS = 8

Objective = Callable[[FloatArray, FloatArray], tuple[float, FloatArray]]


@dataclass(frozen=True, eq=False)
class Mixed:
    """A fitted binomial mixed model.

    coefficients, covariance: fixed effects, shape (terms,) and (terms, terms).
    sds: logit standard deviation per grouping, 0.0 where the best fit has none.
    joint_covariance: of (log sds of the groupings above zero, coefficients), from the observed information.
    log_likelihood: binomial coefficients included. effects, effect_std_errors: conditional modes on the
    logit scale and their standard errors given the coefficients and spreads, one array per grouping.
    fitted: survival per row at the modes. effective_parameters: coefficients plus the trace of shrinkage.
    """

    coefficients: FloatArray
    covariance: FloatArray
    sds: FloatArray
    joint_covariance: FloatArray
    log_likelihood: float
    effects: tuple[FloatArray, ...]
    effect_std_errors: tuple[FloatArray, ...]
    fitted: FloatArray
    effective_parameters: float
    notes: tuple[str, ...]

    @property
    def above_zero(self) -> tuple[int, ...]:
        """Places of the groupings whose spread is above zero, in the order of joint_covariance."""
        return tuple(int(place) for place in np.flatnonzero(self.sds > 0))


@dataclass(frozen=True, eq=False)
class Optimum:
    """Log standard deviations (of the groupings kept) and coefficients at a minimum of the deviance."""

    log_sds: FloatArray
    coefficients: FloatArray
    deviance: float
    scale: FloatArray


def fit_mixed(design: Design, *, quadrature_points: int = 1) -> Mixed:
    """Maximum likelihood of a binomial model with normal random intercepts.

    quadrature_points: 1 is the Laplace approximation, for any number of crossed or nested groupings; more
    is adaptive Gauss–Hermite quadrature (Pinheiro & Bates 1995, doi 10.1080/10618600.1995.10474663), for
    one grouping. The maximum is over spreads and coefficients jointly; standard errors come from the
    second derivatives of −2 log-likelihood over both (finite differences of the exact gradient).
    A spread of zero is a stationary point of this likelihood, so every search starts from inside, and a
    zero is reported only where the likelihood falls as soon as the variance leaves it.
    """
    from threadpoolctl import threadpool_limits

    with threadpool_limits(limits=1, user_api="blas"):
        try:
            return _fit(design, quadrature_points)
        except FloatingPointError as error:
            raise refuse_unsettled(error) from error


def _fit(design: Design, quadrature_points: int) -> Mixed:
    start = fit_logistic(design.matrix, design.rows.survived, design.rows.trials).coefficients
    kept = list(range(len(design.groupings)))
    optimum = _search(design, kept, np.full(len(kept), np.log(START_SD)), start)
    notes: list[str] = []
    while kept and np.exp(optimum.log_sds).min() < SUSPECT_SD:
        weakest = int(np.argmin(optimum.log_sds))
        optimum, is_zero = _without_or_inside(design, kept, optimum, weakest)
        if not is_zero:
            break
        notes.append(_zero_note(design.groupings[kept[weakest]].name))
        del kept[weakest]
    if not kept:
        return _all_zero(design, notes)
    if quadrature_points > 1:
        optimum = _search(design, kept, optimum.log_sds, optimum.coefficients, quadrature_points)
    return _finish(design, kept, optimum, notes, quadrature_points)


def _zero_note(name: str) -> str:
    return (
        f"The best estimate of the spread between levels of {name} is zero: the rows show no more variation"
        f" between them than the rest of the model already explains, so {name} changes nothing here."
    )


def _laplace(design: Design, kept: Sequence[int]) -> Laplace:
    groupings: list[Grouping] = [design.groupings[place] for place in kept]
    return Laplace(design.matrix, design.rows.survived, design.rows.trials, lay_out(groupings))


def _objective(design: Design, kept: Sequence[int], quadrature_points: int) -> Objective:
    laplace = _laplace(design, kept)
    if quadrature_points == 1:
        return laplace.with_gradient
    return Quadrature(laplace, quadrature_points).with_gradient


def objective_for(design: Design, quadrature_points: int) -> Objective:
    """−2 log-likelihood and its gradient over (log sd of every grouping, coefficients)."""
    return _objective(design, range(len(design.groupings)), quadrature_points)


def best_with_fixed_spread(
    design: Design, objective: Objective, log_sds: FloatArray, coefficients: FloatArray, held: int
) -> float:
    """Smallest −2 log-likelihood with the log sd of one grouping held at its value in `log_sds`."""
    from scipy.optimize import minimize

    count = len(log_sds)
    scale = _scale(design, range(count), log_sds, coefficients)
    free = [place for place in range(len(scale)) if place != held]
    origin = np.concatenate([log_sds, coefficients])

    def scaled(values: FloatArray) -> tuple[float, FloatArray]:
        moved = origin + scale[:, free] @ values
        moved[:count] = np.clip(moved[:count], np.log(SMALLEST_SD), np.log(LARGEST_SD))
        value, gradient = objective(moved[:count], moved[count:])
        return value, scale[:, free].T @ gradient

    result = minimize(scaled, np.zeros(len(free)), jac=True, method="L-BFGS-B", options={"maxiter": 200})
    return float(result.fun)


def _search(
    design: Design, kept: Sequence[int], log_sds: FloatArray, coefficients: FloatArray, points: int = 1
) -> Optimum:
    """Quasi-Newton search from one start, in coordinates scaled to about one standard error each."""
    from scipy.optimize import minimize

    count = len(kept)
    objective = _objective(design, kept, points)
    scale = _scale(design, kept, log_sds, coefficients)
    origin = np.concatenate([np.zeros(count), coefficients])

    def scaled(values: FloatArray) -> tuple[float, FloatArray]:
        moved = origin + scale @ values
        value, gradient = objective(moved[:count], moved[count:])
        return value, scale.T @ gradient

    limits = [
        (np.log(SMALLEST_SD) / scale[place, place], np.log(LARGEST_SD) / scale[place, place])
        for place in range(count)
    ]
    result = minimize(
        scaled,
        np.concatenate([log_sds / np.diag(scale)[:count], np.zeros(len(coefficients))]),
        jac=True,
        method="L-BFGS-B",
        bounds=limits + [(None, None)] * len(coefficients),
        options={"maxiter": 400, "maxfun": 1000, "maxcor": 20, "ftol": 1e-13, "gtol": 1e-4},
    )
    best = origin + scale @ np.asarray(result.x, dtype=float)
    return Optimum(best[:count], best[count:], float(result.fun), scale)


def _scale(design: Design, kept: Sequence[int], log_sds: FloatArray, coefficients: FloatArray) -> FloatArray:
    """Matrix whose columns are moves of about one standard error each."""
    information = _laplace(design, kept).fixed_information(np.exp(log_sds), coefficients)
    count = len(kept)
    scale = np.zeros((count + len(coefficients),) * 2)
    for place, grouping in enumerate(kept):
        scale[place, place] = 1.0 / np.sqrt(2.0 * len(design.groupings[grouping].levels))
    scale[count:, count:] = np.linalg.inv(np.linalg.cholesky(information)).T / np.sqrt(2.0)
    return scale


def _without_or_inside(design: Design, kept: list[int], optimum: Optimum, weakest: int) -> tuple[Optimum, bool]:
    """Decide whether a small spread is zero: (best optimum, whether the grouping is dropped)."""
    inside = optimum
    for sd in RESTART_SDS:
        log_sds = optimum.log_sds.copy()
        log_sds[weakest] = np.log(sd)
        found = _search(design, kept, log_sds, optimum.coefficients)
        inside = found if found.deviance < inside.deviance else inside
    without = [place for spot, place in enumerate(kept) if spot != weakest]
    if without:
        dropped = _search(design, without, np.delete(inside.log_sds, weakest), inside.coefficients)
        zero_deviance = dropped.deviance
    else:
        plain = fit_logistic(design.matrix, design.rows.survived, design.rows.trials)
        dropped = Optimum(np.empty(0), plain.coefficients, -2.0 * plain.log_likelihood, np.empty((0, 0)))
        zero_deviance = dropped.deviance
    if zero_deviance > inside.deviance + 1e-7 or _falls_at_zero(design, kept, without, dropped, weakest):
        return inside, False
    return dropped, True


def _falls_at_zero(
    design: Design, kept: Sequence[int], without: Sequence[int], dropped: Optimum, weakest: int
) -> bool:
    """Whether the deviance falls as the variance leaves zero, the other parameters at their best."""
    log_sds = np.insert(dropped.log_sds, weakest, np.log(SMALLEST_SD))
    objective = _objective(design, kept, 1)
    _, gradient = objective(log_sds, dropped.coefficients)
    return bool(gradient[weakest] / (2.0 * SMALLEST_SD**2) < -1e-3)


def _finish(design: Design, kept: Sequence[int], optimum: Optimum, notes: list[str], points: int) -> Mixed:
    objective = _objective(design, kept, points)
    values = np.concatenate([optimum.log_sds, optimum.coefficients])
    values, deviance, hessian = _polish(objective, values, optimum.scale, len(kept))
    if np.linalg.eigvalsh(hessian)[0] <= 0:
        raise Refused(
            "The mixed model reached no proper maximum: its likelihood is flat in some direction. Take a"
            " group or a term out, or merge sparse levels."
        )
    joint = 2.0 * optimum.scale @ np.linalg.inv(hessian) @ optimum.scale.T
    count = len(kept)
    sds = np.zeros(len(design.groupings))
    sds[list(kept)] = np.exp(values[:count])
    mode = _laplace(design, kept).mode(np.exp(values[:count]), values[count:])
    effects, errors, shrinkage = _modes(design, kept, np.exp(values[:count]), mode)
    return Mixed(
        coefficients=values[count:],
        covariance=joint[count:, count:],
        sds=sds,
        joint_covariance=joint,
        log_likelihood=-0.5 * deviance,
        effects=effects,
        effect_std_errors=errors,
        fitted=mode.share,
        effective_parameters=design.matrix.shape[1] + shrinkage,
        notes=tuple(notes),
    )


def _polish(
    objective: Objective, values: FloatArray, scale: FloatArray, count: int
) -> tuple[FloatArray, float, FloatArray]:
    """Newton steps to the minimum; returns it with the deviance and the scaled second derivatives."""
    hessian = _scaled_hessian(objective, values, scale, count)
    deviance, gradient = objective(values[:count], values[count:])
    for _ in range(NEWTON_STEPS):
        slope = scale.T @ gradient
        if np.abs(slope).max() < GRADIENT_TOLERANCE or np.linalg.eigvalsh(hessian)[0] <= 0:
            break
        step = np.linalg.solve(hessian, slope)
        moved = values - scale @ step
        new_deviance, new_gradient = objective(moved[:count], moved[count:])
        if new_deviance > deviance + 1e-7:
            break
        values, deviance, gradient = moved, new_deviance, new_gradient
        if np.abs(step).max() > HESSIAN_DRIFT:
            hessian = _scaled_hessian(objective, values, scale, count)
    return values, deviance, hessian


def _scaled_hessian(objective: Objective, values: FloatArray, scale: FloatArray, count: int) -> FloatArray:
    size = len(values)
    hessian = np.empty((size, size))
    for place in range(size):
        step = HESSIAN_STEP * scale[:, place]
        _, above = objective((values + step)[:count], (values + step)[count:])
        _, below = objective((values - step)[:count], (values - step)[count:])
        hessian[place] = scale.T @ (above - below) / (2.0 * HESSIAN_STEP)
    return 0.5 * (hessian + hessian.T)


def _modes(
    design: Design, kept: Sequence[int], sds: FloatArray, mode: Mode
) -> tuple[tuple[FloatArray, ...], tuple[FloatArray, ...], float]:
    """Conditional modes and standard errors per grouping, and the trace of the shrinkage."""
    inverse = invert(mode.factor)
    effects = [np.zeros(len(grouping.levels)) for grouping in design.groupings]
    errors = [np.zeros(len(grouping.levels)) for grouping in design.groupings]
    shrinkage = 0.0
    for spot, place in enumerate(kept):
        effects[place] = sds[spot] * mode.effects[spot]
        errors[place] = sds[spot] * np.sqrt(inverse.diagonals[spot])
        shrinkage += float(np.sum(1.0 - inverse.diagonals[spot]))
    return tuple(effects), tuple(errors), shrinkage


def _all_zero(design: Design, notes: list[str]) -> Mixed:
    """No grouping has any spread: the plain binomial fit."""
    plain = fit_logistic(design.matrix, design.rows.survived, design.rows.trials)
    blank = tuple(np.zeros(len(grouping.levels)) for grouping in design.groupings)
    return Mixed(
        coefficients=plain.coefficients,
        covariance=plain.covariance,
        sds=np.zeros(len(design.groupings)),
        joint_covariance=plain.covariance,
        log_likelihood=plain.log_likelihood,
        effects=blank,
        effect_std_errors=blank,
        fitted=1.0 / (1.0 + np.exp(-design.matrix @ plain.coefficients)),
        effective_parameters=float(design.matrix.shape[1]),
        notes=tuple(notes),
    )
