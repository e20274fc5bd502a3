"""The result of a survival regression, the same for every method: its numbers, and what can be asked of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from broodyear.errors import Refused, UsageError
from broodyear.notes import note
from broodyear.statistics.crossed import Precision
from broodyear.statistics.numbers import (
    FloatArray,
    critical_value,
    critical_values,
    delta_errors,
    expit,
    normal_nodes,
    share_limits,
    two_sided_p,
)
from broodyear.survival.design import Design

if TYPE_CHECKING:
    from matplotlib.axes import Axes

NODES = (0.0, 1), (0.85, 15), (1.25, 21), (np.inf, 31)  # largest standard deviation, and the nodes that do for it


@dataclass(frozen=True, eq=False)
class GroupAverage:
    """Survival averaged over normal random intercepts, per row, with its slopes.

    survival: its mean, 0–1. by_log_odds, by_sd: its derivatives over the fixed log-odds and the total sd.
    """

    survival: FloatArray
    by_log_odds: FloatArray
    by_sd: FloatArray


def average_over_groups(log_odds: FloatArray, sd: float | FloatArray) -> GroupAverage:
    """Integrate the logistic curve over a normal intercept of this standard deviation, one for all rows or each.

    Gauss–Hermite, exact to 1e-8 for standard deviations up to 2 logits.
    """
    nodes, weights = normal_nodes(next(points for most, points in NODES if np.max(sd, initial=0.0) <= most))
    probability = expit(log_odds[:, None] + np.asarray(sd)[..., None] * nodes)
    steepness = probability * (1.0 - probability)
    return GroupAverage(probability @ weights, steepness @ weights, steepness @ (weights * nodes))


@dataclass(frozen=True, eq=False)
class Average:
    """Mean survival over rows (0–1), and its gradient over (variances above zero, coefficients); typical: the same
    with every random intercept at zero."""

    survival: float
    gradient: FloatArray
    typical: float = np.nan


@dataclass(frozen=True, eq=False, kw_only=True)
class LogOdds:
    """A difference of log-odds with its standard error and degrees of freedom."""

    log_odds: float = np.nan
    error: float = np.nan
    degrees: float = np.inf

    @property
    def critical(self) -> float:
        """Standard errors to either end of the 95 % interval."""
        return critical_value(self.degrees)

    def odds_ratio(self, side: int = 0) -> float:
        """The odds ratio, or with side −1 or +1 an end of its 95 % interval."""
        with np.errstate(over="ignore"):
            return float(np.exp(self.log_odds + side * self.critical * self.error))


@dataclass(frozen=True, eq=False, kw_only=True)
class Difference(LogOdds):
    """p_value: of the log-odds; points, points_error: population-averaged difference in percentage points."""

    p_value: float = np.nan
    points: float = np.nan
    points_error: float = np.nan

    def points_limit(self, side: int) -> float:
        """The lower (side −1) or upper (+1) end of its 95 % interval."""
        return self.points + side * self.critical * self.points_error

    def shown(self) -> dict[str, float]:
        """The columns in which every comparison is told: odds ratio and points with 95 % limits, p value."""
        return {
            "odds_ratio": self.odds_ratio(),
            "or_low": self.odds_ratio(-1),
            "or_high": self.odds_ratio(1),
            "difference_points": self.points,
            "difference_low": self.points_limit(-1),
            "difference_high": self.points_limit(1),
            "p_value": self.p_value,
        }


CONTRAST_COLUMNS = ["level", "reference", *Difference().shown()]


@dataclass(frozen=True, eq=False)
class SurvivalFit:
    """A fitted model of survival counts; everything on the logit scale unless a name says otherwise.

    coefficients: estimates, shape (terms,). joint_covariance: of (variances of groupings above 0, coefficients).
    fitted: survival of each row used (0–1); of the mixed model at the conditional modes.
    dispersion: quasi_binomial, clustered, firth: Pearson X² over rows less coefficients; mixed: Pearson X² at
      the conditional modes over rows less effective parameters; beta_binomial: intra-tank correlation;
      exchangeable: correlation between eggs of one cluster.
    log_likelihood: binomial coefficients included. For quasi_binomial and clustered it is that of the plain
      binomial model with the same coefficients; for exchangeable, which has none, nan.
    degrees_of_freedom: of the t distribution behind intervals and p values; infinite where they are normal
      (small-sample fits: each contrast has its own, see degrees_of_freedom_of).
    notes: sentences a reader must know, such as a spread estimated as zero.
    method: mixed, beta_binomial, quasi_binomial, clustered, exchangeable, or firth.
    intervals: low, high and p value of every coefficient where they are not Wald's.
    Of the mixed model alone: sds: standard deviation by grouping, 0.0 where the best fit has none. modes: by
      grouping, see group_effects. precision: of the coefficients, small-sample fits only.
    """

    design: Design = field(repr=False)
    coefficients: FloatArray
    joint_covariance: FloatArray = field(repr=False)
    fitted: FloatArray = field(repr=False)
    dispersion: float
    log_likelihood: float
    degrees_of_freedom: float = np.inf
    notes: tuple[str, ...] = ()
    method: str = ""
    intervals: tuple[FloatArray, FloatArray, FloatArray] | None = field(default=None, repr=False)
    sds: Mapping[str, float] = field(default_factory=dict)
    modes: Mapping[str, pd.DataFrame] = field(default_factory=dict, repr=False)
    precision: Precision | None = field(default=None, repr=False)
    quadrature_points: int = 1

    @cached_property
    def effects(self) -> pd.DataFrame:
        """One row per term (index `term`): estimate, std_error, ci_low, ci_high (95 %), p_value (two-sided)."""
        estimates, errors = self.coefficients, np.sqrt(np.diag(self.variance))
        degrees = [self.degrees_of_freedom_of(row) for row in np.eye(len(errors))]
        half_width = critical_values(degrees) * errors
        wald = estimates - half_width, estimates + half_width, two_sided_p(estimates / errors, degrees)
        low, high, p_values = self.intervals or wald
        columns = {"estimate": estimates, "std_error": errors, "ci_low": low, "ci_high": high, "p_value": p_values}
        return pd.DataFrame(columns, index=pd.Index(self.design.terms, name="term"))

    @cached_property
    def covariance(self) -> pd.DataFrame:
        """Of the estimates, terms × terms."""
        return pd.DataFrame(self.variance, index=list(self.design.terms), columns=list(self.design.terms))

    @property
    def variance(self) -> FloatArray:
        """The same as an array."""
        return self.joint_covariance[-len(self.coefficients) :, -len(self.coefficients) :]

    @cached_property
    def group_sd(self) -> pd.Series[float]:
        """Standard deviation between levels of each group (mixed; otherwise empty)."""
        return pd.Series(self.sds, name="sd", dtype=float).rename_axis("group")

    @property
    def formula(self) -> str:
        """What survival was regressed on."""
        return self.design.formula

    @property
    def groups(self) -> tuple[str, ...]:
        """Names of the grouping columns."""
        return tuple(grouping.name for grouping in self.design.groupings)

    @property
    def rows_given(self) -> int:
        """Rows of the frame handed in."""
        return len(self.design.frame) + sum(self.design.left_out.values())

    @property
    def rows_used(self) -> int:
        """Rows the model was fitted to."""
        return len(self.design.frame)

    @property
    def left_out(self) -> dict[str, int]:
        """Reason -> number of rows left out for it."""
        return dict(self.design.left_out)

    @cached_property
    def total_group_sd(self) -> float:
        """Standard deviation of the sum of all random intercepts, logit scale; 0 without groups."""
        return float(np.linalg.norm(list(self.sds.values())))

    def degrees_of_freedom_of(self, contrast: FloatArray) -> float:
        """Degrees of freedom for a contrast of the coefficients, shape (terms,); its own in small-sample fits."""
        return self.degrees_of_freedom if self.precision is None else self.precision.degrees(contrast)

    def group_effects(self, group: str) -> pd.DataFrame:
        """Shrunken effect of each level of a group: columns level, effect, std_error (logit scale).

        Effects are conditional modes: the most probable random intercepts given the estimated coefficients
        and spreads. Standard errors are conditional on those estimates too, from the inverse penalised
        Hessian at the modes (the convention of R's `ranef(condVar = TRUE)`); they leave out the uncertainty
        of the coefficients and spreads.
        """
        if self.method != "mixed":
            raise UsageError(f"group_effects needs method='mixed'; this fit used method={self.method!r}.")
        if group not in self.modes:
            have = ", ".join(self.modes) or "none"
            raise UsageError(f"The fit has no group {group!r}; its groups are: {have}.")
        return self.modes[group].copy()

    def average(self, matrix: FloatArray, *, sd: float | None = None) -> Average:
        """Mean over rows, each with equal weight, of survival averaged over random intercepts.

        sd: of their sum, by default that of the fit, 0 for a typical site.
        """
        return self.averages(matrix, np.zeros((1, len(self.coefficients))), [0.0], sd=sd)[0]

    def averages(
        self, matrix: FloatArray, added: FloatArray, shifts: Sequence[float], *, sd: float | None = None
    ) -> list[Average]:
        """The same with each of some lines added to every row; added: shape (lines, terms), shifts: and to the
        log-odds with each."""
        sd, plain = self.total_group_sd if sd is None else sd, matrix @ self.coefficients
        log_odds = [plain + by for by in added @ self.coefficients + shifts]
        lines, spreads = [average_over_groups(one, sd) for one in log_odds], np.count_nonzero([*self.sds.values()])
        slopes = np.array([one.by_log_odds for one in lines])
        by_terms = slopes @ matrix / len(matrix) + slopes.mean(axis=1)[:, None] * added
        by_variances = [np.full(spreads, one.by_sd.mean() / (2.0 * sd or 1.0)) for one in lines]
        return [
            Average(float(one.survival.mean()), np.concatenate(gradient), float(expit(at).mean()))
            for one, at, *gradient in zip(lines, log_odds, by_variances, by_terms, strict=True)
        ]

    def difference(self, shift: FloatArray, first: Average, second: Average) -> Difference:
        """One mean survival less another, with delta-method errors; shift: their difference in the columns."""
        log_odds, degrees = float(shift @ self.coefficients), self.degrees_of_freedom_of(shift)
        error = float(delta_errors(shift, self.variance))
        return Difference(
            log_odds=log_odds,
            error=error,
            degrees=degrees,
            p_value=float(two_sided_p(log_odds / error if error > 0.0 else np.nan, degrees)),
            points=100.0 * (first.survival - second.survival),
            points_error=100.0 * float(delta_errors(first.gradient - second.gradient, self.joint_covariance)),
        )

    def contrast(self, factor: str, reference: Any = None, *, sd: float | None = None) -> pd.DataFrame:
        """Each level of a factor against a reference: odds ratios and population-averaged differences.

        Columns level, reference, odds_ratio, or_low, or_high, difference_points, difference_low,
        difference_high, p_value. Differences are percentage points (0–100): survival predicted for every
        row used with the factor set to the level, averaged over rows with equal weight and over the random
        intercepts (normal, total variance of all groups), less the same at the reference. Intervals by the
        delta method over coefficients and spreads. The p value tests the log-odds difference (averaged over
        rows when the factor takes part in an interaction). reference: default the factor's first level; sd: as for
        `average`.
        """
        levels = self.design.levels_of(factor)
        base = self.design.base_level(factor) if reference is None else reference
        # A level is also meant by a name that reads the same: 'True' for True, '2024' for 2024.
        base = next((level for level in levels if level == base or str(level) == str(base)), base)
        if base not in levels:
            raise UsageError(note("survival", "no_level", factor=factor, level=repr(base), levels=levels))
        against = self.design.matrix_with(factor, base)
        rows = [
            {
                "level": level,
                "reference": base,
                **self._between(self.design.matrix_with(factor, level), against, sd),
            }
            for level in levels
            if level != base
        ]
        return pd.DataFrame(rows, columns=CONTRAST_COLUMNS)

    def typical_contrast(self, factor: str, reference: Any = None) -> pd.DataFrame:
        """As `contrast`, but at a typical site and batch: every random intercept at zero.

        The odds ratios are the same; the differences are those of a site in the middle of the spread, and
        are larger than the population-averaged ones whenever sites differ.
        """
        return self.contrast(factor, reference, sd=0.0)

    def _between(self, matrix: FloatArray, against: FloatArray, sd: float | None = None) -> dict[str, float]:
        """One prediction against another."""
        first, second = self.average(matrix, sd=sd), self.average(against, sd=sd)
        return self.difference((matrix - against).mean(axis=0), first, second).shown()

    def step(self, name: str, by: float = 1.0) -> pd.DataFrame:
        """Effect of raising a measured covariate by `by` in every row; one row, columns as `contrast`."""
        moved = self.design.matrix_with(name, self.design.measured(name) + by)
        if not np.isfinite(moved).all():
            raise Refused(note("survival", "out_of_range", name=name, by=by))
        found = self._between(moved, self.design.matrix)
        return pd.DataFrame([{"level": f"{by:+g}", "reference": "", **found}], columns=CONTRAST_COLUMNS)

    def adjusted(self, factor: str) -> pd.DataFrame:
        """Population-averaged survival at each level: level, rows, adjusted_pct, adjusted_low, adjusted_high.

        Intervals are made on the logit scale, so they stay in 0–100.
        """
        levels = self.design.levels_of(factor)
        rows = [int((self.design.frame[factor] == level).sum()) for level in levels]
        return pd.DataFrame({"level": levels, "rows": rows}).join(self._adjusted(factor, levels))

    def curve(self, name: str, points: int = 41) -> pd.DataFrame:
        """Population-averaged survival along a measured covariate, from its lowest to its highest value.

        Columns: the covariate's name, adjusted_pct, adjusted_low, adjusted_high.
        """
        column = self.design.measured(name)
        values = np.linspace(column.min(), column.max(), points)
        values[-1] = column.max()
        return pd.DataFrame({name: values}).join(self._adjusted(name, list(values)))

    def _adjusted(self, name: str, values: list[Any]) -> pd.DataFrame:
        rows = []
        for matrix in (self.design.matrix_with(name, value) for value in values):
            mean, critical = self.average(matrix), critical_value(self.degrees_of_freedom_of(matrix.mean(axis=0)))
            limits = share_limits(mean.survival, delta_errors(mean.gradient, self.joint_covariance), critical)
            rows.append([100.0 * float(one) for one in (mean.survival, *limits)])
        return pd.DataFrame(rows, columns=["adjusted_pct", "adjusted_low", "adjusted_high"])

    def predict(self, frame: Any, *, averaged: bool = True) -> FloatArray:
        """Survival (0–1) of new rows from the fixed effects, averaged over the random intercepts or not.

        averaged=True: mean over sites and batches; averaged=False: a typical site and batch.
        Raises Refused when a covariate is missing or has a level the fit has not seen.
        """
        return average_over_groups(self.log_odds(frame), self.total_group_sd if averaged else 0.0).survival

    def log_odds(self, frame: Any) -> FloatArray:
        """Fixed part of the log-odds of new rows, shape (rows,)."""
        return self.design.new_matrix(frame) @ self.coefficients

    def summary(self) -> str:
        """The fit as text: rows, effects on the log-odds, spreads, notes."""
        effects = self.effects.to_string(float_format=lambda value: f"{value:.4g}")
        return "\n".join([*self._lines(), "", effects, *(["", *self.notes] if self.notes else [])])

    def _repr_html_(self) -> str:
        """The same for a notebook; whatever came from records is escaped."""
        table = self.effects.to_html(float_format=lambda value: f"{value:.4g}", escape=True)
        lines = "".join(f"<p>{escape(line)}</p>" for line in (*self._lines(), *self.notes))
        return f"<div>{lines}{table}</div>"

    def _lines(self) -> list[str]:
        lines = [note("survival", name, one=self) for name in ("regressed", "counted", "spreads", "likelihood")]
        return [line for line in lines if line]

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the effects with their 95 % intervals on ``ax``, or on new matplotlib axes; returns the axes."""
        from broodyear.figures.intervals import effects_axes

        return effects_axes(self.effects, ax)
