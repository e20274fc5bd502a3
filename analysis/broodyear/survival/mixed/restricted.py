"""Spreads and degrees of freedom for programmes of ordinary size: restricted likelihood, t intervals.

Maximum likelihood underrates spreads because it takes the coefficients as known, and normal intervals take
the spreads as known; with some sixty sites both together leave 95 % intervals covering 91–93 %. Here the
spreads maximise the likelihood adjusted for the coefficients, −2 log L + log|X'V⁻¹X| (Cox & Reid 1987, doi
10.1111/j.2517-6161.1987.tb01422.x; REML in the normal case), and intervals use a t distribution with
Satterthwaite's degrees of freedom for each contrast.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from broodyear.statistics.numbers import FloatArray
from broodyear.survival.mixed.laplace import Laplace
from broodyear.survival.mixed.optimum import laplace_hessian
from broodyear.survival.mixed.system import Factor, Layout, factorise, inverse_times, invert

FEWEST_DEGREES = 1.0
STEP = 1e-3  # of log sds, for second derivatives of the adjustment
TURNS = 3
LONGEST_TURN = 1.0  # of a log sd
START_RANGE = 0.2, 5.0  # logits: a search that begins nearer to a spread of zero takes longer to find it
SMALLEST = 1e-6


@dataclass(frozen=True, eq=False)
class Precision:
    """The working precision of the coefficients and how each spread moves it.

    covariance: (X'V⁻¹X)⁻¹ with V = W⁻¹ + Σ sd² Z Z', shape (terms, terms). scaled_sums: Λ Z'V⁻¹X, shape (levels,
    terms), in the order of the layout. log_sd_covariance: of the estimated log sds, None where these count as
    known. coefficients: of generalised least squares, where a working response was given.
    """

    covariance: FloatArray
    scaled_sums: FloatArray
    layout: Layout
    log_sd_covariance: FloatArray | None = None
    coefficients: FloatArray = field(default_factory=lambda: np.empty(0))

    def adjustment_slope(self) -> FloatArray:
        """Derivative of log|X'V⁻¹X| over each log sd, binomial weights held."""
        sums = self.scaled_sums
        return -2.0 * self.layout.by_grouping(np.einsum("ij,ij->i", sums @ self.covariance, sums))

    def degrees(self, contrast: FloatArray) -> float:
        """2 v² / var(v) for the variance v of a contrast (Satterthwaite 1946, doi 10.2307/3002019)."""
        if self.log_sd_covariance is None:
            return float("inf")
        moved = self.covariance @ contrast
        slope = 2.0 * self.layout.by_grouping((self.scaled_sums @ moved) ** 2)
        variance, uncertainty = float(contrast @ moved), float(slope @ self.log_sd_covariance @ slope)
        if uncertainty <= 0.0 or variance <= 0.0:
            return float("inf")
        return max(2.0 * variance**2 / uncertainty, FEWEST_DEGREES)


def precision_at(laplace: Laplace, log_sds: FloatArray, coefficients: FloatArray) -> Precision:
    """Working precision of the coefficients at these parameters."""
    return _precision(laplace, laplace.mode(np.exp(log_sds), coefficients).factor)


def _precision(laplace: Laplace, factor: Factor) -> Precision:
    through = inverse_times(factor, laplace.matrix)
    return precision_of(factor, laplace.matrix, through)


def precision_of(factor: Factor, matrix: FloatArray, through: FloatArray) -> Precision:
    """Of columns whose V⁻¹ A is known (through)."""
    information = matrix.T @ through
    covariance = np.asarray(np.linalg.inv(0.5 * (information + information.T)), dtype=float)
    return Precision(covariance, factor.scale[:, None] * factor.layout.gather_to_levels(through), factor.layout)


def approach(laplace: Laplace, log_sds: FloatArray, coefficients: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Log sds and coefficients nearer to the optimum, for a search to begin at.

    A few turns of penalised quasi-likelihood: a scoring step of the coefficients, then each variance as squared
    effects over the levels less what shrinkage leaves of them (Schall 1991, doi 10.1093/biomet/78.4.719).
    """
    layout = laplace.layout
    levels = layout.by_grouping(np.ones(len(layout.owner)))
    for _ in range(TURNS):
        mode, precision = laplace.mode(np.exp(log_sds), coefficients), precision_at(laplace, log_sds, coefficients)
        step = precision.covariance @ (laplace.matrix.T @ (laplace.survived - laplace.trials * mode.share))
        squares = layout.by_grouping((mode.effects - precision.scaled_sums @ step) ** 2)
        left = layout.by_grouping(invert(mode.factor).diagonal) - 0.5 * precision.adjustment_slope()
        turn = 0.5 * np.log(np.maximum(squares, SMALLEST) / np.maximum(levels - left, SMALLEST))
        log_sds = np.clip(log_sds + np.clip(turn, -LONGEST_TURN, LONGEST_TURN), *np.log(START_RANGE))
        coefficients = coefficients + step
    return log_sds, coefficients


def adjusted(laplace: Laplace, log_sds: FloatArray, coefficients: FloatArray) -> tuple[float, FloatArray]:
    """−2 log L + log|X'V⁻¹X| and its gradient over (log sds, coefficients), binomial weights held."""
    value, gradient = laplace.with_gradient(log_sds, coefficients)
    precision = precision_at(laplace, log_sds, coefficients)
    slope = gradient.copy()
    slope[: len(log_sds)] += precision.adjustment_slope()
    return value - float(np.linalg.slogdet(precision.covariance)[1]), slope


def restricted_hessian(laplace: Laplace, values: FloatArray, scale: FloatArray) -> FloatArray:
    """Second derivatives of the adjusted −2 log likelihood in units of the scale.

    Where the spread that maximum likelihood would take is zero, that likelihood is not curved at the restricted
    one, and only the adjustment says how well it is known.
    """
    count = len(laplace.layout.spots)
    hessian = laplace_hessian(laplace, values, scale, count)
    weight = laplace.mode(np.exp(values[:count]), values[count:]).factor.weight

    def slope(log_sds: FloatArray) -> FloatArray:
        return _precision(laplace, factorise(laplace.layout, np.exp(log_sds), weight)).adjustment_slope()

    steps = STEP * np.eye(count)
    block = np.array([slope(values[:count] + step) - slope(values[:count] - step) for step in steps])
    own = scale[:count, :count]
    hessian[:count, :count] += own.T @ (block + block.T) @ own / (4.0 * STEP)
    return hessian
