"""The block of the largest grouping against the other groupings, in full or by the pairs of levels that occur.

A site sees a handful of the batches there ever were. With many sites the block is then nearly all zeros, and
sums over the entries that are not cost a small part of the full matrix products; the results are the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Protocol

import numpy as np

from broodyear.survival.arrays import FloatArray, IntArray

#: A pair of entries costs about as much as this many multiplications of the full product.
PAIR_COST = 60


@dataclass(frozen=True, eq=False)
class Pattern:
    """Which levels of the largest grouping meet which levels of the others.

    levels, width: of the largest grouping and of all the others together. main: level of the largest grouping,
    per row. columns: per other grouping, the row's column among `width`. is_sparse: whether what follows is
    filled. entry_level, entry_column: the pairs that occur, those of one level in the order of their columns.
    entry_of_row: per other grouping, the entry each row adds to. first, second: two entries of one level,
    second's column the higher; target: their place in the flattened lower triangle, width × width.
    """

    levels: int
    width: int
    main: IntArray
    columns: tuple[IntArray, ...]
    is_sparse: bool
    entry_level: IntArray
    entry_column: IntArray
    entry_of_row: tuple[IntArray, ...]
    first: IntArray
    second: IntArray
    target: IntArray


@dataclass(frozen=True, eq=False)
class Pulled:
    """What is needed of G = D⁻¹ B S (S: inverse of the Schur complement), and of G B' D⁻¹.

    quadratic: the diagonal of G B' D⁻¹, per level. rows: G at each row's own levels, per other grouping.
    entries: G where B is kept: the matrix, or its entries. between: S at the pairs of entries, when sparse.
    """

    quadratic: FloatArray
    rows: list[FloatArray]
    entries: FloatArray
    between: FloatArray


class Border(Protocol):
    """The block B (levels × width) beside the diagonal block D (levels), and the products with them.

    Slopes are derivatives along a direction in which B moves by `moved`, D by `by_diagonal`, S by `by_inverse`.
    """

    def schur_share(self) -> FloatArray:
        """B' D⁻¹ B, at least its lower triangle; shape (width, width)."""

    def down(self, main: FloatArray) -> FloatArray:
        """B' m, shape (width,)."""

    def up(self, rest: FloatArray) -> FloatArray:
        """B r, shape (levels,)."""

    def pulled(self, inverse: FloatArray) -> Pulled:
        """Products with S = inverse, width × width."""

    def schur_share_slope(self, moved: Border, by_diagonal: FloatArray) -> FloatArray:
        """Derivative of B' D⁻¹ B, the whole symmetric matrix."""

    def pulled_slope(
        self, pulled: Pulled, inverse: FloatArray, moved: Border, by_diagonal: FloatArray, by_inverse: FloatArray
    ) -> tuple[FloatArray, list[FloatArray]]:
        """Derivatives of the quadratic and the rows of `pulled`."""

    @property
    def values(self) -> FloatArray:
        """B as it is kept: the matrix, or its entries."""

    @property
    def matrix(self) -> Any:
        """B for products with many columns at once: an array or a sparse one."""


def find_pattern(main: IntArray, levels: int, columns: Sequence[IntArray], width: int) -> Pattern:
    """Find the pairs of levels that occur; sparse only where summing over pairs of them is cheaper."""
    flat = [main * width + column for column in columns]
    entries = np.unique(np.concatenate(flat)) if flat else np.empty(0, dtype=np.int64)
    level, column = np.divmod(entries, max(width, 1))
    number = np.bincount(level, minlength=levels)
    pairs = int(np.sum(number * (number - 1)) // 2)
    is_sparse = PAIR_COST * (pairs + len(entries)) < levels * width**2
    none = np.empty(0, dtype=np.int64)
    if not is_sparse:
        return Pattern(levels, width, main, tuple(columns), False, none, none, (), none, none, none)
    first, second = _pairs(number)
    return Pattern(
        levels, width, main, tuple(columns), True, level, column,
        tuple(np.searchsorted(entries, one) for one in flat),
        first, second, column[second] * width + column[first],
    )  # fmt: skip


def _pairs(number: IntArray) -> tuple[IntArray, IntArray]:
    """Every two entries of one level, the earlier first; number: entries per level, which follow each other."""
    last = np.repeat(np.cumsum(number), number)
    after = last - np.arange(len(last)) - 1  # entries of the same level that follow each entry
    first = np.repeat(np.arange(len(last)), after)
    second = first + 1 + np.arange(len(first)) - np.repeat(np.cumsum(after) - after, after)
    return first, second


def border_of(pattern: Pattern, weights: Sequence[FloatArray], diagonal: FloatArray) -> Border:
    """The block at these row weights (per other grouping: both spreads times the row's weight) beside D."""
    if pattern.is_sparse:
        count = len(pattern.entry_level)
        values = np.zeros(count)
        for entry, weight in zip(pattern.entry_of_row, weights, strict=True):
            values += _sums(entry, weight, count)
        return _Sparse(pattern, values, diagonal)
    size = pattern.levels * pattern.width
    if not size:
        return _Full(pattern, np.zeros((pattern.levels, pattern.width)), diagonal)
    flat = np.concatenate([pattern.main * pattern.width + column for column in pattern.columns])
    values = _sums(flat, np.concatenate(weights), size)
    return _Full(pattern, values.reshape(pattern.levels, pattern.width), diagonal)


def _sums(places: IntArray, values: FloatArray, size: int) -> FloatArray:
    """Sums of the values by place."""
    return np.asarray(np.bincount(places, values, size), dtype=float)


@dataclass(frozen=True, eq=False)
class _Full:
    """B as a matrix."""

    pattern: Pattern
    values: FloatArray
    diagonal: FloatArray

    @property
    def matrix(self) -> Any:
        return self.values

    @cached_property
    def over(self) -> FloatArray:
        return np.asarray(self.values / self.diagonal[:, None], dtype=float)

    def schur_share(self) -> FloatArray:
        return np.asarray(self.values.T @ self.over, dtype=float)

    def down(self, main: FloatArray) -> FloatArray:
        return np.asarray(self.values.T @ main, dtype=float)

    def up(self, rest: FloatArray) -> FloatArray:
        return np.asarray(self.values @ rest, dtype=float)

    def pulled(self, inverse: FloatArray) -> Pulled:
        pulled = self.over @ inverse
        return Pulled(np.einsum("ij,ij->i", pulled, self.over), self._rows(pulled), pulled, np.empty(0))

    def _rows(self, pulled: FloatArray) -> list[FloatArray]:
        return [pulled[self.pattern.main, column] for column in self.pattern.columns]

    def schur_share_slope(self, moved: Border, by_diagonal: FloatArray) -> FloatArray:
        half = self.over.T @ (moved.values - 0.5 * by_diagonal[:, None] * self.over)
        return np.asarray(half + half.T, dtype=float)

    def pulled_slope(
        self, pulled: Pulled, inverse: FloatArray, moved: Border, by_diagonal: FloatArray, by_inverse: FloatArray
    ) -> tuple[FloatArray, list[FloatArray]]:
        by_over = (moved.values - by_diagonal[:, None] * self.over) / self.diagonal[:, None]
        slope = by_over @ inverse + self.over @ by_inverse
        quadratic = np.einsum("ij,ij->i", slope, self.over) + np.einsum("ij,ij->i", pulled.entries, by_over)
        return quadratic, self._rows(slope)


@dataclass(frozen=True, eq=False)
class _Sparse:
    """B as the values of its entries."""

    pattern: Pattern
    values: FloatArray
    diagonal: FloatArray

    @cached_property
    def matrix(self) -> Any:
        from scipy.sparse import csr_array

        pattern = self.pattern
        places = (pattern.entry_level, pattern.entry_column)
        return csr_array((self.values, places), shape=(pattern.levels, pattern.width))

    @cached_property
    def at_entries(self) -> FloatArray:
        return self.diagonal[self.pattern.entry_level]

    @cached_property
    def over(self) -> FloatArray:
        return np.asarray(self.values / self.at_entries, dtype=float)

    @cached_property
    def scaled(self) -> FloatArray:
        return np.asarray(self.values / np.sqrt(self.at_entries), dtype=float)

    @cached_property
    def scaled_pairs(self) -> tuple[FloatArray, FloatArray]:
        return self.scaled[self.pattern.first], self.scaled[self.pattern.second]

    @cached_property
    def over_pairs(self) -> tuple[FloatArray, FloatArray]:
        return self.over[self.pattern.first], self.over[self.pattern.second]

    def schur_share(self) -> FloatArray:
        first, second = self.scaled_pairs
        return self._matrix(first * second, self.scaled**2)

    def _matrix(self, pairs: FloatArray, entries: FloatArray) -> FloatArray:
        """Sums over pairs of entries in the lower triangle, over entries on the diagonal."""
        pattern, width = self.pattern, self.pattern.width
        matrix = _sums(pattern.target, pairs, width * width).reshape(width, width)
        matrix[np.diag_indices(width)] = _sums(pattern.entry_column, entries, width)
        return matrix

    def down(self, main: FloatArray) -> FloatArray:
        pattern = self.pattern
        return _sums(pattern.entry_column, self.values * main[pattern.entry_level], pattern.width)

    def up(self, rest: FloatArray) -> FloatArray:
        pattern = self.pattern
        return _sums(pattern.entry_level, self.values * rest[pattern.entry_column], pattern.levels)

    def pulled(self, inverse: FloatArray) -> Pulled:
        between = inverse.ravel()[self.pattern.target]
        pulled = self._times(self.over, self.over_pairs, inverse, between)
        quadratic = _sums(self.pattern.entry_level, self.over * pulled, self.pattern.levels)
        return Pulled(quadratic, self._rows(pulled), pulled, between)

    def _times(
        self, over: FloatArray, pairs: tuple[FloatArray, FloatArray], inverse: FloatArray, between: FloatArray
    ) -> FloatArray:
        """Entries of `over` times the inverse, at the same places; pairs: `over` at both entries of each pair."""
        pattern, count = self.pattern, len(over)
        product = over * np.diag(inverse)[pattern.entry_column]
        product += _sums(pattern.first, pairs[1] * between, count)
        product += _sums(pattern.second, pairs[0] * between, count)
        return product

    def _rows(self, pulled: FloatArray) -> list[FloatArray]:
        return [pulled[entry] for entry in self.pattern.entry_of_row]

    def schur_share_slope(self, moved: Border, by_diagonal: FloatArray) -> FloatArray:
        pattern, at = self.pattern, self.at_entries
        slope = moved.values / np.sqrt(at) - 0.5 * self.scaled * by_diagonal[pattern.entry_level] / at
        first, second = self.scaled_pairs
        pairs = slope[pattern.first] * second + first * slope[pattern.second]
        lower = self._matrix(pairs, 2.0 * slope * self.scaled)
        return np.asarray(lower + np.tril(lower, -1).T, dtype=float)

    def pulled_slope(
        self, pulled: Pulled, inverse: FloatArray, moved: Border, by_diagonal: FloatArray, by_inverse: FloatArray
    ) -> tuple[FloatArray, list[FloatArray]]:
        pattern = self.pattern
        by_over = (moved.values - by_diagonal[pattern.entry_level] * self.over) / self.at_entries
        pairs = by_over[pattern.first], by_over[pattern.second]
        slope = self._times(by_over, pairs, inverse, pulled.between)
        slope += self._times(self.over, self.over_pairs, by_inverse, by_inverse.ravel()[pattern.target])
        whole = slope * self.over + pulled.entries * by_over
        return _sums(pattern.entry_level, whole, pattern.levels), self._rows(slope)
