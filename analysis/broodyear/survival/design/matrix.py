"""The design matrix of a formula, and what must hold before a model may be fitted to it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from broodyear.errors import Refused, UsageError
from broodyear.statistics.numbers import FloatArray, IntArray
from broodyear.survival.design.rows import FEWEST_ROWS, Rows, as_frame, formula_columns, names_in, usable_rows

MOST_NUMERIC_LEVELS = 12  # a number with more distinct values than this is measured, not a factor
ALIAS_TOLERANCE = 1e-9  # share of a column's length left after the earlier columns: rounding, not information


@dataclass(frozen=True, eq=False)
class Grouping:
    """One random intercept: the column, the level of each row (shape (used,)), and the levels' names."""

    name: str
    codes: IntArray
    levels: tuple[Any, ...]

    @classmethod
    def of(cls, frame: pd.DataFrame, name: str) -> Grouping:
        """A column of a frame as a grouping, its levels in order."""
        codes, levels = pd.factorize(frame[name], sort=True)
        return cls(name, codes.astype(np.int64), tuple(levels))


@dataclass(frozen=True, eq=False)
class Design:
    """Everything a fitting function needs.

    rows: the rows used. counts: names of the columns of survivors and of eggs. matrix: design matrix,
    shape (used, terms). terms: its column names.
    groupings: the grouping columns, coded. covariates: columns of the frame the formula reads.
    model_spec: the formula library's record of how the matrix was made, for predictions.
    """

    rows: Rows
    formula: str
    counts: tuple[str, str]
    matrix: FloatArray
    terms: tuple[str, ...]
    covariates: tuple[str, ...]
    groupings: tuple[Grouping, ...]
    model_spec: Any

    def matrix_for(self, frame: pd.DataFrame) -> FloatArray:
        """The design matrix of other values of the covariates, coded as in the fit."""
        return np.ascontiguousarray(self.model_spec.get_model_matrix(frame).to_numpy(dtype=float))

    def measured(self, name: str) -> FloatArray:
        """Values of a measured covariate in the rows used."""
        if name not in self.covariates or not pd.api.types.is_numeric_dtype(self.rows.frame[name]):
            raise UsageError(f"{name!r} is not a measured covariate of the formula {self.formula!r}.")
        return self.rows.frame[name].to_numpy(dtype=float)

    def levels_of(self, factor: str) -> list[Any]:
        """Levels of a factor in the rows used, in the order of the fit."""
        if factor not in self.covariates:
            have = ", ".join(self.covariates) or "none"
            raise UsageError(f"The formula has no factor {factor!r}; its covariates are: {have}.")
        column = self.rows.frame[factor]
        if isinstance(column.dtype, pd.CategoricalDtype):
            return list(column.cat.categories)
        values = sorted(float(value) for value in column.unique())
        if len(values) > MOST_NUMERIC_LEVELS:
            raise UsageError(
                f"Column {factor!r} is measured ({len(values)} distinct values), not a factor: use"
                f" .step({factor!r}, by=1.0) or .curve({factor!r})."
            )
        return [int(value) if value.is_integer() else value for value in values]

    def base_level(self, factor: str) -> Any:
        """The level a factor is coded against: the one named in the formula, or its first."""
        levels = self.levels_of(factor)
        for coded, state in getattr(self.model_spec, "factor_contrasts", {}).items():
            base = getattr(state.contrasts, "base", None)
            if factor in str(coded) and base in levels:
                return base
        return levels[0]

    def matrix_with(self, name: str, value: Any) -> FloatArray:
        """The design matrix of the rows used with one covariate set to a value (or an array of values)."""
        own = self._own_columns(name)
        if not own or isinstance(value, np.ndarray):
            return self.matrix_anew(self.rows.frame, name, value)
        # Other columns stay as they are, and these are what they are in a row that has the value.
        rows = np.flatnonzero((self.rows.frame[name] == value).to_numpy())
        anew = self.matrix[rows[:1]] if len(rows) else self.matrix_anew(self.rows.frame.iloc[:1], name, value)
        matrix = self.matrix.copy()
        matrix[:, own] = anew[0, own]
        return matrix

    def _own_columns(self, name: str) -> list[int]:
        """Places of the columns made from one covariate alone; empty when it also stands in an interaction."""
        places: list[int] = []
        for term, indices in self.model_spec.term_indices.items():
            read = {word for factor in term.factors for word in names_in(str(factor))} & set(self.covariates)
            if name in read and len(read) > 1:
                return []
            places += list(indices) if name in read else []
        return places

    def matrix_anew(self, rows: pd.DataFrame, name: str, value: Any) -> FloatArray:
        """The formula evaluated on rows with one covariate set to a value (or an array of values)."""
        column = rows[name]
        if isinstance(column.dtype, pd.CategoricalDtype):
            return self.matrix_for(rows.assign(**{name: pd.Categorical([value] * len(rows), dtype=column.dtype)}))
        # Whole values of a whole-number column stay whole, so that they still name its levels.
        whole = pd.api.types.is_integer_dtype(column) and np.all(np.asarray(value) == np.round(value))
        values = np.broadcast_to(np.asarray(value, dtype=int if whole else float), (len(rows),)).copy()
        return self.matrix_for(rows.assign(**{name: values}))

    def new_matrix(self, frame: Any) -> FloatArray:
        """Design matrix of rows outside the fit; refuses missing values and unseen levels."""
        frame = as_frame(frame)
        values = pd.DataFrame(index=range(len(frame)))
        for name in self.covariates:
            if name not in frame.columns:
                raise UsageError(f"The frame has no column {name!r}, which the formula {self.formula!r} reads.")
            values[name] = _recoded(frame[name].reset_index(drop=True), self.rows.frame[name])
        return self.matrix_for(values) if self.covariates else np.ones((len(frame), len(self.terms)))


def _recoded(column: pd.Series[Any], fitted: pd.Series[Any]) -> pd.Series[Any]:
    """A column of new rows as the fit had it."""
    if column.isna().any():
        raise Refused(f"Column {fitted.name!r} has missing values; a prediction needs every covariate.")
    if not isinstance(fitted.dtype, pd.CategoricalDtype):
        numbers = column.astype(float)
        whole = pd.api.types.is_integer_dtype(fitted) and bool((numbers == numbers.round()).all())
        return numbers.astype("int64") if whole else numbers
    known = list(fitted.cat.categories)
    given = column.astype(bool) if set(known) <= {False, True} else column
    unseen = ", ".join(sorted({str(value) for value in given if value not in known}))
    if unseen:
        raise Refused(
            f"Column {fitted.name!r} has levels the fit has not seen ({unseen}); it knows"
            f" {', '.join(map(str, known))}."
        )
    return pd.Series(pd.Categorical(given, dtype=fitted.dtype))


def make_design(
    frame: pd.DataFrame,
    formula: str,
    survived: str,
    trials: str,
    groups: Sequence[str] = (),
    *,
    spare_rows: int = 1,
) -> Design:
    """Check a frame against a formula and build its design matrix.

    spare_rows: rows there must be beyond the number of coefficients (0 allows a saturated model).
    Raises Refused or UsageError, in one sentence that names the column and the cure.
    """
    rows = usable_rows(frame, formula, survived, trials, groups, fewest=FEWEST_ROWS if spare_rows else 1)
    covariates = formula_columns(formula, frame)
    for name in covariates:
        if rows.frame[name].nunique() < 2:
            raise Refused(
                f"Column {name!r} is {rows.frame[name].iloc[0]} in all {rows.used} rows used, so it can have no"
                " effect to estimate: take it out of the formula, or add rows with another value."
            )
    matrix = _model_matrix(formula, rows.frame)
    terms = tuple(map(str, matrix.columns))
    if not terms:
        raise UsageError(f"The formula {formula!r} has no term at all: write '1' for an overall survival.")
    if rows.used < len(terms) + spare_rows:
        raise Refused(
            f"The formula asks for {len(terms)} coefficients ({', '.join(terms)}), but only {rows.used} rows can"
            f" be used; at least {len(terms) + spare_rows} are needed: take terms out, merge levels, or add rows."
        )
    values = np.ascontiguousarray(matrix.to_numpy(dtype=float))
    kept, _ = aliases(values, ALIAS_TOLERANCE)
    for place in np.setdiff1d(np.arange(len(terms)), kept)[:1]:
        raise Refused(_alias_message(values, terms, int(place)))
    groupings = tuple(Grouping.of(rows.frame, name) for name in groups)
    _require_groupings(groupings)
    return Design(rows, formula, (survived, trials), values, terms, covariates, groupings, matrix.model_spec)


def _model_matrix(formula: str, frame: pd.DataFrame) -> Any:
    from formulaic import model_matrix
    from formulaic.errors import FormulaicError

    try:
        return model_matrix(formula, frame, na_action="raise")
    except (FormulaicError, ValueError, KeyError, TypeError) as error:
        detail = str(error).split("\n")[0].rstrip(".")
        raise UsageError(f"The formula {formula!r} cannot be applied to the frame: {detail}.") from error


def aliases(matrix: FloatArray, tolerance: float) -> tuple[IntArray, FloatArray]:
    """Columns that earlier ones do not make up, and the directions along which the others can be exchanged.

    tolerance: share of a column's length left after the earlier ones, at or below which these make it up.
    """
    lengths = np.maximum(np.linalg.norm(matrix, axis=0), 1e-300)
    scaled = matrix / lengths
    factor = np.asarray(np.linalg.qr(scaled, mode="r"), dtype=float)
    if len(factor) == matrix.shape[1] and np.abs(np.diag(factor)).min() > tolerance:
        return np.arange(matrix.shape[1], dtype=np.int64), np.zeros((matrix.shape[1], 0))
    kept: list[int] = []
    for place in range(matrix.shape[1]):
        column = factor[:, place]
        left = (
            column - factor[:, kept] @ np.linalg.lstsq(factor[:, kept], column, rcond=None)[0] if kept else column
        )
        if np.linalg.norm(left) > tolerance:
            kept.append(place)
    aliased = [place for place in range(matrix.shape[1]) if place not in kept]
    null = np.zeros((matrix.shape[1], len(aliased)))
    for spot, place in enumerate(aliased):
        weights = np.linalg.lstsq(factor[:, kept], factor[:, place], rcond=None)[0]
        null[place, spot] = 1.0
        null[kept, spot] = -weights * lengths[place] / lengths[kept]
    return np.array(kept, dtype=np.int64), null


def _alias_message(matrix: FloatArray, terms: Sequence[str], place: int) -> str:
    if not matrix[:, place].any():
        return (
            f"No row has the combination that the coefficient {terms[place]} describes: take the interaction"
            " out of the formula, or merge levels."
        )
    weights = np.linalg.lstsq(matrix[:, :place], matrix[:, place], rcond=None)[0]
    partners = [term for term, weight in zip(terms, weights, strict=False) if abs(weight) > 1e-6]
    others = [term for term in partners if term != "Intercept"] or partners
    spline = terms[place].partition("(")[0]
    if spline in ("cr", "cs", "cc") and all(term.startswith(spline + "(") for term in others):
        return (
            f"The columns of {terms[place].rpartition('[')[0]} add up to the intercept: write"
            f" {spline}(..., constraints='center')."
        )
    return (
        f"The effect of {terms[place]} cannot be told apart from {', '.join(others)}: its column is an exact"
        " combination of theirs in the rows used. Take one of them out of the formula."
    )


def _require_groupings(groupings: Sequence[Grouping]) -> None:
    """Refuse a group of one level, and two that split the rows alike, for these share one spread."""
    for group in groupings:
        if len(group.levels) < 2:
            raise Refused(
                f"Group {group.name!r} has one level ({group.levels[0]}) in the {len(group.codes)} rows used, so"
                " its spread cannot be estimated: take it out of groups=, or add rows of another level."
            )
    for place, first in enumerate(groupings):
        for second in groupings[place + 1 :]:
            pairs = len(np.unique(first.codes * len(second.levels) + second.codes))
            if pairs == len(first.levels) == len(second.levels):
                raise Refused(
                    f"Groups {first.name!r} and {second.name!r} split the rows in the same way, so their"
                    " spreads cannot be told apart: name only one of them."
                )
