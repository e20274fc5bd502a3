"""The penalised least-squares system of crossed random intercepts, solved by eliminating diagonal blocks.

With b_k = sd_k · u_k and u standard normal, the penalised Hessian over u is H = Λ Z' W Z Λ + I. Every row belongs
to one level of each grouping, so the block of a grouping against itself is diagonal. Two such blocks are
eliminated by Schur complements: a grouping with one level per row (it only rescales the row's weight), and the
grouping with most levels. What is left has as many rows as the other groupings have levels, so cost grows with
those and only linearly with rows (Bates et al. 2015, doi 10.18637/jss.v067.i01, set out the penalised system; the
elimination is the usual one for bordered block-diagonal matrices).

The levels of all groupings stand in one vector: the grouping with most levels, the others, and at the end the one
with one level per row, in the order of the rows.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from scipy.linalg.lapack import dpotrf, dpotri, dpotrs
from scipy.sparse import csr_array

from broodyear.statistics.numbers import FloatArray, IntArray, delta_errors

MANY_CELLS = 100_000  # of the border, most of them zero: above, only the others are kept
FEWEST_DEGREES = 1.0
TOLD_APART = 3e-5  # share of a column's length left after the earlier columns, below which rows cannot tell it
ESTIMABLE = 1e-6  # a contrast that moves along an aliased direction by more cannot be told


@dataclass(frozen=True, eq=False)
class Grouping:
    """One random intercept: the column, the level of each row (shape (used,)), and the levels' names."""

    name: str
    codes: IntArray
    levels: tuple[Any, ...]

    @classmethod
    def of(cls, frame: pd.DataFrame, name: str) -> Grouping:
        """A column of a frame as a grouping, its levels in order."""
        codes, levels = pd.factorize(frame[name], sort=True)
        return cls(name, codes.astype(np.int64), tuple(levels))

    def is_twin(self, other: Grouping) -> bool:
        """Whether another grouping splits the rows alike, so that the two share one spread."""
        pairs = len(np.unique(self.codes * len(other.levels) + other.codes))
        return pairs == len(self.levels) == len(other.levels)


@dataclass(frozen=True, eq=False)
class Layout:
    """Which level of each grouping a row has, and which grouping is eliminated when.

    owner: grouping of each level of the vector. positions: per grouping, where its levels stand in it. single:
    whether the last grouping of the vector has one level per row. by_row: Z without it.
    most: levels of the largest grouping, main: each row's; width: levels of the remaining ones, rest: each row's,
    one line per grouping.
    """

    owner: IntArray
    positions: tuple[IntArray, ...]
    single: bool
    by_row: csr_array
    most: int
    main: IntArray
    width: int
    rest: IntArray

    @property
    def others(self) -> int:
        """Levels of all groupings but the one with one level per row."""
        return self.most + self.width

    def spread_to_rows(self, effects: FloatArray) -> FloatArray:
        """Z u: each row's sum of its levels' effects."""
        shared = self.by_row @ effects[: self.others]
        return np.asarray(shared + effects[self.others :] if self.single else shared, dtype=float)

    def gather_to_levels(self, values: FloatArray) -> FloatArray:
        """Z' v: sums of a row quantity within each level; it may have several columns."""
        shared = self.by_row.T @ values
        return np.asarray(np.concatenate([shared, values]) if self.single else shared, dtype=float)

    def by_grouping(self, levels: FloatArray) -> FloatArray:
        """Sums of a quantity of levels within each grouping."""
        return np.asarray(np.bincount(self.owner, levels, len(self.positions)), dtype=float)


def lay_out(groupings: Sequence[Grouping]) -> Layout:
    """Choose the order of elimination for these groupings."""
    rows, sizes = len(groupings[0].codes), [len(grouping.levels) for grouping in groupings]
    single = [sizes.index(rows)] if rows in sizes and len(sizes) > 1 else []
    others = [index for index in range(len(sizes)) if index not in single]
    largest = max(others, key=lambda index: sizes[index])
    order = [largest, *(index for index in others if index != largest)]
    starts = np.cumsum([0, *(sizes[index] for index in order)])
    codes = np.array([start + groupings[index].codes for index, start in zip(order, starts, strict=False)])
    positions = {index: start + np.arange(sizes[index]) for index, start in zip(order, starts, strict=False)}
    positions |= {index: starts[-1] + np.argsort(groupings[index].codes) for index in single}
    ends = np.arange(0, codes.size + 1, len(codes))
    by_row = csr_array((np.ones(codes.size), codes.T.ravel(), ends), shape=(rows, starts[-1]))
    return Layout(
        owner=np.repeat([*order, *single], [sizes[index] for index in (*order, *single)]).astype(np.int64),
        positions=tuple(positions[index] for index in range(len(sizes))),
        single=bool(single),
        by_row=by_row,
        most=sizes[largest],
        main=codes[0],
        width=int(starts[-1]) - sizes[largest],
        rest=codes[1:] - sizes[largest],
    )


@dataclass(frozen=True, eq=False)
class Factor:
    """The factorised Hessian at one set of weights.

    scale: Λ, the standard deviation of each level. weight: w, shape (rows,). own: 1 + sd² w of the grouping with
    one level per row, else 1. root: square root of the block of the largest grouping, shape (levels,); border: its
    block against the rest over it, levels × width. lower: Cholesky factor of the Schur complement.
    """

    layout: Layout
    scale: FloatArray
    weight: FloatArray
    own: FloatArray
    root: FloatArray
    border: FloatArray | csr_array
    lower: FloatArray

    @property
    def log_determinant(self) -> float:
        """log |H|."""
        roots = np.sum(np.log(self.root)) + np.sum(np.log(np.diag(self.lower)))
        return float(2.0 * roots + np.sum(np.log(self.own)))

    @cached_property
    def inverse(self) -> tuple[FloatArray, FloatArray]:
        """The diagonal of H⁻¹, and the rows' leverages z' H⁻¹ z (z the row of Z Λ), without forming H⁻¹."""
        layout, most, others = self.layout, self.layout.most, self.layout.rest
        schur = dpotri(self.lower, lower=True)[0] if layout.width else self.lower
        schur = schur + np.tril(schur, -1).T
        pulled = self.border @ schur
        main = (1.0 + (self.border * pulled).sum(axis=1)) / self.root**2
        diagonal = np.concatenate([main, np.diag(schur)])
        scale, rest = self.scale[0], self.scale[most : layout.others]
        crossed = (pulled[layout.main, others] * rest[others]).sum(axis=0)
        within = (schur * np.outer(rest, rest))[others[:, None], others].sum(axis=(0, 1))
        leverages = scale**2 * main[layout.main] - 2.0 * (scale / self.root)[layout.main] * crossed + within
        if not layout.single:
            return diagonal, leverages
        variance, own = self.scale[layout.others :] ** 2, self.own
        by_row = 1.0 / own + variance * (self.weight / own) ** 2 * leverages
        return np.concatenate([diagonal, by_row]), variance / own + leverages / own**2


def factorise(layout: Layout, sds: FloatArray, weight: FloatArray) -> Factor:
    """Factorise H at these standard deviations (one per grouping) and binomial weights (one per row)."""
    scale, most, width, others = sds[layout.owner], layout.most, layout.width, layout.rest
    own = 1.0 + scale[layout.others :] ** 2 * weight if layout.single else np.ones(len(weight))
    reduced = weight / own
    main, rest = scale[0], scale[most : layout.others]
    root = np.sqrt(1.0 + main**2 * np.bincount(layout.main, reduced, most))
    beside = main * reduced / root[layout.main] * rest[others]
    border: FloatArray | csr_array
    if most * width > MANY_CELLS:
        border = csr_array((beside.ravel(), (np.tile(layout.main, len(others)), others.ravel())), (most, width))
    else:
        border = _summed(layout.main * width + others, beside, (most, width))
    each = np.broadcast_to(reduced, (len(others), *others.shape))
    block = _summed(others[:, None] * width + others, each, (width, width))
    schur = np.eye(width) + np.outer(rest, rest) * block - border.T @ border
    lower, failed = dpotrf(schur, lower=True) if width else (schur, 0)
    if failed:
        raise FloatingPointError("the penalised Hessian is not positive")
    return Factor(layout, scale, weight, own, root, border, lower)


def _summed(at: IntArray, values: FloatArray, shape: tuple[int, int]) -> FloatArray:
    """A matrix of values summed by flat index."""
    return np.asarray(np.bincount(at.ravel(), values.ravel(), math.prod(shape)).reshape(shape), dtype=float)


def solve(factor: Factor, right: FloatArray) -> FloatArray:
    """(I + W Σ sd² Z Z')⁻¹ r, for r of shape (rows,) or (rows, columns): what of a pull on rows modes leave.

    Λ Z' of it is H⁻¹ Λ Z' r: by how much the modes move.
    """
    return _held_back(factor, 1.0 / factor.own, right)


def inverse_times(factor: Factor, matrix: FloatArray) -> FloatArray:
    """V⁻¹ A for A of shape (rows,) or (rows, columns), with V = W⁻¹ + Σ sd² Z Z'."""
    return _held_back(factor, factor.weight / factor.own, matrix)


def _held_back(factor: Factor, each: FloatArray, right: FloatArray) -> FloatArray:
    """Every row of a right side times its own number, less what shared levels take of it."""
    layout, most = factor.layout, factor.layout.most
    root, scale = factor.root[:, None], factor.scale[: layout.others, None]
    left = each[:, None] * right.reshape(len(right), -1)
    pulled = scale * (layout.by_row.T @ left)
    main, rest = pulled[:most] / root, pulled[most:]
    if layout.width:
        rest = dpotrs(factor.lower, rest - factor.border.T @ main, lower=True)[0]
        main = main - factor.border @ rest
    taken = layout.by_row @ (scale * np.concatenate([main / root, rest]))
    taken *= (factor.weight / factor.own)[:, None]  # in place: the time goes into new memory
    left -= taken
    return left.reshape(right.shape)


@dataclass(frozen=True, eq=False)
class Precision:
    """How exactly coefficients of some columns are known at given spreads, and how these move it.

    covariance: (X'V⁻¹X)⁻¹ with V = W⁻¹ + Σ sd² Z Z', shape (terms, terms); with a prior precision of the
    coefficients added to the information where there is one. matrix: X, shape (rows, terms). through: V⁻¹X.
    response: one a row, empty where only precision counts. of_variances: covariance of the estimated variances,
    None where these count as known.
    """

    covariance: FloatArray
    matrix: FloatArray
    through: FloatArray
    factor: Factor
    response: FloatArray
    of_variances: FloatArray | None = None

    @cached_property
    def coefficients(self) -> FloatArray:
        """Of generalised least squares of the response."""
        return np.asarray(self.covariance @ (self.through.T @ self.response), dtype=float)

    @cached_property
    def left(self) -> FloatArray:
        """V⁻¹ (y − X b): of each row its weight times what neither columns nor levels explain."""
        return inverse_times(self.factor, self.response - self.matrix @ self.coefficients)

    @cached_property
    def alone(self) -> FloatArray:
        """How exactly a coefficient that a row had to itself would be known: the diagonal of V⁻¹ less what of it
        the columns take. A row is left out by such a coefficient, `left` over it (Cook & Weisberg 1982, Residuals
        and influence in regression, 2.2; from memory)."""
        weight = self.factor.weight
        taken = np.einsum("ij,ij->i", self.through @ self.covariance, self.through)
        return np.asarray(weight * (1.0 - weight * self.factor.inverse[1]) - taken, dtype=float)

    def on(self, matrix: FloatArray, through: FloatArray | None = None) -> Precision:
        """The same of other columns A; through: V⁻¹ A where it is known."""
        return replace(
            precision_of(self.factor, matrix, self.response, through=through), of_variances=self.of_variances
        )

    def without_one(self, contrast: FloatArray, log_odds: float) -> tuple[int, float]:
        """The row without which a contrast of the coefficients has least to show, and how many standard errors it
        lies from zero then, to its own side; log_odds: with all rows. Spreads are held.

        Where it alone tells the contrast, nothing is left: 0.
        """
        pull, error = self.through @ (self.covariance @ contrast), delta_errors(contrast, self.covariance)
        is_estimable = self.alone > TOLD_APART * self.factor.weight
        alone = np.where(is_estimable, self.alone, 1.0)
        ratio = np.sign(log_odds) * (log_odds - pull * self.left / alone) / np.hypot(error, pull / np.sqrt(alone))
        ratio = np.where(is_estimable, ratio, np.where(np.abs(pull) > ESTIMABLE, 0.0, np.inf))
        return int(np.argmin(ratio)), float(max(ratio.min(), 0.0))

    def adjustment_slope(self) -> FloatArray:
        """Derivative of log|X'V⁻¹X| over each variance, binomial weights held."""
        layout, shared = self.factor.layout, self.factor.layout.by_row.T @ self.through
        squares = np.einsum("ij,ij->i", shared @ self.covariance, shared)
        slope = np.bincount(layout.owner[: layout.others], squares, len(layout.positions))
        if layout.single:
            slope[layout.owner[-1]] = np.vdot(self.through.T @ self.through, self.covariance)
        return np.asarray(-slope, dtype=float)

    def levels_left(self, variances: FloatArray) -> FloatArray:
        """Of each grouping its levels less what shrinkage and the columns leave of them, over which the squares of
        its standardised effects give a new variance (Schall 1991, doi 10.1093/biomet/78.4.719)."""
        kept = self.factor.layout.by_grouping(1.0 - self.factor.inverse[0])
        return np.asarray(kept + variances * self.adjustment_slope(), dtype=float)

    def degrees(self, contrast: FloatArray) -> float:
        """2 v² / var(v) for the variance v of a contrast (Satterthwaite 1946, doi 10.2307/3002019)."""
        if self.of_variances is None:
            return float("inf")
        moved, layout = self.covariance @ contrast, self.factor.layout
        slope = layout.by_grouping(layout.gather_to_levels(self.through @ moved) ** 2)
        variance, uncertainty = float(contrast @ moved), float(slope @ self.of_variances @ slope)
        if uncertainty <= 0.0 or variance <= 0.0:
            return float("inf")
        return max(2.0 * variance**2 / uncertainty, FEWEST_DEGREES)


def precision_of(
    factor: Factor,
    matrix: FloatArray,
    response: FloatArray | None = None,
    *,
    through: FloatArray | None = None,
    prior: FloatArray | None = None,
) -> Precision:
    """Of these columns A, shape (rows, columns); through: V⁻¹ A where it is known; prior: precision of each
    column's coefficient before any row."""
    through = inverse_times(factor, matrix) if through is None else through
    information = matrix.T @ through + np.diag(np.zeros(matrix.shape[1]) if prior is None else prior)
    covariance = np.asarray(np.linalg.inv(0.5 * (information + information.T)), dtype=float)
    return Precision(covariance, matrix, through, factor, np.empty(0) if response is None else response)
