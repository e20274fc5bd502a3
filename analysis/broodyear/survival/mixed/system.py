"""The penalised least-squares system of crossed random intercepts, solved by eliminating diagonal blocks.

With b_k = sd_k · u_k and u standard normal, the penalised Hessian over u is H = Λ Z' W Z Λ + I. Every row belongs
to one level of each grouping, so the block of a grouping against itself is diagonal. Two such blocks are
eliminated by Schur complements: a grouping with one level per row (it only rescales the row's weight), and the
grouping with most levels. What is left has as many rows as the other groupings have levels, so cost grows with
those and only linearly with rows (Bates et al. 2015, doi 10.18637/jss.v067.i01, set out the penalised system; the
elimination is the usual one for bordered block-diagonal matrices).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_solve, cholesky

from broodyear.statistics.numbers import FloatArray, IntArray, level_sums
from broodyear.survival.design.matrix import Grouping


@dataclass(frozen=True, eq=False)
class Layout:
    """Which grouping is eliminated when, with the row-to-level codes needed for it.

    sizes: levels per grouping. single: place of the grouping with one level per row, or None. largest: place of
    the other grouping with most levels. rest: the remaining places, offsets: where each starts among the `width`
    columns of the Schur complement. border_at: per remaining grouping, each row's place in the flattened block of
    the largest against the rest.
    """

    rows: int
    codes: tuple[IntArray, ...]
    sizes: tuple[int, ...]
    single: int | None
    largest: int
    rest: tuple[int, ...]
    offsets: tuple[int, ...]
    width: int
    border_at: tuple[IntArray, ...]


def lay_out(groupings: Sequence[Grouping]) -> Layout:
    """Choose the order of elimination for these groupings."""
    codes = tuple(grouping.codes for grouping in groupings)
    rows = len(codes[0])
    sizes = tuple(len(grouping.levels) for grouping in groupings)
    singles = [place for place, size in enumerate(sizes) if size == rows]
    single = singles[0] if singles and len(sizes) > 1 else None
    others = [place for place in range(len(sizes)) if place != single]
    largest = max(others, key=lambda place: sizes[place])
    rest = tuple(place for place in others if place != largest)
    ends = np.cumsum([0, *(sizes[place] for place in rest)])
    offsets, width = tuple(map(int, ends[:-1])), int(ends[-1])
    at = tuple(codes[largest] * width + start + codes[place] for place, start in zip(rest, offsets, strict=True))
    return Layout(rows, codes, sizes, single, largest, rest, offsets, width, at)


@dataclass(frozen=True, eq=False)
class Factor:
    """The factorised Hessian at one set of weights.

    weight: w, shape (rows,). single_diagonal: 1 + sd² w when there is a one-level-per-row grouping, else 1.
    reduced_weight: w over that diagonal. diagonal: block of the largest grouping, shape (levels,).
    border: its block against the rest, levels × width. lower: Cholesky factor of the Schur complement.
    """

    layout: Layout
    sds: FloatArray
    weight: FloatArray
    single_diagonal: FloatArray
    reduced_weight: FloatArray
    diagonal: FloatArray
    border: FloatArray
    lower: FloatArray

    @property
    def log_determinant(self) -> float:
        """log |H|."""
        value = float(np.sum(np.log(self.diagonal)) + 2.0 * np.sum(np.log(np.diag(self.lower))))
        return value + float(np.sum(np.log(self.single_diagonal)))


def factorise(layout: Layout, sds: FloatArray, weight: FloatArray) -> Factor:
    """Factorise H at these standard deviations (one per grouping) and binomial weights (one per row)."""
    single_diagonal = np.ones(layout.rows)
    if layout.single is not None:
        single_diagonal = 1.0 + sds[layout.single] ** 2 * weight
    reduced = weight / single_diagonal
    main, levels = layout.largest, layout.sizes[layout.largest]
    diagonal = 1.0 + sds[main] ** 2 * np.bincount(layout.codes[main], reduced, levels)
    border = np.zeros((levels, 0))
    if layout.rest:
        parts = [sds[main] * sds[place] * reduced for place in layout.rest]
        size = levels * layout.width
        sums = np.bincount(np.concatenate(layout.border_at), np.concatenate(parts), size)
        border = np.asarray(sums.reshape(levels, layout.width), dtype=float)
    schur = np.eye(layout.width) + _rest_block(layout, sds, reduced) - border.T @ (border / diagonal[:, None])
    lower = cholesky(schur, lower=True, check_finite=False) if len(schur) else schur
    return Factor(layout, sds, weight, single_diagonal, reduced, diagonal, border, lower)


def _rest_block(layout: Layout, sds: FloatArray, reduced: FloatArray) -> FloatArray:
    """Λ Z' W Z Λ of the remaining groupings, shape (width, width)."""
    block = np.zeros((layout.width, layout.width))
    for place, start in zip(layout.rest, layout.offsets, strict=True):
        for other, begin in zip(layout.rest, layout.offsets, strict=True):
            shape = layout.sizes[place], layout.sizes[other]
            flat = layout.codes[place] * shape[1] + layout.codes[other]
            counts = np.bincount(flat, sds[place] * sds[other] * reduced, shape[0] * shape[1])
            block[start : start + shape[0], begin : begin + shape[1]] = counts.reshape(shape)
    return block


def spread_to_rows(layout: Layout, sds: FloatArray, effects: Sequence[FloatArray]) -> FloatArray:
    """Z Λ u: each row's sum of its levels' effects on the logit scale; effects may have several columns."""
    parts = zip(sds, effects, layout.codes, strict=True)
    return np.asarray(sum(sd * effect[codes] for sd, effect, codes in parts), dtype=float)


def gather_to_levels(layout: Layout, sds: FloatArray, values: FloatArray) -> list[FloatArray]:
    """Λ Z' v: sums of a row quantity within the levels of each grouping, times its standard deviation."""
    return [
        sd * _level_sums(codes, values, size)
        for sd, codes, size in zip(sds, layout.codes, layout.sizes, strict=True)
    ]


def _level_sums(codes: IntArray, values: FloatArray, size: int) -> FloatArray:
    if values.ndim == 1:
        return np.asarray(np.bincount(codes, values, size), dtype=float)
    return level_sums(codes, values, size)


def _beside(values: FloatArray, like: FloatArray) -> FloatArray:
    """A vector shaped to scale the rows of an array with the dimensions of `like`."""
    return values if like.ndim == 1 else values[:, None]


def solve(factor: Factor, right: Sequence[FloatArray]) -> list[FloatArray]:
    """H⁻¹ r, for r given and returned as one array per grouping, each (levels,) or (levels, columns)."""
    layout, sds, border = factor.layout, factor.sds, factor.border
    found = list(right)
    own = None
    if layout.single is not None:
        own = right[layout.single][layout.codes[layout.single]]
        taken = _beside(single_share(factor), own) * own
        for place in (layout.largest, *layout.rest):
            gathered = _level_sums(layout.codes[place], taken, layout.sizes[place])
            found[place] = right[place] - sds[place] * gathered
    diagonal = _beside(factor.diagonal, found[layout.largest])
    main = found[layout.largest] / diagonal
    if layout.rest:
        rest = np.concatenate([found[place] for place in layout.rest]) - border.T @ main
        rest = cho_solve((factor.lower, True), rest, check_finite=False)
        main = main - (border @ rest) / diagonal
        for place, start in zip(layout.rest, layout.offsets, strict=True):
            found[place] = rest[start : start + layout.sizes[place]]
    found[layout.largest] = main
    if layout.single is not None and own is not None:
        found[layout.single] = _solve_single(factor, own, found)
    return found


def single_share(factor: Factor) -> FloatArray:
    """Row entries of H_single⁻¹ H_(single, others): sd · w / (1 + sd² w)."""
    assert factor.layout.single is not None
    return np.asarray(factor.sds[factor.layout.single] * factor.reduced_weight, dtype=float)


def _solve_single(factor: Factor, own: FloatArray, solved: list[FloatArray]) -> FloatArray:
    """The part of the grouping with one level per row, from those of the others; own: its right side by row."""
    layout = factor.layout
    assert layout.single is not None
    others = [part if place != layout.single else np.zeros_like(own) for place, part in enumerate(solved)]
    pull = _beside(single_share(factor), own) * spread_to_rows(layout, factor.sds, others)
    by_level = np.empty_like(own)
    by_level[layout.codes[layout.single]] = own / _beside(factor.single_diagonal, own) - pull
    return by_level


def inverse_times(factor: Factor, matrix: FloatArray) -> FloatArray:
    """V⁻¹ A for columns A, shape (rows, columns), with V = W⁻¹ + Σ sd² Z Z'."""
    weighted = factor.weight[:, None] * matrix
    effects = solve(factor, gather_to_levels(factor.layout, factor.sds, weighted))
    absorbed = spread_to_rows(factor.layout, factor.sds, effects)
    return np.asarray(weighted - factor.weight[:, None] * absorbed, dtype=float)


@dataclass(frozen=True, eq=False)
class Inverse:
    """What is needed of H⁻¹: its diagonal per grouping, and z' H⁻¹ z per row (z the row of Z Λ)."""

    diagonals: list[FloatArray]
    leverages: FloatArray


def invert(factor: Factor) -> Inverse:
    """Diagonal of H⁻¹ and the rows' leverages, without forming H⁻¹."""
    layout, sds = factor.layout, factor.sds
    main = layout.codes[layout.largest]
    schur = cho_solve((factor.lower, True), np.eye(layout.width), check_finite=False) if layout.rest else np.eye(0)
    over = factor.border / factor.diagonal[:, None]
    pulled = over @ schur
    diagonals = [np.empty(0)] * len(layout.sizes)
    diagonals[layout.largest] = 1.0 / factor.diagonal + np.einsum("ij,ij->i", pulled, over)
    leverages = sds[layout.largest] ** 2 * diagonals[layout.largest][main]
    for place, start in zip(layout.rest, layout.offsets, strict=True):
        columns = start + layout.codes[place]
        diagonals[place] = np.diag(schur)[start : start + layout.sizes[place]].copy()
        leverages -= 2.0 * sds[layout.largest] * sds[place] * pulled[main, columns]
        for other, begin in zip(layout.rest, layout.offsets, strict=True):
            leverages += sds[place] * sds[other] * schur[columns, begin + layout.codes[other]]
    if layout.single is None:
        return Inverse(diagonals, leverages)
    by_row = 1.0 / factor.single_diagonal + single_share(factor) ** 2 * leverages
    diagonals[layout.single] = np.empty(layout.rows)
    diagonals[layout.single][layout.codes[layout.single]] = by_row
    whole = sds[layout.single] ** 2 / factor.single_diagonal + leverages / factor.single_diagonal**2
    return Inverse(diagonals, np.asarray(whole, dtype=float))
