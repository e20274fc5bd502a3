"""Searching the likelihood of a mixed model: scaled coordinates, quasi-Newton steps, second derivatives."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from broodyear.survival.arrays import FloatArray
from broodyear.survival.design import Design, Grouping
from broodyear.survival.mixed_laplace import Laplace
from broodyear.survival.mixed_quadrature import Quadrature
from broodyear.survival.mixed_system import lay_out

SMALLEST_SD, LARGEST_SD = 1e-3, 30.0
SUSPECT_SD = 0.05  # below this a spread is tested for being zero
HESSIAN_STEP = 1e-3  # in units of about one standard error
HESSIAN_DRIFT = 1e-6  # a longer move than this (in standard errors) calls for new second derivatives
GRADIENT_TOLERANCE = 1e-6
NEWTON_STEPS = 8
APPROACH_STEPS, APPROACH_TOLERANCE = 10, 1e-7

Objective = Laplace | Quadrature
Target = Callable[[FloatArray, FloatArray], tuple[float, FloatArray]]


@dataclass(frozen=True, eq=False)
class Optimum:
    """Log standard deviations (of the groupings kept) and coefficients at a minimum of the deviance.

    scale: columns are moves of about one standard error each. inverse: about the inverse second derivatives in
    units of the scale, as the search came to know them.
    """

    log_sds: FloatArray
    coefficients: FloatArray
    deviance: float
    scale: FloatArray
    inverse: FloatArray


def laplace_for(design: Design, kept: Sequence[int]) -> Laplace:
    """The Laplace likelihood of a design with only the groupings kept."""
    key = ("laplace", *(design.groupings[place].name for place in kept))
    if key not in design.made:
        groupings: list[Grouping] = [design.groupings[place] for place in kept]
        design.made[key] = Laplace(design.matrix, design.rows.survived, design.rows.trials, lay_out(groupings))
    found: Laplace = design.made[key]
    return found


def objective_kept(design: Design, kept: Sequence[int], quadrature_points: int) -> Objective:
    """The likelihood over (log sds of the groupings kept, coefficients)."""
    laplace = laplace_for(design, kept)
    return laplace if quadrature_points == 1 else Quadrature(laplace, quadrature_points)


def objective_for(design: Design, quadrature_points: int) -> Objective:
    """The likelihood over (log sd of every grouping, coefficients)."""
    return objective_kept(design, range(len(design.groupings)), quadrature_points)


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
        value, gradient = objective.with_gradient(moved[:count], moved[count:])
        return value, scale[:, free].T @ gradient

    result = minimize(scaled, np.zeros(len(free)), jac=True, method="L-BFGS-B", options={"maxiter": 200})
    return float(result.fun)


def search(
    design: Design,
    kept: Sequence[int],
    log_sds: FloatArray,
    coefficients: FloatArray,
    points: int = 1,
    leave: int | None = None,
    target: Target | None = None,
) -> Optimum:
    """Quasi-Newton search from one start, in coordinates scaled to about one standard error each.

    target: what is minimised, with its gradient over (log sds, coefficients); by default the deviance.
    leave: place of a spread (among those kept) whose search below SUSPECT_SD was done before: as soon as it is
    down there and the likelihood still rises towards zero, what follows is known and the search ends.
    """
    from scipy.optimize import minimize

    count = len(kept)
    minimised = target or objective_kept(design, kept, points).with_gradient
    scale = _scale(design, kept, log_sds, coefficients)
    origin = np.concatenate([np.zeros(count), coefficients])
    seen: list[tuple[FloatArray, FloatArray]] = []

    def scaled(values: FloatArray) -> tuple[float, FloatArray]:
        moved = origin + scale @ values
        value, gradient = minimised(moved[:count], moved[count:])
        seen[:] = [(moved[:count], gradient[:count])]
        return value, scale.T @ gradient

    def known_from_here(_values: FloatArray) -> None:
        log_sd, slope = (part[leave] for part in seen[0]) if leave is not None else (np.inf, 0.0)
        if log_sd < np.log(SUSPECT_SD) and slope > 0.0:
            raise StopIteration

    after_each_step: Any = known_from_here

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
        callback=after_each_step,
        options={"maxiter": 400, "maxfun": 1000, "maxcor": 20, "ftol": 1e-13, "gtol": 1e-4},
    )
    best = origin + scale @ np.asarray(result.x, dtype=float)
    inverse: FloatArray = result.hess_inv @ np.eye(len(best))
    return Optimum(best[:count], best[count:], float(result.fun), scale, inverse)


def _scale(design: Design, kept: Sequence[int], log_sds: FloatArray, coefficients: FloatArray) -> FloatArray:
    """Matrix whose columns are moves of about one standard error each."""
    information = laplace_for(design, kept).fixed_information(np.exp(log_sds), coefficients)
    count = len(kept)
    scale = np.zeros((count + len(coefficients),) * 2)
    for place, grouping in enumerate(kept):
        scale[place, place] = 1.0 / np.sqrt(2.0 * len(design.groupings[grouping].levels))
    scale[count:, count:] = np.linalg.inv(np.linalg.cholesky(information)).T / np.sqrt(2.0)
    return scale


def polish(
    objective: Objective, optimum: Optimum, values: FloatArray, count: int
) -> tuple[FloatArray, float, FloatArray]:
    """Newton steps to the minimum; returns it with the deviance and the scaled second derivatives."""
    scale = optimum.scale
    values = _approach(objective, optimum, values, count)
    hessian = scaled_hessian(objective, values, scale, count)
    deviance, gradient = objective.with_gradient(values[:count], values[count:])
    for _ in range(NEWTON_STEPS):
        slope = scale.T @ gradient
        if np.abs(slope).max() < GRADIENT_TOLERANCE or np.linalg.eigvalsh(hessian)[0] <= 0:
            break
        step = np.linalg.solve(hessian, slope)
        moved = values - scale @ step
        new_deviance, new_gradient = objective.with_gradient(moved[:count], moved[count:])
        if new_deviance > deviance + 1e-7:
            break
        values, deviance, gradient = moved, new_deviance, new_gradient
        if np.abs(step).max() > HESSIAN_DRIFT:
            hessian = scaled_hessian(objective, values, scale, count)
    return values, deviance, hessian


def _approach(objective: Objective, optimum: Optimum, values: FloatArray, count: int) -> FloatArray:
    """Quasi-Newton steps on the gradient alone, while it shrinks: second derivatives are dear, and so made once.

    The search stops where the likelihood no longer changes beyond rounding; the gradient still does.
    """
    scale, inverse = optimum.scale, optimum.inverse
    _, gradient = objective.with_gradient(values[:count], values[count:])
    slope = scale.T @ gradient
    for _ in range(APPROACH_STEPS):
        if np.abs(slope).max() < APPROACH_TOLERANCE:
            break
        step = -inverse @ slope
        moved = values + scale @ step
        _, gradient = objective.with_gradient(moved[:count], moved[count:])
        new_slope = scale.T @ gradient
        if np.linalg.norm(new_slope) > np.linalg.norm(slope):
            break
        inverse = _learnt(inverse, step, new_slope - slope)
        values, slope = moved, new_slope
    return values


def _learnt(inverse: FloatArray, step: FloatArray, change: FloatArray) -> FloatArray:
    """The inverse second derivatives after a step and its change of slope (BFGS; Nocedal & Wright 2006, 6.17)."""
    along = float(step @ change)
    if along <= 0.0:
        return inverse
    turn = np.eye(len(step)) - np.outer(step, change) / along
    return np.asarray(turn @ inverse @ turn.T + np.outer(step, step) / along, dtype=float)


def scaled_hessian(objective: Objective, values: FloatArray, scale: FloatArray, count: int) -> FloatArray:
    """Second derivatives of −2 log-likelihood in units of the scale: exact, or for quadrature by differences."""
    if isinstance(objective, Laplace):
        return np.asarray(scale.T @ objective.hessian(values[:count], values[count:]) @ scale, dtype=float)
    size = len(values)
    hessian = np.empty((size, size))
    for place in range(size):
        step = HESSIAN_STEP * scale[:, place]
        _, above = objective.with_gradient((values + step)[:count], (values + step)[count:])
        _, below = objective.with_gradient((values - step)[:count], (values - step)[count:])
        hessian[place] = scale.T @ (above - below) / (2.0 * HESSIAN_STEP)
    return 0.5 * (hessian + hessian.T)
