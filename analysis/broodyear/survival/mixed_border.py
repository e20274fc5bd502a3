"""The block of the largest grouping against the other groupings, in full or by the pairs of levels that occur.

A site sees a handful of the batches there ever were. With many sites the block is then nearly all zeros, and
sums over the entries that are not cost a small part of the full matrix products; the results are the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

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


class Border(Protocol):
    """The block B (levels × width), and the products with it that the elimination needs."""

    def schur_share(self, diagonal: FloatArray) -> FloatArray:
        """B' D⁻¹ B, at least its lower triangle; shape (width, width)."""

    def down(self, main: FloatArray) -> FloatArray:
        """B' m, shape (width,)."""

    def up(self, rest: FloatArray) -> FloatArray:
        """B r, shape (levels,)."""

    def pulled(self, diagonal: FloatArray, inverse: FloatArray) -> tuple[FloatArray, list[FloatArray]]:
        """The diagonal of D⁻¹ B S B' D⁻¹ (S: inverse, width × width), and D⁻¹ B S at each row's own levels."""


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


def border_of(pattern: Pattern, scales: FloatArray, weight: FloatArray) -> Border:
    """The block at these row weights; scales: product of standard deviations, per other grouping."""
    if pattern.is_sparse:
        count = len(pattern.entry_level)
        values = np.zeros(count)
        for entry, scale in zip(pattern.entry_of_row, scales, strict=True):
            values += _sums(entry, scale * weight, count)
        return _Sparse(pattern, values)
    size = pattern.levels * pattern.width
    if not size:
        return _Full(pattern, np.zeros((pattern.levels, pattern.width)))
    flat = np.concatenate([pattern.main * pattern.width + column for column in pattern.columns])
    values = _sums(flat, (scales[:, None] * weight[None, :]).ravel(), size)
    return _Full(pattern, values.reshape(pattern.levels, pattern.width))


def _sums(places: IntArray, values: FloatArray, size: int) -> FloatArray:
    """Sums of the values by place."""
    return np.asarray(np.bincount(places, values, size), dtype=float)


@dataclass(frozen=True, eq=False)
class _Full:
    """B as a matrix."""

    pattern: Pattern
    values: FloatArray

    def schur_share(self, diagonal: FloatArray) -> FloatArray:
        return np.asarray(self.values.T @ (self.values / diagonal[:, None]), dtype=float)

    def down(self, main: FloatArray) -> FloatArray:
        return np.asarray(self.values.T @ main, dtype=float)

    def up(self, rest: FloatArray) -> FloatArray:
        return np.asarray(self.values @ rest, dtype=float)

    def pulled(self, diagonal: FloatArray, inverse: FloatArray) -> tuple[FloatArray, list[FloatArray]]:
        over = self.values / diagonal[:, None]
        pulled = over @ inverse
        rows = [pulled[self.pattern.main, column] for column in self.pattern.columns]
        return np.einsum("ij,ij->i", pulled, over), rows


@dataclass(frozen=True, eq=False)
class _Sparse:
    """B as the values of its entries."""

    pattern: Pattern
    values: FloatArray

    def schur_share(self, diagonal: FloatArray) -> FloatArray:
        pattern, width = self.pattern, self.pattern.width
        scaled = self.values / np.sqrt(diagonal)[pattern.entry_level]
        share = _sums(pattern.target, scaled[pattern.first] * scaled[pattern.second], width * width)
        share = share.reshape(width, width)
        share[np.diag_indices(width)] = _sums(pattern.entry_column, scaled**2, width)
        return share

    def down(self, main: FloatArray) -> FloatArray:
        pattern = self.pattern
        return _sums(pattern.entry_column, self.values * main[pattern.entry_level], pattern.width)

    def up(self, rest: FloatArray) -> FloatArray:
        pattern = self.pattern
        return _sums(pattern.entry_level, self.values * rest[pattern.entry_column], pattern.levels)

    def pulled(self, diagonal: FloatArray, inverse: FloatArray) -> tuple[FloatArray, list[FloatArray]]:
        pattern, count = self.pattern, len(self.values)
        over = self.values / diagonal[pattern.entry_level]
        between = inverse.ravel()[pattern.target]
        pulled = over * np.diag(inverse)[pattern.entry_column]
        pulled += _sums(pattern.first, over[pattern.second] * between, count)
        pulled += _sums(pattern.second, over[pattern.first] * between, count)
        quadratic = _sums(pattern.entry_level, over * pulled, pattern.levels)
        return quadratic, [pulled[entry] for entry in pattern.entry_of_row]
