"""What the tanks that fell silent could change: each contrast had they lost every fish, or fared as the others.

A tank that stopped reporting is neither a survivor nor a loss. Had silent tanks fared as the others with their
practice, the contrast stands as estimated. Had they lost every fish, a level keeps the share of its survival that
its reporting tanks are of all; that share is compared between levels with the other practices allowed for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from broodyear.statistics.numbers import FloatArray
from broodyear.survival.averaging import Average
from broodyear.survival.practices.coding import Factor
from broodyear.survival.practices.columns import build_columns
from broodyear.survival.practices.contrasts import Contrast


@dataclass(frozen=True)
class Silence:
    """silent: tanks with the level that fell silent; lost_points: the contrast had all silent tanks lost every
    fish; alike_points: had they fared as the others with their practice."""

    silent: int
    lost_points: float
    alike_points: float

    def undoes(self, contrast: Contrast) -> bool:
        """Whether the contrast would turn, had every silent tank lost all its fish."""
        return self.lost_points * contrast.points <= 0.0

    def blurs(self, contrast: Contrast) -> bool:
        """Whether the contrast would no longer be clear of zero then."""
        side = np.sign(contrast.points)
        return bool(side * self.lost_points - contrast.reach * contrast.points_error <= 0.0)


@dataclass(frozen=True, eq=False)
class SilentTanks:
    """The share of silent tanks by factor and level, other practices allowed for.

    shares: factor -> level -> share; counts: the same, tanks.
    """

    shares: dict[str, dict[str, float]]
    counts: dict[str, dict[str, int]]

    def beside(self, contrast: Contrast, shares: Mapping[str, Average]) -> Silence:
        """The bounds of a contrast of levels."""
        silent = self.counts.get(contrast.factor, {}).get(contrast.level, 0)
        if not self.shares or contrast.level not in self.shares.get(contrast.factor, {}):
            return Silence(silent, contrast.points, contrast.points)
        own = self.shares[contrast.factor]
        kept = [(1.0 - own[level]) * shares[level].share for level in (contrast.level, contrast.reference)]
        return Silence(silent, 100.0 * (kept[0] - kept[1]), contrast.points)


def silent_tanks(rows: pd.DataFrame, factors: Sequence[Factor]) -> SilentTanks:
    """Shares and counts of silent tanks; rows: tanks with eggs, `is_silent` marked; factors: coded over them."""
    silent = rows["is_silent"].to_numpy(dtype=float)
    counts = {
        factor.name: {level: int(silent[factor.codes == place].sum()) for place, level in enumerate(factor.levels)}
        for factor in factors
    }
    if not silent.any():
        return SilentTanks({}, counts)
    columns = build_columns(len(rows), factors, {})
    matrix = columns.matrix[:, columns.kept]
    weights = np.zeros(columns.matrix.shape[1])
    weights[columns.kept] = np.linalg.lstsq(matrix, silent, rcond=None)[0]
    fitted = columns.matrix @ weights
    shares = {}
    for factor in factors:
        place = columns.places[factor.name]
        rest = float(np.mean(fitted - columns.matrix[:, place] @ weights[place]))
        shares[factor.name] = dict(
            zip(factor.levels, _clipped(rest + factor.dummies @ weights[place]), strict=True)
        )
    return SilentTanks(shares, counts)


def _clipped(values: FloatArray) -> list[float]:
    return [float(value) for value in np.clip(values, 0.0, 1.0)]
