"""The result of a survival regression, the same shape for every method."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from broodyear.errors import Refused, UsageError
from broodyear.survival import averaging
from broodyear.survival.arrays import FloatArray, expit
from broodyear.survival.design import Design
from broodyear.survival.mixed_restricted import Satterthwaite
from broodyear.survival.showing import summary_html, summary_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True, eq=False)
class SurvivalFit:
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
    satterthwaite: Satterthwaite | None = field(default=None, repr=False)

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

    @property
    def coefficients(self) -> FloatArray:
        """Estimates as an array, shape (terms,), in the order of `effects`."""
        return self.effects["estimate"].to_numpy(dtype=float)

    @property
    def total_group_sd(self) -> float:
        """Standard deviation of the sum of all random intercepts, logit scale; 0 without groups."""
        return float(np.sqrt(np.sum(self.group_sd.to_numpy(dtype=float) ** 2)))

    def degrees_of_freedom_of(self, contrast: FloatArray) -> float:
        """Degrees of freedom for a contrast of the coefficients, shape (terms,); its own in small-sample fits."""
        if self.satterthwaite is None:
            return self.degrees_of_freedom
        return self.satterthwaite.degrees(contrast)

    def group_effects(self, group: str) -> pd.DataFrame:
        """Shrunken effect of each level of a group: columns level, effect, std_error (logit scale).

        Effects are conditional modes: the most probable random intercepts given the estimated coefficients
        and spreads. Standard errors are conditional on those estimates too, from the inverse penalised
        Hessian at the modes (the convention of R's `ranef(condVar = TRUE)`); they leave out the uncertainty
        of the coefficients and spreads.
        """
        if self.method != "mixed":
            raise UsageError(f"group_effects needs method='mixed'; this fit used method={self.method!r}.")
        self.design.grouping(group)
        return self.modes[group].copy()

    def group_sd_intervals(self, coverage: float = 0.95) -> pd.DataFrame:
        """Profile-likelihood intervals of the groups' spreads: index group; columns sd, low, high.

        Each limit is where the likelihood, the other parameters at their best, has fallen by half the
        critical value of chi-squared on one degree of freedom.
        """
        from broodyear.survival.mixed_profile import profile_spreads

        if self.method != "mixed":
            raise UsageError(f"Spreads need method='mixed'; this fit used method={self.method!r}.")
        return profile_spreads(self, coverage)

    def contrast(self, factor: str, reference: Any = None) -> pd.DataFrame:
        """Each level of a factor against a reference: odds ratios and population-averaged differences.

        Columns level, reference, odds_ratio, or_low, or_high, difference_points, difference_low,
        difference_high, p_value. Differences are percentage points (0–100): survival predicted for every
        row used with the factor set to the level, averaged over rows with equal weight and over the random
        intercepts (normal, total variance of all groups), less the same at the reference. Intervals by the
        delta method over coefficients and spreads. The p value tests the log-odds difference (averaged over
        rows when the factor takes part in an interaction). reference: default the factor's first level.
        """
        return averaging.contrast_table(self, factor, reference, self.total_group_sd)

    def typical_contrast(self, factor: str, reference: Any = None) -> pd.DataFrame:
        """As `contrast`, but at a typical site and batch: every random intercept at zero.

        The odds ratios are the same; the differences are those of a site in the middle of the spread, and
        are larger than the population-averaged ones whenever sites differ.
        """
        return averaging.contrast_table(self, factor, reference, 0.0)

    def adjusted(self, factor: str) -> pd.DataFrame:
        """Population-averaged survival at each level: level, rows, adjusted_pct, adjusted_low, adjusted_high."""
        return averaging.adjusted_table(self, factor)

    def step(self, name: str, by: float = 1.0) -> pd.DataFrame:
        """Effect of raising a measured covariate by `by` in every row; one row, columns as `contrast`."""
        return averaging.step_table(self, name, by, self.total_group_sd)

    def typical_step(self, name: str, by: float = 1.0) -> pd.DataFrame:
        """As `step`, but at a typical site and batch: every random intercept at zero."""
        return averaging.step_table(self, name, by, 0.0)

    def curve(self, name: str, points: int = 41) -> pd.DataFrame:
        """Population-averaged survival along a measured covariate, from its lowest to its highest value.

        Columns: the covariate's name, adjusted_pct, adjusted_low, adjusted_high.
        """
        return averaging.curve_table(self, name, points)

    def predict(self, frame: Any, *, averaged: bool = True) -> FloatArray:
        """Survival (0–1) of new rows from the fixed effects, averaged over the random intercepts or not.

        averaged=True: mean over sites and batches; averaged=False: a typical site and batch.
        Raises Refused when a covariate is missing or has a level the fit has not seen.
        """
        log_odds = self.log_odds(frame)
        if not averaged or self.total_group_sd == 0.0:
            return expit(log_odds)
        return averaging.average_over_groups(log_odds, self.total_group_sd).share

    def log_odds(self, frame: Any) -> FloatArray:
        """Fixed part of the log-odds of new rows, shape (rows,)."""
        return averaging.new_matrix(self.design, frame) @ self.coefficients

    def summary(self) -> str:
        """The fit as text: rows, effects on the log-odds, spreads, notes."""
        return summary_text(self)

    def _repr_html_(self) -> str:
        return summary_html(self)

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the effects with their 95 % intervals on ``ax``, or on new matplotlib axes; returns the axes."""
        from broodyear.figures.fits import effects_axes

        return effects_axes(self.effects, ax)

    def require_likelihood(self) -> float:
        """The log-likelihood, for tests that need one; raises Refused for methods without."""
        if self.method not in ("mixed", "beta_binomial"):
            raise Refused(f"method={self.method!r} has no likelihood of its own to compare: use 'mixed'.")
        return self.log_likelihood
