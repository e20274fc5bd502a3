"""Columns of a design by the factor they belong to, and what of them the rows can tell apart."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from broodyear.statistics.numbers import FloatArray, IntArray
from broodyear.survival.design.matrix import ALIAS_TOLERANCE
from broodyear.survival.practices.coding import Factor

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
    kept, null = _aliases(matrix)
    return Columns(matrix, places, kept, null)


def _aliases(matrix: FloatArray) -> tuple[IntArray, FloatArray]:
    """Columns that earlier ones do not make up, and the directions along which the others can be exchanged."""
    lengths = np.maximum(np.linalg.norm(matrix, axis=0), 1e-300)
    scaled = matrix / lengths
    factor = np.asarray(np.linalg.qr(scaled, mode="r"), dtype=float)
    if len(factor) == matrix.shape[1] and np.abs(np.diag(factor)).min() > np.sqrt(ALIAS_TOLERANCE):
        return np.arange(matrix.shape[1], dtype=np.int64), np.zeros((matrix.shape[1], 0))
    kept: list[int] = []
    for place in range(matrix.shape[1]):
        column = factor[:, place]
        left = (
            column - factor[:, kept] @ np.linalg.lstsq(factor[:, kept], column, rcond=None)[0] if kept else column
        )
        if np.linalg.norm(left) > np.sqrt(ALIAS_TOLERANCE):
            kept.append(place)
    aliased = [place for place in range(matrix.shape[1]) if place not in kept]
    null = np.zeros((matrix.shape[1], len(aliased)))
    for spot, place in enumerate(aliased):
        weights = np.linalg.lstsq(factor[:, kept], factor[:, place], rcond=None)[0]
        null[place, spot] = 1.0
        null[kept, spot] = -weights * lengths[place] / lengths[kept]
    null[np.abs(null) < ESTIMABLE] = 0.0
    return np.array(kept, dtype=np.int64), null


def independent(matrix: FloatArray) -> bool:
    """Whether no column is made up of others."""
    return not _aliases(matrix)[1].size
