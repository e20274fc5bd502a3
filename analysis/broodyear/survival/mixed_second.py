"""Exact second derivatives of the Laplace likelihood: every step of its gradient differentiated along a direction.

A direction moves one log sd or one coefficient. The modes move with it (implicit differentiation of their
equation), the weights with the modes, and the blocks of the penalised Hessian, its Schur complement and the parts
of its inverse with the weights. Griewank & Walther 2008, Evaluating Derivatives, ch. 3 (forward mode).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from broodyear.survival.arrays import FloatArray
from broodyear.survival.mixed_border import border_of
from broodyear.survival.mixed_system import (
    Factor,
    Inverse,
    PairedWeights,
    gather_to_levels,
    rest_sums,
    single_share,
    solve,
    spread_to_rows,
)

if TYPE_CHECKING:
    from broodyear.survival.mixed_laplace import Laplace, Point


@dataclass(frozen=True, eq=False)
class InverseSlope:
    """Derivatives of H⁻¹: of the sum of its diagonal per grouping, and of z' H⁻¹ z per row."""

    diagonal_sums: FloatArray
    leverages: FloatArray


def second_derivatives(laplace: Laplace, point: Point) -> FloatArray:
    """Second derivatives of −2 log-likelihood over (log sds, coefficients) at a point, made symmetric."""
    count, terms = len(laplace.layout.sizes), laplace.matrix.shape[1]
    hessian = np.empty((count + terms, count + terms))
    for place, log_sd_slope in enumerate(np.eye(count)):
        hessian[place] = _gradient_slope(laplace, point, log_sd_slope, np.zeros(laplace.layout.rows))
    still = np.zeros(count)
    for term in range(terms):
        hessian[count + term] = _gradient_slope(laplace, point, still, laplace.matrix[:, term])
    return 0.5 * (hessian + hessian.T)


def _gradient_slope(laplace: Laplace, point: Point, log_sd_slope: FloatArray, by_fixed: FloatArray) -> FloatArray:
    """Derivative of the gradient along one direction; by_fixed: of the fixed part of each row's log-odds."""
    factor, layout, sds, mode = point.factor, laplace.layout, point.sds, point.mode
    weight, asymmetry = factor.weight, 1.0 - 2.0 * mode.share
    by_held = by_fixed + spread_to_rows(layout, sds * log_sd_slope, mode.effects)
    by_effects = _solve_for_slope(factor, -weight * by_held, mode.effects, log_sd_slope)
    by_log_odds = by_held + spread_to_rows(layout, sds, by_effects)
    by_weight = weight * asymmetry * by_log_odds
    by_inverse = inverse_slope(factor, point.inverse, log_sd_slope, by_weight)
    leverages = point.inverse.leverages
    by_curvature = (
        by_inverse.leverages * weight * asymmetry
        + leverages * asymmetry * by_weight
        - 2.0 * leverages * weight * mode.share * (1.0 - mode.share) * by_log_odds
    )
    passed_on = spread_to_rows(layout, sds, point.passed)
    by_passed_held = spread_to_rows(layout, sds * log_sd_slope, point.passed)
    by_passed = _solve_for_slope(
        factor, by_curvature - by_weight * passed_on - weight * by_passed_held, point.passed, log_sd_slope
    )
    by_passed_on = by_passed_held + spread_to_rows(layout, sds, by_passed)
    by_through = by_curvature - by_weight * passed_on - weight * by_passed_on
    by_coefficient = laplace.matrix.T @ (by_through + 2.0 * weight * by_log_odds)
    by_log_sd = [
        -4.0 * float(mode.effects[place] @ by_effects[place])
        - 2.0 * by_inverse.diagonal_sums[place]
        + 2.0 * float(by_passed[place] @ mode.effects[place] + point.passed[place] @ by_effects[place])
        for place in range(len(sds))
    ]
    return np.concatenate([by_log_sd, by_coefficient])


def _solve_for_slope(
    factor: Factor, rows: FloatArray, levels: list[FloatArray], log_sd_slope: FloatArray
) -> list[FloatArray]:
    """H⁻¹ (Λ Z' rows + the levels' own values where their spread moves).

    Both the modes u and p = H⁻¹ Λ Z' c satisfy Λ Z' (something) = themselves, hence the second part.
    """
    right = gather_to_levels(factor.layout, factor.sds, rows)
    moved = [part + slope * own for part, own, slope in zip(right, levels, log_sd_slope, strict=True)]
    return solve(factor, moved)


def inverse_slope(
    factor: Factor, inverse: Inverse, log_sd_slope: FloatArray, by_weight: FloatArray
) -> InverseSlope:
    """Derivative of the parts of H⁻¹ along a direction that moves the log sds and the binomial weights."""
    layout, sds, single = factor.layout, factor.sds, factor.layout.single
    by_single, by_reduced = _single_slopes(factor, log_sd_slope, by_weight)
    paired = PairedWeights(sds, factor.reduced_weight, log_sd_slope, by_reduced)
    main, codes = layout.largest, layout.codes[layout.largest]
    by_diagonal: FloatArray = np.bincount(codes, paired.of(main, main), layout.sizes[main]).astype(float)
    moved = border_of(layout.pattern, [paired.of(main, place) for place in layout.rest], factor.diagonal)
    by_schur = rest_sums(layout, paired) - factor.border.schur_share_slope(moved, by_diagonal)
    by_inverse = -inverse.schur @ by_schur @ inverse.schur
    by_quadratic, by_rows = factor.border.pulled_slope(
        inverse.pulled, inverse.schur, moved, by_diagonal, by_inverse
    )
    by_main = by_quadratic - by_diagonal / factor.diagonal**2
    drift = 2.0 * log_sd_slope[main] * inverse.diagonals[main]
    leverages = sds[main] ** 2 * (by_main + drift)[codes]
    sums = np.zeros(len(sds))
    sums[main] = by_main.sum()
    for place, start, own, by_own in zip(layout.rest, layout.offsets, inverse.pulled.rows, by_rows, strict=True):
        columns, turn = start + layout.codes[place], log_sd_slope[main] + log_sd_slope[place]
        sums[place] = np.diag(by_inverse)[start : start + layout.sizes[place]].sum()
        leverages -= 2.0 * sds[main] * sds[place] * (by_own + turn * own if turn else by_own)
        for other, begin in zip(layout.rest, layout.offsets, strict=True):
            turn = log_sd_slope[place] + log_sd_slope[other]
            both = by_inverse + turn * inverse.schur if turn else by_inverse
            leverages += sds[place] * sds[other] * both[columns, begin + layout.codes[other]]
    if single is None:
        return InverseSlope(sums, leverages)
    slope = float(log_sd_slope[single])
    sums[single], leverages = _with_single(factor, inverse, slope, leverages, by_single, by_reduced)
    return InverseSlope(sums, leverages)


def _single_slopes(
    factor: Factor, log_sd_slope: FloatArray, by_weight: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Derivatives of 1 + sd² w and of w / (1 + sd² w), of the grouping with one level per row."""
    single = factor.layout.single
    if single is None:
        return np.zeros_like(by_weight), by_weight
    by_diagonal = factor.sds[single] ** 2 * (by_weight + 2.0 * log_sd_slope[single] * factor.weight)
    by_reduced = (by_weight - factor.reduced_weight * by_diagonal) / factor.single_diagonal
    return by_diagonal, by_reduced


def _with_single(
    factor: Factor,
    inverse: Inverse,
    slope: float,
    by_leverages: FloatArray,
    by_diagonal: FloatArray,
    by_reduced: FloatArray,
) -> tuple[float, FloatArray]:
    """Add the eliminated one-level-per-row grouping back; slope: of its own log sd."""
    assert factor.layout.single is not None
    sd, diagonal, leverages = factor.sds[factor.layout.single], factor.single_diagonal, inverse.reduced_leverages
    share = single_share(factor)
    by_share = sd * (by_reduced + slope * factor.reduced_weight)
    by_rows = share**2 * by_leverages + 2.0 * share * by_share * leverages - by_diagonal / diagonal**2
    whole = (
        2.0 * slope * sd**2 / diagonal
        - sd**2 * by_diagonal / diagonal**2
        + by_leverages / diagonal**2
        - 2.0 * leverages * by_diagonal / diagonal**3
    )
    return float(by_rows.sum()), np.asarray(whole, dtype=float)
