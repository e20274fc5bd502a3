"""Columns of a design by the factor they belong to, and what of them the rows can tell apart."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from broodyear.statistics.numbers import FloatArray, IntArray
from broodyear.survival.design.matrix import aliases
from broodyear.survival.practices.coding import Factor

#: Share of a column's length left after the earlier columns, below which records cannot tell it apart.
TOLD_APART = 3e-5
ESTIMABLE = 1e-6  # a contrast that moves along an aliased direction by more cannot be told


@dataclass(frozen=True, eq=False)
class Columns:
    """Columns of a design by what they belong to, before aliased ones are left out.

    matrix: shape (rows, columns). places: factor -> its columns. kept: columns that no earlier ones make up.
    null: shape (columns, aliased), the directions along which the rows say nothing.
    """

    matrix: FloatArray
    places: Mapping[str, slice]
    kept: IntArray
    null: FloatArray

    def is_estimable(self, direction: FloatArray) -> bool:
        """Whether the rows say anything of a combination of all columns."""
        return not self.null.size or bool(np.abs(direction @ self.null).max() < ESTIMABLE)

    def partners(self, direction: FloatArray, own: str) -> tuple[str, ...]:
        """Factors that a combination cannot be told apart from."""
        hit = np.flatnonzero(np.abs(direction @ self.null) >= ESTIMABLE)
        return tuple(
            name
            for name, place in self.places.items()
            if name != own and any(np.abs(self.null[place, column]).max(initial=0.0) > ESTIMABLE for column in hit)
        )

    def own(self, name: str) -> IntArray:
        """Places of a factor's columns among the kept ones."""
        place = self.places[name]
        return np.flatnonzero((self.kept >= place.start) & (self.kept < place.stop)).astype(np.int64)


def build_columns(rows: int, factors: Sequence[Factor], measured: Mapping[str, FloatArray]) -> Columns:
    """Intercept, measured covariates and factors side by side, and which of the columns make up others."""
    parts, places, start = [np.ones((rows, 1))], {}, 1
    named = [(name, values[:, None]) for name, values in measured.items()]
    for name, part in [*named, *((factor.name, factor.columns) for factor in factors)]:
        places[name] = slice(start, start + part.shape[1])
        parts.append(part)
        start += part.shape[1]
    matrix = np.hstack(parts)
    kept, null = aliases(matrix, TOLD_APART)
    null[np.abs(null) < ESTIMABLE] = 0.0
    return Columns(matrix, places, kept, null)


def independent(matrix: FloatArray) -> bool:
    """Whether no column is made up of others."""
    return not aliases(matrix, TOLD_APART)[1].size
