"""A fitted mixed model as the weighted least squares it ends in, for models that differ from it by some columns.

At the modes, the binomial mixed model is a linear one in the working response, with V = W⁻¹ + Σ sd² Z Z' (Breslow
& Clayton 1993, doi 10.1080/01621459.1993.10594284). One step of it from the fit answers, without fitting anew,
what a few columns more would change: comparisons within batches, combinations of practices, a curve instead of a
line.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodyear.statistics.numbers import FloatArray
from broodyear.survival.mixed.restricted import Satterthwaite, precision_of
from broodyear.survival.mixed.system import Factor, factorise, inverse_times, lay_out
from broodyear.survival.result import SurvivalFit


@dataclass(frozen=True, eq=False)
class Estimates:
    """coefficients, covariance: of the columns given; small: for degrees of freedom, None without spreads."""

    coefficients: FloatArray
    covariance: FloatArray
    small: Satterthwaite | None

    def degrees(self, contrast: FloatArray) -> float:
        """Satterthwaite's degrees of freedom of a contrast; infinite without spreads."""
        return self.small.degrees(contrast) if self.small else float("inf")


@dataclass(frozen=True, eq=False)
class Working:
    """The working model of a mixed fit; response: one a row; factor: of the groupings with a spread."""

    fit: SurvivalFit
    response: FloatArray
    factor: Factor

    def inverse_times(self, matrix: FloatArray) -> FloatArray:
        """V⁻¹ A for columns A, shape (rows, columns)."""
        return inverse_times(self.factor, matrix)

    def estimates(self, matrix: FloatArray, through: FloatArray | None = None) -> Estimates:
        """Generalised least squares of the working response on these columns; through: V⁻¹ A, where known."""
        through = self.inverse_times(matrix) if through is None else through
        precision, small = precision_of(self.factor, matrix, through), self.fit.satterthwaite
        return Estimates(
            precision.covariance @ (through.T @ self.response),
            precision.covariance,
            Satterthwaite(precision, small.log_sd_covariance) if small else None,
        )


def working_model(fit: SurvivalFit) -> Working:
    """The working model at the end of a mixed fit."""
    rows, share = fit.design.rows, fit.fitted
    weight = np.maximum(rows.trials * share * (1.0 - share), 1e-10)
    log_odds = np.log(share) - np.log1p(-share)
    response = log_odds + (rows.survived - rows.trials * share) / weight
    sds = np.asarray(fit.group_sd, dtype=np.float64)
    kept = np.flatnonzero(sds > 0) if sds.any() else np.arange(len(sds))  # without spreads V is W⁻¹
    layout = lay_out([fit.design.groupings[place] for place in kept])
    return Working(fit, response, factorise(layout, sds[kept], weight))
