"""Searching the likelihood of a mixed model: scaled coordinates, quasi-Newton steps, second derivatives."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from broodyear.statistics.numbers import FloatArray, jacobian
from broodyear.survival.mixed.laplace import Laplace
from broodyear.survival.mixed.system import inverse_times

SMALLEST_SD, LARGEST_SD = 1e-3, 30.0
HESSIAN_STEP = 1e-3  # in units of about one standard error
ITERATIONS = 50
LONGEST_STEP = 1.0  # standard errors
STEP_TOLERANCE = 1e-6  # standard errors

#: What is minimised: a value and its gradient at (log sds, coefficients).
Target = Callable[[FloatArray, FloatArray], tuple[float, FloatArray]]


@dataclass(frozen=True, eq=False)
class Optimum:
    """Log standard deviations and coefficients near a minimum of the deviance.

    scale: columns are moves of about one standard error each. curvature: about the second derivatives in units of
    the scale, as the search came to know them.
    """

    log_sds: FloatArray
    coefficients: FloatArray
    deviance: float
    scale: FloatArray
    curvature: FloatArray

    @property
    def values(self) -> FloatArray:
        """Log sds and coefficients side by side."""
        return np.concatenate([self.log_sds, self.coefficients])


def search(laplace: Laplace, log_sds: FloatArray, coefficients: FloatArray, target: Target) -> Optimum:
    """Quasi-Newton search from one start, in coordinates scaled to about one standard error each."""
    from scipy.optimize import minimize

    count = len(log_sds)
    scale = _scale(laplace, log_sds, coefficients)
    origin = np.concatenate([np.zeros(count), coefficients])

    def scaled(values: FloatArray) -> tuple[float, FloatArray]:
        moved = origin + scale @ values
        value, gradient = target(moved[:count], moved[count:])
        return value, scale.T @ gradient

    limits = [(np.log(SMALLEST_SD) / size, np.log(LARGEST_SD) / size) for size in np.diag(scale)[:count]]
    result = minimize(
        scaled,
        np.concatenate([log_sds / np.diag(scale)[:count], np.zeros(len(coefficients))]),
        jac=True,
        method="L-BFGS-B",
        bounds=limits + [(None, None)] * len(coefficients),
        options={"maxiter": 400, "maxfun": 1000, "maxcor": 20, "ftol": 1e-13, "gtol": 1e-4},
    )
    best = origin + scale @ np.asarray(result.x, dtype=float)
    curvature = np.linalg.inv(result.hess_inv @ np.eye(len(best)))
    return Optimum(best[:count], best[count:], float(result.fun), scale, curvature)


def _scale(laplace: Laplace, log_sds: FloatArray, coefficients: FloatArray) -> FloatArray:
    """Matrix whose columns are moves of about one standard error each."""
    factor = laplace.mode(np.exp(log_sds), coefficients).factor
    information = laplace.matrix.T @ inverse_times(factor, laplace.matrix)
    count = len(log_sds)
    scale = np.zeros((count + len(coefficients),) * 2)
    scale[:count, :count] = np.diag(1.0 / np.sqrt(2.0 * np.array(laplace.layout.sizes)))
    scale[count:, count:] = np.linalg.inv(np.linalg.cholesky(0.5 * (information + information.T))).T / np.sqrt(2.0)
    return scale


def settle(optimum: Optimum, target: Target) -> FloatArray:
    """(log sds, coefficients) where the gradient of the target is zero, by steps that learn from each step.

    They begin with the second derivatives of the search (Broyden 1965, doi 10.1090/S0025-5718-1965-0198670-6).
    """
    count, scale = len(optimum.log_sds), optimum.scale
    here, curvature = optimum.values, optimum.curvature
    slope: FloatArray | None = None
    taken: FloatArray | None = None
    for _ in range(ITERATIONS):
        _, gradient = target(here[:count], here[count:])
        last, slope = slope, np.asarray(scale.T @ gradient, dtype=float)
        if last is not None and taken is not None and taken.any():
            curvature = curvature + np.outer(slope - last - curvature @ taken, taken) / float(taken @ taken)
        step = np.linalg.solve(curvature, slope)
        longest = float(np.abs(step).max())
        moved = here - scale @ step * min(1.0, LONGEST_STEP / max(longest, 1e-300))
        within = np.clip(moved[:count], np.log(SMALLEST_SD), np.log(LARGEST_SD))
        # A step cut short at a limit says little about the second derivatives.
        cut = bool((within != moved[:count]).any())
        taken = None if cut else np.asarray(np.linalg.solve(scale, moved - here), dtype=float)
        here = np.concatenate([within, moved[count:]])
        if longest < STEP_TOLERANCE:
            break
    return here


def scaled_hessian(target: Target, values: FloatArray, scale: FloatArray, count: int) -> FloatArray:
    """Second derivatives in units of the scale, by central differences of the gradient.

    They agree with those derived by hand to 8 digits in the standard errors, in half the code.
    """

    def gradient(moved: FloatArray) -> FloatArray:
        at = values + scale @ moved
        return np.asarray(scale.T @ target(at[:count], at[count:])[1], dtype=float)

    return jacobian(gradient, np.zeros(len(values)), HESSIAN_STEP)
