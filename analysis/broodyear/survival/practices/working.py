"""A fitted mixed model as the weighted least squares it ends in, for models that differ from it by some columns.

At the modes, the binomial mixed model is a linear one in the working response, with V = W⁻¹ + Σ sd² Z Z' (Breslow
& Clayton 1993, doi 10.1080/01621459.1993.10594284). One step of it from the fit answers, without fitting anew,
what a few columns more would change: comparisons within batches, combinations of practices, a curve instead of a
line.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from broodyear.statistics.numbers import FloatArray, level_sums
from broodyear.survival.mixed.laplace import Laplace, Mode, laplace_for
from broodyear.survival.mixed.restricted import Precision, Satterthwaite
from broodyear.survival.mixed.system import inverse_times
from broodyear.survival.result import SurvivalFit


@dataclass(frozen=True, eq=False)
class Estimates:
    """coefficients, covariance: of the columns given; precision: for degrees of freedom, None without spreads."""

    coefficients: FloatArray
    covariance: FloatArray
    small: Satterthwaite | None

    def degrees(self, contrast: FloatArray) -> float:
        """Satterthwaite's degrees of freedom of a contrast; infinite without spreads."""
        return self.small.degrees(contrast) if self.small else float("inf")


@dataclass(frozen=True, eq=False)
class Working:
    """The working model of a mixed fit.

    weight, response: per row; laplace, mode: of the groupings with a spread, None when all spreads are zero.
    """

    fit: SurvivalFit
    weight: FloatArray
    response: FloatArray
    laplace: Laplace | None
    mode: Mode | None

    @cached_property
    def sds(self) -> FloatArray:
        sds = self.fit.group_sd.to_numpy(dtype=float)
        return np.asarray(sds[sds > 0], dtype=float)

    def inverse_times(self, matrix: FloatArray) -> FloatArray:
        """V⁻¹ A for columns A, shape (rows, columns)."""
        if self.laplace is None or self.mode is None:
            return np.asarray(self.weight[:, None] * matrix, dtype=float)
        return inverse_times(self.mode.factor, matrix)

    def estimates(self, matrix: FloatArray) -> Estimates:
        """Generalised least squares of the working response on these columns."""
        through = self.inverse_times(matrix)
        return self.estimates_from(matrix, through)

    def estimates_from(self, matrix: FloatArray, through: FloatArray) -> Estimates:
        """The same from columns whose V⁻¹ A is known."""
        information = matrix.T @ through
        covariance = np.asarray(np.linalg.inv(0.5 * (information + information.T)), dtype=float)
        return Estimates(covariance @ (through.T @ self.response), covariance, self._small(covariance, through))

    def _small(self, covariance: FloatArray, through: FloatArray) -> Satterthwaite | None:
        if self.laplace is None or self.fit.satterthwaite is None:
            return None
        layout = self.laplace.layout
        sums = [level_sums(codes, through, size) for codes, size in zip(layout.codes, layout.sizes, strict=True)]
        return Satterthwaite(
            Precision(covariance, tuple(sums), self.sds), self.fit.satterthwaite.log_sd_covariance
        )


def working_model(fit: SurvivalFit) -> Working:
    """The working model at the end of a mixed fit."""
    rows = fit.design.rows
    share = fit.fitted
    weight = np.maximum(rows.trials * share * (1.0 - share), 1e-10)
    log_odds = np.log(share) - np.log1p(-share)
    response = log_odds + (rows.survived - rows.trials * share) / weight
    sds = np.asarray(fit.group_sd, dtype=float)
    kept = np.flatnonzero(sds > 0)
    if not kept.size:
        return Working(fit, weight, response, None, None)
    laplace = laplace_for(fit.design, [int(place) for place in kept])
    mode = laplace.mode(sds[kept], fit.coefficients)
    return Working(fit, weight, response, laplace, mode)
