"""The result of a survival regression, the same shape for every method."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from broodyear.errors import UsageError
from broodyear.statistics.numbers import FloatArray, expit
from broodyear.survival import averaging
from broodyear.survival.fitted import Fitted
from broodyear.survival.showing import summary_html, summary_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True, eq=False)
class SurvivalFit(Fitted):
    """A fitted model of survival counts (its numbers: see `Fitted`), and what can be asked of it."""

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
