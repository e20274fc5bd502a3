"""The penalised least-squares system of crossed random intercepts, solved by eliminating diagonal blocks.

With b_k = sd_k · u_k and u standard normal, the penalised Hessian over u is H = Λ Z' W Z Λ + I. Every row
belongs to one level of each grouping, so the block of a grouping against itself is diagonal. Two such
blocks are eliminated by Schur complements: a grouping with one level per row (it only rescales the row's
weight), and the grouping with most levels. What is left has as many rows as the other groupings have
levels, so cost grows with those and only linearly with rows (Bates et al. 2015, doi 10.18637/jss.v067.i01,
set out the penalised system; the elimination is the usual one for bordered block-diagonal matrices).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_solve, cholesky

from broodyear.survival.arrays import FloatArray, IntArray, level_sums
from broodyear.survival.design import Grouping
from broodyear.survival.mixed_border import Border, Pattern, Pulled, border_of, find_pattern


@dataclass(frozen=True, eq=False)
class Layout:
    """Which grouping is eliminated when, with the row-to-level codes needed for it.

    sizes: levels per grouping. single: place of the grouping with one level per row, or None.
    largest: place of the other grouping with most levels. rest: the remaining places.
    offsets: where each remaining grouping starts among the columns of the Schur complement.
    pattern: which levels of the largest grouping meet which of the remaining ones.
    """

    rows: int
    codes: tuple[IntArray, ...]
    sizes: tuple[int, ...]
    single: int | None
    largest: int
    rest: tuple[int, ...]
    offsets: tuple[int, ...]
    pattern: Pattern

    @property
    def rest_size(self) -> int:
        """Rows and columns of the Schur complement."""
        return sum(self.sizes[place] for place in self.rest)


def lay_out(groupings: Sequence[Grouping]) -> Layout:
    """Choose the order of elimination for these groupings."""
    rows = len(groupings[0].codes)
    sizes = tuple(len(grouping.levels) for grouping in groupings)
    singles = [place for place, size in enumerate(sizes) if size == rows]
    single = singles[0] if singles and len(sizes) > 1 else None
    others = [place for place in range(len(sizes)) if place != single]
    largest = max(others, key=lambda place: sizes[place])
    rest = tuple(place for place in others if place != largest)
    starts = np.concatenate([[0], np.cumsum([sizes[place] for place in rest])]).astype(np.int64)
    columns = [start + groupings[place].codes for place, start in zip(rest, starts, strict=False)]
    return Layout(
        rows=rows,
        codes=tuple(grouping.codes for grouping in groupings),
        sizes=sizes,
        single=single,
        largest=largest,
        rest=rest,
        offsets=tuple(int(start) for start in starts[: len(rest)]),
        pattern=find_pattern(groupings[largest].codes, sizes[largest], columns, int(starts[-1])),
    )


@dataclass(frozen=True, eq=False)
class Factor:
    """The factorised Hessian at one set of weights.

    weight: w, shape (rows,). single_diagonal: 1 + sd² w when there is a one-level-per-row grouping, else 1.
    reduced_weight: w over that diagonal. diagonal: block of the largest grouping, shape (levels,).
    border: its block against the rest, levels × rest. lower: Cholesky factor of the Schur complement.
    """

    layout: Layout
    sds: FloatArray
    weight: FloatArray
    single_diagonal: FloatArray
    reduced_weight: FloatArray
    diagonal: FloatArray
    border: Border
    lower: FloatArray

    @property
    def log_determinant(self) -> float:
        """log |H|."""
        value = float(np.sum(np.log(self.diagonal)) + 2.0 * np.sum(np.log(np.diag(self.lower))))
        if self.layout.single is not None:
            value += float(np.sum(np.log(self.single_diagonal)))
        return value


def factorise(layout: Layout, sds: FloatArray, weight: FloatArray) -> Factor:
    """Factorise H at these standard deviations (one per grouping) and binomial weights (one per row)."""
    single_diagonal = np.ones(layout.rows)
    if layout.single is not None:
        single_diagonal = 1.0 + sds[layout.single] ** 2 * weight
    reduced = weight / single_diagonal
    main = layout.codes[layout.largest]
    levels = layout.sizes[layout.largest]
    diagonal = 1.0 + sds[layout.largest] ** 2 * np.bincount(main, reduced, levels)
    weights = [sds[layout.largest] * sds[place] * reduced for place in layout.rest]
    border = border_of(layout.pattern, weights, diagonal)
    schur = np.eye(layout.rest_size) + rest_sums(layout, PairedWeights(sds, reduced)) - border.schur_share()
    lower = cholesky(schur, lower=True, check_finite=False) if len(schur) else schur
    return Factor(layout, sds, weight, single_diagonal, reduced, diagonal, border, lower)


@dataclass(frozen=True, eq=False)
class PairedWeights:
    """Row weights times the spreads of two groupings; or, with a direction, the derivative of that along it.

    reduced: row weights. log_sd_slope, reduced_slope: how the direction moves the log sds and the row weights.
    """

    sds: FloatArray
    reduced: FloatArray
    log_sd_slope: FloatArray | None = None
    reduced_slope: FloatArray | None = None

    def of(self, place: int, other: int) -> FloatArray:
        """For two groupings, shape (rows,)."""
        scale = self.sds[place] * self.sds[other]
        if self.log_sd_slope is None or self.reduced_slope is None:
            return np.asarray(scale * self.reduced, dtype=float)
        drift = self.log_sd_slope[place] + self.log_sd_slope[other]
        slope = self.reduced_slope + drift * self.reduced if drift else self.reduced_slope
        return np.asarray(scale * slope, dtype=float)


def rest_sums(layout: Layout, weights: PairedWeights) -> FloatArray:
    """Λ Z' W Z Λ of the remaining groupings, shape (rest, rest)."""
    block = np.zeros((layout.rest_size, layout.rest_size))
    for place, start in zip(layout.rest, layout.offsets, strict=True):
        own = slice(start, start + layout.sizes[place])
        total = np.bincount(layout.codes[place], weights.of(place, place), layout.sizes[place])
        block[own, own][np.diag_indices(layout.sizes[place])] = total
        for other, begin in zip(layout.rest, layout.offsets, strict=True):
            if begin <= start:
                continue
            flat = layout.codes[place] * layout.sizes[other] + layout.codes[other]
            counts = np.bincount(flat, weights.of(place, other), layout.sizes[place] * layout.sizes[other])
            cross = counts.reshape(layout.sizes[place], layout.sizes[other])
            span = slice(begin, begin + layout.sizes[other])
            block[own, span] = cross
            block[span, own] = cross.T
    return block


def spread_to_rows(layout: Layout, sds: FloatArray, effects: Sequence[FloatArray]) -> FloatArray:
    """Z Λ u: each row's sum of its levels' effects on the logit scale."""
    total = np.zeros(layout.rows)
    for place, effect in enumerate(effects):
        total += sds[place] * effect[layout.codes[place]]
    return total


def gather_to_levels(layout: Layout, sds: FloatArray, values: FloatArray) -> list[FloatArray]:
    """Λ Z' v: sums of a row quantity within the levels of each grouping, times its standard deviation."""
    return [
        sds[place] * np.bincount(layout.codes[place], values, layout.sizes[place])
        for place in range(len(layout.sizes))
    ]


def solve(factor: Factor, right: Sequence[FloatArray]) -> list[FloatArray]:
    """H⁻¹ r, for r given and returned as one array per grouping."""
    layout, sds = factor.layout, factor.sds
    reduced = [np.array(part, dtype=float) for part in right]
    if layout.single is not None:
        taken = single_share(factor) * right[layout.single][layout.codes[layout.single]]
        for place in (layout.largest, *layout.rest):
            reduced[place] -= sds[place] * np.bincount(layout.codes[place], taken, layout.sizes[place])
    main = reduced[layout.largest] / factor.diagonal
    if layout.rest:
        rest = np.concatenate([reduced[place] for place in layout.rest]) - factor.border.down(main)
        rest = cho_solve((factor.lower, True), rest, check_finite=False)
        main = main - factor.border.up(rest) / factor.diagonal
        for place, start in zip(layout.rest, layout.offsets, strict=True):
            reduced[place] = rest[start : start + layout.sizes[place]]
    reduced[layout.largest] = main
    if layout.single is not None:
        reduced[layout.single] = _solve_single(factor, right[layout.single], reduced)
    return reduced


def solve_columns(factor: Factor, values: FloatArray) -> list[FloatArray]:
    """H⁻¹ Λ Z' v for many row quantities at once, shape (rows, columns); one array per grouping."""
    layout, sds = factor.layout, factor.sds
    reduced = values
    if layout.single is not None:
        reduced = values / factor.single_diagonal[:, None]
    parts = {
        place: sds[place] * level_sums(layout.codes[place], reduced, layout.sizes[place])
        for place in (layout.largest, *layout.rest)
    }
    main = parts[layout.largest] / factor.diagonal[:, None]
    if layout.rest:
        border = factor.border.matrix
        rest = np.concatenate([parts[place] for place in layout.rest]) - border.T @ main
        rest = cho_solve((factor.lower, True), rest, check_finite=False)
        main = main - (border @ rest) / factor.diagonal[:, None]
        for place, start in zip(layout.rest, layout.offsets, strict=True):
            parts[place] = rest[start : start + layout.sizes[place]]
    parts[layout.largest] = main
    if layout.single is not None:
        parts[layout.single] = _single_columns(factor, values, parts)
    return [parts[place] for place in range(len(layout.sizes))]


def _single_columns(factor: Factor, values: FloatArray, solved: dict[int, FloatArray]) -> FloatArray:
    """The part of the grouping with one level per row, from those of the others."""
    layout, single = factor.layout, factor.layout.single
    assert single is not None
    pull = np.zeros_like(values)
    for place, part in solved.items():
        pull += factor.sds[place] * part[layout.codes[place]]
    by_row = factor.sds[single] * values / factor.single_diagonal[:, None] - single_share(factor)[:, None] * pull
    by_level = np.empty(by_row.shape)
    by_level[layout.codes[single]] = by_row
    return by_level


def single_share(factor: Factor) -> FloatArray:
    """Row entries of H_single⁻¹ H_(single, others): sd · w / (1 + sd² w)."""
    single = factor.layout.single
    assert single is not None
    return np.asarray(factor.sds[single] * factor.reduced_weight, dtype=float)


def _solve_single(factor: Factor, right: FloatArray, solved: list[FloatArray]) -> FloatArray:
    layout, single = factor.layout, factor.layout.single
    assert single is not None
    others = [part if place != single else np.zeros_like(part) for place, part in enumerate(solved)]
    pull = single_share(factor) * spread_to_rows(layout, factor.sds, others)
    by_level = np.empty(layout.rows)
    by_level[layout.codes[single]] = right[layout.codes[single]] / factor.single_diagonal - pull
    return by_level


@dataclass(frozen=True, eq=False)
class Inverse:
    """What is needed of H⁻¹: its diagonal per grouping, and z' H⁻¹ z per row (z the row of Z Λ).

    schur: inverse of the Schur complement. pulled: its products with the border. reduced_leverages: as leverages,
    before the grouping with one level per row was put back.
    """

    diagonals: list[FloatArray]
    leverages: FloatArray
    schur: FloatArray
    pulled: Pulled
    reduced_leverages: FloatArray


def invert(factor: Factor) -> Inverse:
    """Diagonal of H⁻¹ and the rows' leverages, without forming H⁻¹."""
    layout, sds = factor.layout, factor.sds
    main = layout.codes[layout.largest]
    schur_inverse = _schur_inverse(factor)
    pulled = factor.border.pulled(schur_inverse)
    diagonals = [np.empty(0)] * len(layout.sizes)
    diagonals[layout.largest] = 1.0 / factor.diagonal + pulled.quadratic
    leverages = sds[layout.largest] ** 2 * diagonals[layout.largest][main]
    for place, start, own in zip(layout.rest, layout.offsets, pulled.rows, strict=True):
        columns = start + layout.codes[place]
        diagonals[place] = np.diag(schur_inverse)[start : start + layout.sizes[place]].copy()
        leverages -= 2.0 * sds[layout.largest] * sds[place] * own
        for other, begin in zip(layout.rest, layout.offsets, strict=True):
            leverages += sds[place] * sds[other] * schur_inverse[columns, begin + layout.codes[other]]
    if layout.single is None:
        return Inverse(diagonals, leverages, schur_inverse, pulled, leverages)
    total = _with_single(factor, diagonals, leverages)
    return Inverse(diagonals, total, schur_inverse, pulled, leverages)


def _schur_inverse(factor: Factor) -> FloatArray:
    if not factor.layout.rest:
        return np.zeros((0, 0))
    identity = np.eye(factor.layout.rest_size)
    return np.asarray(cho_solve((factor.lower, True), identity, check_finite=False), dtype=float)


def _with_single(factor: Factor, diagonals: list[FloatArray], leverages: FloatArray) -> FloatArray:
    """Add the eliminated one-level-per-row grouping back: fills its diagonal, returns the whole leverages."""
    single = factor.layout.single
    assert single is not None
    by_row = 1.0 / factor.single_diagonal + single_share(factor) ** 2 * leverages
    diagonals[single] = np.empty(factor.layout.rows)
    diagonals[single][factor.layout.codes[single]] = by_row
    total = factor.sds[single] ** 2 / factor.single_diagonal + leverages / factor.single_diagonal**2
    return np.asarray(total, dtype=float)
