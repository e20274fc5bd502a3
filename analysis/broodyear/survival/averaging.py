"""Population-averaged and typical-site survival, and differences between levels of a factor."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from broodyear.errors import Refused, UsageError
from broodyear.statistics.numbers import (
    FloatArray,
    IntArray,
    critical_value,
    delta_errors,
    expit,
    normal_nodes,
    share_limits,
    two_sided_p,
)
from broodyear.survival.design.given_frame import as_frame
from broodyear.survival.design.matrix import Design
from broodyear.survival.design.rows import names_in
from broodyear.survival.fitted import Fitted

NODES = (0.85, 15), (1.25, 21), (np.inf, 31)  # largest standard deviation, and the nodes that do for it
MOST_NUMERIC_LEVELS = 12  # a number with more distinct values than this is measured, not a factor
CONTRAST_COLUMNS = (
    "level", "reference", "odds_ratio", "or_low", "or_high",
    "difference_points", "difference_low", "difference_high", "p_value",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class GroupAverage:
    """Survival averaged over normal random intercepts, per row, with its slopes.

    share: mean survival 0–1. by_log_odds, by_sd: its derivatives over the fixed log-odds and the total sd.
    """

    share: FloatArray
    by_log_odds: FloatArray
    by_sd: FloatArray


def average_over_groups(log_odds: FloatArray, sd: float) -> GroupAverage:
    """Integrate the logistic curve over a normal intercept of this standard deviation.

    Gauss–Hermite, exact to 1e-8 for standard deviations up to 2 logits.
    """
    if sd == 0.0:
        share = expit(log_odds)
        return GroupAverage(share, share * (1.0 - share), np.zeros_like(share))
    nodes, weights = normal_nodes(next(points for most, points in NODES if sd <= most))
    share = expit(log_odds[:, None] + sd * nodes)
    steepness = share * (1.0 - share)
    return GroupAverage(share @ weights, steepness @ weights, steepness @ (weights * nodes))


@dataclass(frozen=True, eq=False)
class Average:
    """Mean survival over rows (0–1), and its gradient over (log sds above zero, coefficients); typical: the same
    with every random intercept at zero."""

    share: float
    gradient: FloatArray
    typical: float = np.nan


@dataclass(frozen=True, eq=False)
class Held:
    """Columns of a matrix that have one value in every row, whatever stands there; by default none."""

    places: IntArray = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    values: FloatArray = field(default_factory=lambda: np.empty(0))

    def times(self, matrix: FloatArray, coefficients: FloatArray) -> FloatArray:
        """The matrix times coefficients."""
        moved = (self.values - matrix[:, self.places]) @ coefficients[self.places]
        return np.asarray(matrix @ coefficients + moved, dtype=float)

    def sums(self, matrix: FloatArray, weights: FloatArray) -> FloatArray:
        """Weighted sums of its columns."""
        found = matrix.T @ weights
        found[self.places] = self.values * weights.sum()
        return np.asarray(found, dtype=float)


def average(fit: Fitted, matrix: FloatArray, sd: float, shift: float = 0.0, held: Held | None = None) -> Average:
    """Mean over rows, each with equal weight, of survival averaged over random intercepts; shift: of log-odds."""
    held = held or Held()
    log_odds = held.times(matrix, fit.coefficients) + shift
    rows, sds = average_over_groups(log_odds, sd), fit.group_sd.to_numpy(dtype=float)
    by_log_sd = rows.by_sd.mean() * sds[sds > 0] ** 2 / (sd or 1.0)
    gradient = np.concatenate([by_log_sd, held.sums(matrix, rows.by_log_odds) / len(matrix)])
    return Average(float(rows.share.mean()), gradient, float(expit(log_odds).mean()))


@dataclass(frozen=True, eq=False, kw_only=True)
class LogOdds:
    """A difference of log-odds with its standard error and degrees of freedom."""

    log_odds: float = np.nan
    error: float = np.nan
    degrees: float = np.inf

    @property
    def reach(self) -> float:
        """Standard errors to either end of the 95 % interval."""
        return critical_value(self.degrees)

    def odds_ratio(self, side: int = 0) -> float:
        """The odds ratio, or with side −1 or +1 an end of its 95 % interval."""
        with np.errstate(over="ignore"):
            return float(np.exp(self.log_odds + side * self.reach * self.error))


@dataclass(frozen=True, eq=False, kw_only=True)
class Difference(LogOdds):
    """p_value: of the log-odds; points, points_error: population-averaged difference in percentage points."""

    p_value: float = np.nan
    points: float = np.nan
    points_error: float = np.nan

    @property
    def points_low(self) -> float:
        return self.points - self.reach * self.points_error

    @property
    def points_high(self) -> float:
        return self.points + self.reach * self.points_error

    def shown(self) -> dict[str, float]:
        """The columns in which every comparison is told: odds ratio and points with 95 % limits, p value."""
        return {
            "odds_ratio": self.odds_ratio(),
            "or_low": self.odds_ratio(-1),
            "or_high": self.odds_ratio(1),
            "difference_points": self.points,
            "difference_low": self.points_low,
            "difference_high": self.points_high,
            "p_value": self.p_value,
        }


def difference(fit: Fitted, shift: FloatArray, first: Average, second: Average) -> Difference:
    """One mean survival less another, with delta-method errors; shift: their mean difference in the columns."""
    log_odds = float(shift @ fit.coefficients)
    error = float(delta_errors(shift, fit.covariance.to_numpy(dtype=float)))
    degrees = fit.degrees_of_freedom_of(shift)
    return Difference(
        log_odds=log_odds,
        error=error,
        degrees=degrees,
        p_value=float(two_sided_p(log_odds / error if error > 0.0 else np.nan, degrees)),
        points=100.0 * (first.share - second.share),
        points_error=100.0 * float(delta_errors(first.gradient - second.gradient, fit.joint_covariance)),
    )


def _between(fit: Fitted, matrix: FloatArray, against: FloatArray, sd: float) -> Difference:
    """One prediction against another."""
    shift = (matrix - against).mean(axis=0)
    return difference(fit, shift, average(fit, matrix, sd), average(fit, against, sd))


def levels_of(design: Design, factor: str) -> list[Any]:
    """Levels of a factor in the rows used, in the order of the fit."""
    if factor not in design.covariates:
        have = ", ".join(design.covariates) or "none"
        raise UsageError(f"The formula has no factor {factor!r}; its covariates are: {have}.")
    column = design.rows.frame[factor]
    if isinstance(column.dtype, pd.CategoricalDtype):
        return list(column.cat.categories)
    values = sorted(float(value) for value in column.unique())
    if len(values) > MOST_NUMERIC_LEVELS:
        raise UsageError(
            f"Column {factor!r} is measured ({len(values)} distinct values), not a factor: use"
            f" .step({factor!r}, by=1.0) or .curve({factor!r})."
        )
    return [int(value) if value.is_integer() else value for value in values]


def base_level(design: Design, factor: str) -> Any:
    """The level a factor is coded against: the one named in the formula, or its first."""
    levels = levels_of(design, factor)
    contrasts = getattr(design.model_spec, "factor_contrasts", {})
    for coded, state in contrasts.items():
        base = getattr(state.contrasts, "base", None)
        if factor in str(coded) and base in levels:
            return base
    return levels[0]


def matrix_with(design: Design, name: str, value: Any) -> FloatArray:
    """The design matrix of the rows used with one covariate set to a value (or an array of values)."""
    own = _own_columns(design, name)
    if not own or isinstance(value, np.ndarray):
        return _matrix_anew(design, design.rows.frame, name, value)
    # Other columns stay as they are, and these are what they are in a row that has the value.
    rows = np.flatnonzero((design.rows.frame[name] == value).to_numpy())
    matrix = design.matrix.copy()
    if len(rows):
        matrix[:, own] = design.matrix[rows[0], own]
    else:
        matrix[:, own] = _matrix_anew(design, design.rows.frame.iloc[:1], name, value)[0, own]
    return matrix


def _own_columns(design: Design, name: str) -> list[int]:
    """Places of the columns made from one covariate alone; empty when it also stands in an interaction."""
    places: list[int] = []
    for term, indices in design.model_spec.term_indices.items():
        read = {word for factor in term.factors for word in names_in(str(factor))} & set(design.covariates)
        if name in read and len(read) > 1:
            return []
        places += list(indices) if name in read else []
    return places


def _matrix_anew(design: Design, rows: pd.DataFrame, name: str, value: Any) -> FloatArray:
    frame = rows.copy()
    column = frame[name]
    if isinstance(column.dtype, pd.CategoricalDtype):
        frame[name] = pd.Categorical([value] * len(frame), dtype=column.dtype)
    else:
        frame[name] = np.broadcast_to(np.asarray(value, dtype=_kind(column, value)), (len(frame),)).copy()
    return design.matrix_for(frame)


def _kind(column: pd.Series[Any], value: Any) -> type:
    """Whole values of a whole-number column stay whole, so that they still name its levels."""
    whole = pd.api.types.is_integer_dtype(column) and np.all(np.asarray(value) == np.round(value))
    return int if whole else float


def contrast_table(fit: Fitted, factor: str, reference: Any, sd: float) -> pd.DataFrame:
    """Rows of `SurvivalFit.contrast`; sd is the spread averaged over (0 for a typical site)."""
    levels = levels_of(fit.design, factor)
    base = base_level(fit.design, factor) if reference is None else _as_level(reference, levels)
    if base not in levels:
        raise UsageError(f"Factor {factor!r} has no level {base!r}; its levels are: {_listed(levels)}.")
    against = matrix_with(fit.design, factor, base)
    rows = [
        {"level": level, "reference": base, **_between(fit, matrix, against, sd).shown()}
        for level in levels
        if level != base
        for matrix in [matrix_with(fit.design, factor, level)]
    ]
    return pd.DataFrame(rows, columns=list(CONTRAST_COLUMNS))


def step_table(fit: Fitted, name: str, by: float, sd: float) -> pd.DataFrame:
    """One row: the effect of adding `by` to a measured covariate in every row used."""
    column = _measured(fit.design, name)
    moved = matrix_with(fit.design, name, column + by)
    if not np.isfinite(moved).all():
        raise Refused(
            f"A step of {by:g} in {name!r} leaves the range of the rows, where a spline says nothing: read"
            f" .curve({name!r}) instead, or fit {name!r} as a straight line."
        )
    row = {"level": f"{by:+g}", "reference": "", **_between(fit, moved, fit.design.matrix, sd).shown()}
    return pd.DataFrame([row], columns=list(CONTRAST_COLUMNS))


def _as_level(reference: Any, levels: Sequence[Any]) -> Any:
    """The level meant: itself, or the one whose name reads the same ('True' for True, '2024' for 2024)."""
    if reference in levels:
        return levels[levels.index(reference)]
    return next((level for level in levels if str(level) == str(reference)), reference)


def adjusted_table(fit: Fitted, factor: str) -> pd.DataFrame:
    """Rows of `SurvivalFit.adjusted`; intervals are made on the logit scale, so they stay in 0–100."""
    column = fit.design.rows.frame[factor] if factor in fit.design.covariates else None
    rows = []
    for level in levels_of(fit.design, factor):
        assert column is not None
        matrix = matrix_with(fit.design, factor, level)
        rows.append({"level": level, "rows": int((column == level).sum()), **_adjusted(fit, matrix)})
    return pd.DataFrame(rows)


def curve_table(fit: Fitted, name: str, points: int) -> pd.DataFrame:
    """Rows of `SurvivalFit.curve`."""
    column = _measured(fit.design, name)
    values = np.linspace(column.min(), column.max(), points)
    values[-1] = column.max()
    rows = [{name: value, **_adjusted(fit, matrix_with(fit.design, name, value))} for value in values]
    return pd.DataFrame(rows)


def _adjusted(fit: Fitted, matrix: FloatArray) -> dict[str, float]:
    critical = critical_value(fit.degrees_of_freedom_of(matrix.mean(axis=0)))
    mean = average(fit, matrix, fit.total_group_sd)
    low, high = map(float, share_limits(mean.share, delta_errors(mean.gradient, fit.joint_covariance), critical))
    return {"adjusted_pct": 100.0 * mean.share, "adjusted_low": 100.0 * low, "adjusted_high": 100.0 * high}


def new_matrix(design: Design, frame: Any) -> FloatArray:
    """Design matrix of rows outside the fit; refuses missing values and unseen levels."""
    frame = as_frame(frame)
    values = pd.DataFrame(index=range(len(frame)))
    for name in design.covariates:
        if name not in frame.columns:
            raise UsageError(f"The frame has no column {name!r}, which the formula {design.formula!r} reads.")
        values[name] = _recoded(frame[name].reset_index(drop=True), design.rows.frame[name])
    return design.matrix_for(values) if design.covariates else np.ones((len(frame), len(design.terms)))


def _recoded(column: pd.Series[Any], fitted: pd.Series[Any]) -> pd.Series[Any]:
    if column.isna().any():
        raise Refused(f"Column {fitted.name!r} has missing values; a prediction needs every covariate.")
    if not isinstance(fitted.dtype, pd.CategoricalDtype):
        numbers = column.astype(float)
        whole = pd.api.types.is_integer_dtype(fitted) and bool((numbers == numbers.round()).all())
        return numbers.astype("int64") if whole else numbers
    known = list(fitted.cat.categories)
    given = column.astype(bool) if set(known) <= {False, True} else column
    unseen = sorted({str(value) for value in given if value not in known})
    if unseen:
        raise Refused(
            f"Column {fitted.name!r} has levels the fit has not seen ({_listed(unseen)}); it knows"
            f" {_listed(known)}."
        )
    return pd.Series(pd.Categorical(given, dtype=fitted.dtype))


def _measured(design: Design, name: str) -> FloatArray:
    if name not in design.covariates or not pd.api.types.is_numeric_dtype(design.rows.frame[name]):
        raise UsageError(f"{name!r} is not a measured covariate of the formula {design.formula!r}.")
    return design.rows.frame[name].to_numpy(dtype=float)


def _listed(values: Sequence[Any]) -> str:
    return ", ".join(map(str, values))
