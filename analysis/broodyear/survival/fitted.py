"""What every method of survival regression gives: estimates, their errors, and the rows they came from."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd

from broodyear.statistics.numbers import FloatArray
from broodyear.survival.design.matrix import Design
from broodyear.survival.mixed.restricted import Precision


@dataclass(frozen=True, eq=False)
class Fitted:
    """A fitted model of survival counts; everything on the logit scale unless a name says otherwise.

    method: mixed, beta_binomial, quasi_binomial, clustered, exchangeable, or firth.
    effects: one row per term (index `term`): estimate, std_error, ci_low, ci_high (95 %), p_value.
    covariance: of the estimates, terms × terms.
    group_sd: standard deviation between levels of each group (mixed; otherwise empty).
    dispersion: quasi_binomial, clustered, firth: Pearson X² over rows less coefficients; mixed: Pearson X² at
      the conditional modes over rows less effective parameters; beta_binomial: intra-tank correlation;
      exchangeable: correlation between eggs of one cluster.
    log_likelihood: binomial coefficients included. For quasi_binomial and clustered it is that of the plain
      binomial model with the same coefficients; for exchangeable, which has none, nan.
    degrees_of_freedom: of the t distribution behind intervals and p values; infinite where they are normal
      (small-sample fits: each contrast has its own, see degrees_of_freedom_of).
    rows_given, rows_used, left_out: left_out maps each reason to the rows left out for it.
    notes: sentences a reader must know, such as a spread estimated as zero.
    counts: names of the columns of survivors and of eggs.
    """

    method: str
    formula: str
    groups: tuple[str, ...]
    effects: pd.DataFrame
    covariance: pd.DataFrame
    group_sd: pd.Series[float]
    dispersion: float
    log_likelihood: float
    degrees_of_freedom: float
    notes: tuple[str, ...]
    design: Design = field(repr=False)
    joint_covariance: FloatArray = field(repr=False)
    modes: dict[str, pd.DataFrame] = field(repr=False)
    fitted: FloatArray = field(repr=False)
    quadrature_points: int = 1
    counts: tuple[str, str] = ("survived", "trials")
    precision: Precision | None = field(default=None, repr=False)

    @property
    def rows_given(self) -> int:
        """Rows of the frame handed in."""
        return self.design.rows.given

    @property
    def rows_used(self) -> int:
        """Rows the model was fitted to."""
        return self.design.rows.used

    @property
    def left_out(self) -> dict[str, int]:
        """Reason -> number of rows left out for it."""
        return dict(self.design.rows.left_out)

    @cached_property
    def coefficients(self) -> FloatArray:
        """Estimates as an array, shape (terms,), in the order of `effects`."""
        return self.effects["estimate"].to_numpy(dtype=float)

    @cached_property
    def total_group_sd(self) -> float:
        """Standard deviation of the sum of all random intercepts, logit scale; 0 without groups."""
        return float(np.sqrt(np.sum(self.group_sd.to_numpy(dtype=float) ** 2)))

    def degrees_of_freedom_of(self, contrast: FloatArray) -> float:
        """Degrees of freedom for a contrast of the coefficients, shape (terms,); its own in small-sample fits."""
        return self.degrees_of_freedom if self.precision is None else self.precision.degrees(contrast)
