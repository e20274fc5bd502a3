"""A fitted mixed model as the weighted least squares it ends in, for models that differ from it by some columns.

At the modes, the binomial mixed model is a linear one in the working response, with V = W⁻¹ + Σ sd² Z Z' (Breslow
& Clayton 1993, doi 10.1080/01621459.1993.10594284). One step of it from the fit answers, without fitting anew,
what a few columns more would change: comparisons within batches, combinations of practices, a curve instead of a
line.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from broodyear.statistics.numbers import FloatArray
from broodyear.survival.mixed.restricted import Precision, precision_of
from broodyear.survival.mixed.system import Factor, factorise, inverse_times, lay_out
from broodyear.survival.practices.columns import independent
from broodyear.survival.result import SurvivalFit


@dataclass(frozen=True, eq=False)
class Estimates:
    """Of the columns given: coefficients, and their precision with its degrees of freedom."""

    coefficients: FloatArray
    precision: Precision

    @property
    def covariance(self) -> FloatArray:
        return self.precision.covariance

    def degrees(self, contrast: FloatArray) -> float:
        """Satterthwaite's degrees of freedom of a contrast; infinite without spreads."""
        return self.precision.degrees(contrast)


@dataclass(frozen=True, eq=False)
class Working:
    """The working model of a mixed fit; response: one a row; factor: of the groupings with a spread."""

    fit: SurvivalFit
    response: FloatArray
    factor: Factor

    @cached_property
    def through(self) -> FloatArray:
        """V⁻¹ X for the columns of the fit, shape (rows, columns)."""
        return inverse_times(self.factor, self.fit.design.matrix)

    @cached_property
    def plain(self) -> Estimates:
        """Generalised least squares of the working response on the columns of the fit."""
        return self.estimates(self.fit.design.matrix, self.through)

    def with_columns(self, further: FloatArray) -> Estimates | None:
        """The same with further columns behind those of the fit; None where these are made up of others."""
        matrix = np.hstack([self.fit.design.matrix, further])
        if not independent(matrix):
            return None
        return self.estimates(matrix, np.hstack([self.through, inverse_times(self.factor, further)]))

    def estimates(self, matrix: FloatArray, through: FloatArray) -> Estimates:
        """The same on any columns A, with V⁻¹ A."""
        precision, own = precision_of(self.factor, matrix, through), self.fit.precision
        if own is not None:
            precision = replace(precision, log_sd_covariance=own.log_sd_covariance)
        return Estimates(precision.covariance @ (through.T @ self.response), precision)


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
