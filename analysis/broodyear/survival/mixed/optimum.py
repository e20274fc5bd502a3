"""Searching the likelihood of a mixed model: scaled coordinates, quasi-Newton steps, second derivatives; and the
restricted likelihood, with which programmes of ordinary size get honest spreads.

Maximum likelihood underrates spreads because it takes the coefficients as known, and normal intervals take
the spreads as known; with some sixty sites both together leave 95 % intervals covering 91–93 %. Here the
spreads maximise the likelihood adjusted for the coefficients, −2 log L + log|X'V⁻¹X| (Cox & Reid 1987, doi
10.1111/j.2517-6161.1987.tb01422.x; REML in the normal case), and intervals use a t distribution with
Satterthwaite's degrees of freedom for each contrast.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from broodyear.statistics.numbers import FloatArray
from broodyear.survival.mixed.laplace import Laplace
from broodyear.survival.mixed.system import Factor, Precision, factorise, inverse_times, invert, precision_of

SMALLEST_SD, LARGEST_SD = 1e-3, 30.0
HESSIAN_STEP = 1e-3  # in units of about one standard error
ITERATIONS = 50
LONGEST_STEP = 1.0  # standard errors
STEP_TOLERANCE = 1e-6  # standard errors
SAME_SCALE = 10.0  # a standard error that grew by less is still about one
NEAR = 1e-2  # slope per standard error from which steps that need no line search go on
STEP = 1e-3  # of log sds, for second derivatives of the adjustment
TURNS = 3
LONGEST_TURN = 1.0  # of a log sd
START_RANGE = 0.2, 5.0  # logits: a search that begins nearer to a spread of zero takes longer to find it
SMALLEST = 1e-6

#: What is minimised over values (log sds, then coefficients), with its gradient.
Target = Callable[[FloatArray], tuple[float, FloatArray]]


@dataclass(frozen=True, eq=False)
class Scaled:
    """A target over variances and coefficients, in moves of about one standard error each.

    Over a variance, unlike over its log or its root, zero is no stationary point: the search leaves it where the
    likelihood rises from there, and stays where it does not. size: standard errors of the variances; root: columns
    are moves of the coefficients; origin: coefficients at zero.
    """

    target: Target
    size: FloatArray
    root: FloatArray
    origin: FloatArray

    def values(self, at: FloatArray) -> FloatArray:
        """Log sds and coefficients."""
        count = len(self.size)
        return np.concatenate([0.5 * np.log(at[:count] * self.size), self.origin + self.root @ at[count:]])

    def with_gradient(self, at: FloatArray) -> tuple[float, FloatArray]:
        """The target and its gradient in these coordinates."""
        count = len(self.size)
        value, slope = self.target(self.values(at))
        return value, np.concatenate([0.5 * slope[:count] / at[:count], self.root.T @ slope[count:]])

    @property
    def limits(self) -> tuple[FloatArray, FloatArray]:
        """Smallest and largest scaled variances."""
        return SMALLEST_SD**2 / self.size, LARGEST_SD**2 / self.size


def scaled_at(laplace: Laplace, values: FloatArray, target: Target) -> tuple[Scaled, FloatArray]:
    """The coordinates in standard errors of this point, and where it lies in them."""
    errors, root = standard_errors(laplace, values)
    variances, coefficients = np.exp(2.0 * values[: laplace.count]), values[laplace.count :]
    scaled = Scaled(target, 2.0 * variances * errors, root, coefficients)
    return scaled, np.concatenate([variances / scaled.size, np.zeros(len(coefficients))])


def search(laplace: Laplace, values: FloatArray, target: Target) -> FloatArray:
    """Values near a minimum: a quasi-Newton search (L-BFGS-B) from one start.

    It begins anew where a standard error has grown so much that the coordinates no longer fit.
    """
    from scipy.optimize import minimize

    scaled, here = scaled_at(laplace, values, target)
    for _ in range(ITERATIONS):
        found = minimize(
            scaled.with_gradient,
            here,
            jac=True,
            method="L-BFGS-B",
            bounds=[*zip(*scaled.limits, strict=True), *[(None, None)] * len(scaled.origin)],
            options={"maxiter": 400, "maxfun": 1000, "maxcor": 20, "ftol": 1e-13, "gtol": NEAR},
        )
        last, values = scaled, scaled.values(np.asarray(found.x, dtype=float))
        scaled, here = scaled_at(laplace, values, target)
        if (scaled.size < SAME_SCALE * last.size).all():
            break
    return values


def standard_errors(laplace: Laplace, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """About one standard error each of −2 log-likelihood: of the log sds, as if levels told of their own spread
    alone, and moves of the coefficients as columns."""
    factor = laplace.mode(values).factor
    told = laplace.layout.by_grouping((1.0 - invert(factor).diagonal) ** 2)
    information = laplace.matrix.T @ inverse_times(factor, laplace.matrix)
    root = np.linalg.inv(np.linalg.cholesky(0.5 * (information + information.T))).T / np.sqrt(2.0)
    return 0.5 / np.sqrt(np.maximum(told, 1e-12)), root


def settle(laplace: Laplace, values: FloatArray, target: Target) -> FloatArray:
    """Values where the gradient of the target is zero, by steps that learn from each step.

    They begin with the second derivatives that the standard errors stand for (Broyden 1965, doi
    10.1090/S0025-5718-1965-0198670-6).
    """
    scaled, here = scaled_at(laplace, values, target)
    count, curvature = laplace.count, np.eye(len(here))
    slope: FloatArray | None = None
    taken: FloatArray | None = None
    for _ in range(ITERATIONS):
        last, slope = slope, scaled.with_gradient(here)[1]
        if last is not None and taken is not None and taken.any():
            curvature = curvature + np.outer(slope - last - curvature @ taken, taken) / float(taken @ taken)
        step = np.linalg.solve(curvature, slope)
        longest = float(np.abs(step).max())
        moved = here - step * min(1.0, LONGEST_STEP / max(longest, 1e-300))
        within = np.clip(moved[:count], *scaled.limits)
        # A step cut short at a limit says little about the second derivatives.
        taken = None if (within != moved[:count]).any() else moved - here
        here = np.concatenate([within, moved[count:]])
        if longest < STEP_TOLERANCE:
            break
    return scaled.values(here)


def scaled_hessian(target: Target, values: FloatArray, scale: FloatArray) -> FloatArray:
    """Second derivatives in units of the scale, by central differences of the gradient."""
    slopes = _slopes(target, values, scale, len(values))
    return np.asarray(0.5 * (slopes + slopes.T), dtype=float)


def laplace_hessian(laplace: Laplace, values: FloatArray, scale: FloatArray) -> FloatArray:
    """The same of the Laplace approximation, where moves of coefficients (the scale's lower right) cost less."""
    count = laplace.count
    slopes = _slopes(laplace.with_gradient, values, scale, count)
    within = 0.5 * (slopes[:, :count] + slopes[:, :count].T)
    curvature = laplace.coefficient_curvature(values, scale[count:, count:])
    return np.block([[within, slopes[:, count:]], [slopes[:, count:].T, curvature]])


def _slopes(target: Target, values: FloatArray, scale: FloatArray, moved: int) -> FloatArray:
    """By how much the gradient changes with each of the first parameters moved, in units of the scale."""

    def gradient(move: FloatArray) -> FloatArray:
        return np.asarray(scale.T @ target(values + scale @ move)[1], dtype=float)

    moves = HESSIAN_STEP * np.eye(len(values))[:moved]
    return np.array([gradient(move) - gradient(-move) for move in moves]) / (2.0 * HESSIAN_STEP)


def precision_at(laplace: Laplace, factor: Factor) -> Precision:
    """Working precision of the coefficients, the Hessian of the modes factorised."""
    return precision_of(factor, laplace.matrix, inverse_times(factor, laplace.matrix))


def approach(laplace: Laplace, values: FloatArray) -> FloatArray:
    """Values nearer to the optimum, for a search to begin at.

    A few turns of penalised quasi-likelihood: a scoring step of the coefficients, then each variance as squared
    effects over the levels less what shrinkage leaves of them (Schall 1991, doi 10.1093/biomet/78.4.719).
    """
    layout, count = laplace.layout, laplace.count
    levels = layout.by_grouping(np.ones(len(layout.owner)))
    for _ in range(TURNS):
        mode = laplace.mode(values)
        precision = precision_at(laplace, mode.factor)
        step = precision.covariance @ (laplace.matrix.T @ (laplace.survived - laplace.trials * mode.share))
        squares = layout.by_grouping((mode.effects - precision.scaled_sums @ step) ** 2)
        left = layout.by_grouping(invert(mode.factor).diagonal) - 0.5 * precision.adjustment_slope()
        turn = 0.5 * np.log(np.maximum(squares, SMALLEST) / np.maximum(levels - left, SMALLEST))
        turned = values[:count] + np.clip(turn, -LONGEST_TURN, LONGEST_TURN)
        values = np.concatenate([np.clip(turned, *np.log(START_RANGE)), values[count:] + step])
    return values


def adjusted(laplace: Laplace, values: FloatArray) -> tuple[float, FloatArray]:
    """−2 log L + log|X'V⁻¹X| and its gradient, binomial weights held."""
    value, slope = laplace.with_gradient(values)
    precision = precision_at(laplace, laplace.mode(values).factor)
    slope[: laplace.count] += precision.adjustment_slope()
    return value - float(np.linalg.slogdet(precision.covariance)[1]), slope


def restricted_hessian(laplace: Laplace, values: FloatArray, scale: FloatArray) -> FloatArray:
    """Second derivatives of the adjusted −2 log likelihood in units of the scale.

    Where the spread that maximum likelihood would take is zero, that likelihood is not curved at the restricted
    one, and only the adjustment says how well it is known.
    """
    count, hessian = laplace.count, laplace_hessian(laplace, values, scale)
    weight = laplace.mode(values).factor.weight

    def slope(log_sds: FloatArray) -> FloatArray:
        return precision_at(laplace, factorise(laplace.layout, np.exp(log_sds), weight)).adjustment_slope()

    steps = STEP * np.eye(count)
    block = np.array([slope(values[:count] + step) - slope(values[:count] - step) for step in steps])
    own = scale[:count, :count]
    hessian[:count, :count] += own.T @ (block + block.T) @ own / (4.0 * STEP)
    return hessian
