"""What a model is fitted to: which rows of whatever table a caller holds, and why the others are left out; the
design matrix of a formula over them, and what must hold before a model may be fitted to it."""

from __future__ import annotations

import ast
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import combinations
from numbers import Number
from typing import Any

import numpy as np
import pandas as pd

from broodyear.errors import Refused, UsageError
from broodyear.notes import note
from broodyear.statistics.crossed import Grouping
from broodyear.statistics.numbers import BoolArray, FloatArray, aliases

FEWEST_ROWS = 3  # two tank-seasons give one difference and nothing to judge it by
MOST_NUMERIC_LEVELS = 12  # a number with more distinct values than this is measured, not a factor
ALIAS_TOLERANCE = 1e-9  # share of a column's length left after the earlier columns: rounding, not information


def as_frame(given: Any) -> pd.DataFrame:
    """A pandas frame of a table given as one, as a dict of columns, a list of records, or another library's.

    Frames of other libraries are read through their own `to_pandas` (polars, pyarrow and their kin) or `df`
    (a DuckDB relation). Raises UsageError for anything else, and for columns of unequal length.
    """
    if isinstance(given, pd.DataFrame):
        return given
    if hasattr(given, "collect") and not hasattr(given, "to_pandas"):
        given = given.collect()  # a lazy frame
    if hasattr(given, "to_pandas"):
        try:
            return pd.DataFrame(given.to_pandas())
        except ImportError:  # some libraries convert only where pyarrow is installed; plain lists always work
            return pd.DataFrame({name: given[name].to_list() for name in given.columns})
    if callable(getattr(given, "df", None)):
        return pd.DataFrame(given.df())
    records = isinstance(given, (list, tuple)) and len(given) and all(isinstance(row, Mapping) for row in given)
    if records or isinstance(given, Mapping) or getattr(getattr(given, "dtype", None), "names", None):
        try:
            return pd.DataFrame(given)
        except ValueError as error:
            raise UsageError(f"The table given cannot be read as columns of one length: {error}.") from error
    raise UsageError(note("survival", "no_table", kind=type(given).__name__))


def formula_columns(formula: str, frame: pd.DataFrame) -> tuple[str, ...]:
    """Names of the columns a formula reads, in the order they first appear in it.

    Raises UsageError when the formula cannot be read or has a left-hand side.
    """
    from formulaic import Formula
    from formulaic.errors import FormulaicError

    try:
        parsed = Formula(formula)
        expressions = [str(factor) for term in parsed for factor in term.factors]
    except (FormulaicError, AttributeError, TypeError, SyntaxError) as error:
        raise UsageError(note("survival", "unread_formula", formula=repr(formula))) from error
    names = {str(name) for name in parsed.required_variables}
    for expression in expressions:  # what a spline or a polynomial is made of is not among these
        with suppress(SyntaxError):  # a name in backticks is no expression
            found = {node.id for node in ast.walk(ast.parse(expression)) if isinstance(node, ast.Name)}
            names |= found & set(map(str, frame.columns))
    return tuple(sorted(names, key=lambda name: (formula.find(name), name)))


def usable_rows(
    frame: pd.DataFrame, covariates: Sequence[str], counts: tuple[str, str], groups: Sequence[str], fewest: int
) -> tuple[pd.DataFrame, FloatArray, FloatArray, dict[str, int]]:
    """Check the columns and counts (survivors, eggs) of a frame and keep the rows that can be used.

    Returns these (index from 0, only the columns needed; text and booleans are factors), their survivors and their
    eggs, and reason -> rows left out for it (each row is counted once). Rows with a missing value or without eggs
    are left out. Raises Refused for counts that cannot be (more survivors than eggs, negative, not whole) and
    UsageError for unknown columns.
    """
    needed, names = list(dict.fromkeys([*counts, *covariates, *groups])), list(frame.columns)
    for name in needed:
        if name not in names:
            have = ", ".join(map(str, names))
            raise UsageError(f"The frame has no column {name!r}; its columns are {have}: correct the name.")
        if names.count(name) > 1:
            raise UsageError(f"The frame has more than one column named {name!r}: rename or drop one.")
    blank = np.asarray(frame[needed].isna() | frame[needed].isin([np.inf, -np.inf]), dtype=bool)
    keep = np.asarray(~blank.any(axis=1), dtype=bool)
    first = np.bincount(blank[~keep].argmax(axis=1), minlength=len(needed))  # each row is counted once
    left_out = {f"missing {name}": int(rows) for name, rows in zip(needed, first, strict=True) if rows}
    alive, eggs = (_counts(frame, name, keep) for name in counts)
    impossible = np.flatnonzero(keep & (alive > eggs))
    for first in impossible[:1]:
        values = {"rows": impossible.size, "of": len(frame), "row": first + 1, "counts": counts}
        raise Refused(note("survival", "too_many_survivors", alive=alive[first], eggs=eggs[first], **values))
    if empty := int((keep & (eggs == 0)).sum()):
        left_out[f"no eggs ({counts[1]} is 0)"] = empty
        keep &= eggs > 0
    if keep.sum() < fewest:
        why = "; ".join(f"{reason}: {count}" for reason, count in left_out.items()) or "none left out"
        values = {"rows": keep.sum(), "of": len(frame), "left_out": why, "fewest": fewest}
        raise Refused(note("survival", "too_few_rows", **values))
    used = as_factors(frame.loc[keep, needed].reset_index(drop=True), covariates)
    return used, alive[keep], eggs[keep], left_out


def _counts(frame: pd.DataFrame, name: str, keep: BoolArray) -> FloatArray:
    """A column of counts as floats; nan where the row is not kept."""
    try:
        values = pd.to_numeric(frame[name]).to_numpy(dtype=float, na_value=np.nan)
    except (TypeError, ValueError) as error:
        raise Refused(f"Column {name!r} holds values that are not numbers; it must hold counts.") from error
    for first in np.flatnonzero(keep & ((values < 0) | (values != np.round(values))))[:1]:
        raise Refused(note("survival", "no_count", name=name, value=values[first], row=first + 1))
    return np.where(keep, values, np.nan)


def as_factors(frame: pd.DataFrame, covariates: Sequence[str]) -> pd.DataFrame:
    """Booleans and text become factors with only the levels that occur; numbers stay numbers."""
    types = pd.api.types
    for name in covariates:
        column = frame[name]
        if column.dtype == object:  # what such a column holds decides
            column = column.infer_objects()
            if all(isinstance(one, Number) for one in column):  # measurements, not names of levels
                column = column.astype(bool if types.is_bool_dtype(column) else float)
        if types.is_bool_dtype(column):
            column = column.astype(bool).astype(pd.CategoricalDtype([False, True]))
        elif types.is_numeric_dtype(column):  # whole numbers stay whole: C(season) keeps names such as [T.2024]
            column = column.astype("int64" if types.is_integer_dtype(column) else float)
        elif types.is_datetime64_any_dtype(column):
            raise Refused(note("survival", "dates", name=name))
        elif not isinstance(column.dtype, pd.CategoricalDtype):
            column = column.astype(str).astype("category")
        is_factor = isinstance(column.dtype, pd.CategoricalDtype)
        frame[name] = column.cat.remove_unused_categories() if is_factor else column
    return frame


@dataclass(frozen=True, eq=False)
class Design:
    """Everything a fitting function needs.

    frame: the rows used, of the columns the model needs. survived, trials: their counts, shape (used,); counts:
    names of these. matrix: design matrix, shape (used, terms). terms: its column names. groupings: the grouping
    columns, coded. formula: what the matrix was made by; covariates: columns of the frame it reads. left_out:
    reason -> rows left out for it. model_spec: the formula library's record of how the matrix was made, for
    predictions.
    """

    frame: pd.DataFrame
    survived: FloatArray
    trials: FloatArray
    counts: tuple[str, str]
    matrix: FloatArray
    terms: tuple[str, ...]
    groupings: tuple[Grouping, ...]
    formula: str
    covariates: tuple[str, ...] = ()
    left_out: Mapping[str, int] = field(default_factory=dict)
    model_spec: Any = None

    def variances(self, probability: FloatArray) -> FloatArray:
        """Binomial variance of the survivors of each row at these probabilities."""
        return np.asarray(self.trials * probability * (1.0 - probability), dtype=float)

    def residuals(self, probability: FloatArray) -> FloatArray:
        """Survivors of each row less those expected at these probabilities."""
        return np.asarray(self.survived - self.trials * probability, dtype=float)

    def measured(self, name: str) -> FloatArray:
        """Values of a measured covariate in the rows used."""
        if name not in self.covariates or not pd.api.types.is_numeric_dtype(self.frame[name]):
            raise UsageError(f"{name!r} is not a measured covariate of the formula {self.formula!r}.")
        return self.frame[name].to_numpy(dtype=float)

    def levels_of(self, factor: str) -> list[Any]:
        """Levels of a factor in the rows used, in the order of the fit."""
        if factor not in self.covariates:
            have = ", ".join(self.covariates) or "none"
            raise UsageError(f"The formula has no factor {factor!r}; its covariates are: {have}.")
        column = self.frame[factor]
        if isinstance(column.dtype, pd.CategoricalDtype):
            return list(column.cat.categories)
        values = sorted(float(value) for value in column.unique())
        if len(values) > MOST_NUMERIC_LEVELS:
            raise UsageError(note("survival", "measured", name=factor, values=len(values)))
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
        return self.new_matrix(self.frame.assign(**{name: value}))

    def new_matrix(self, frame: Any) -> FloatArray:
        """Design matrix of rows outside the fit; refuses missing values and unseen levels."""
        frame = as_frame(frame)
        values = pd.DataFrame(index=range(len(frame)))
        for name in self.covariates:
            if name not in frame.columns:
                raise UsageError(f"The frame has no column {name!r}, which the formula {self.formula!r} reads.")
            values[name] = _recoded(frame[name].reset_index(drop=True), self.frame[name])
        if not self.covariates:
            return np.ones((len(frame), len(self.terms)))
        return np.ascontiguousarray(self.model_spec.get_model_matrix(values).to_numpy(dtype=float))


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
        raise Refused(note("survival", "unseen", name=fitted.name, levels=unseen, known=known))
    return pd.Series(pd.Categorical(given, dtype=fitted.dtype))


def make_design(
    frame: pd.DataFrame, formula: str, survived: str, trials: str, groups: Sequence[str] = (), spare_rows: int = 1
) -> Design:
    """Check a frame against a formula and build its design matrix.

    spare_rows: rows there must be beyond the number of coefficients (0 allows a saturated model).
    Raises Refused or UsageError, in one sentence that names the column and the cure.
    """
    covariates = formula_columns(formula, frame)
    if survived in covariates:
        raise UsageError(f"The formula reads {survived!r}, the outcome itself: take it out of the formula.")
    counts, fewest = (survived, trials), FEWEST_ROWS if spare_rows else 1
    used, alive, eggs, left_out = usable_rows(frame, covariates, counts, groups, fewest)
    for name in covariates:
        if used[name].nunique() < 2:
            raise Refused(note("survival", "constant", name=name, value=used[name].iloc[0], rows=len(used)))
    matrix = _model_matrix(formula, used)
    terms = tuple(map(str, matrix.columns))
    if not terms:
        raise UsageError(f"The formula {formula!r} has no term at all: write '1' for an overall survival.")
    if len(used) < len(terms) + spare_rows:
        fewest = len(terms) + spare_rows
        raise Refused(note("survival", "too_many_terms", terms=terms, rows=len(used), fewest=fewest))
    values = np.ascontiguousarray(matrix.to_numpy(dtype=float))
    kept, null = aliases(values, ALIAS_TOLERANCE)
    for index in np.setdiff1d(np.arange(len(terms)), kept)[:1]:
        raise Refused(_alias_message(values, terms, int(index), null[:, 0]))
    groupings = tuple(Grouping.of(used, name) for name in groups)
    require_groupings(groupings)
    return Design(
        used, alive, eggs, counts, values, terms, groupings, formula, covariates, left_out, matrix.model_spec
    )


def _model_matrix(formula: str, frame: pd.DataFrame) -> Any:
    from formulaic import model_matrix
    from formulaic.errors import FormulaicError

    try:
        return model_matrix(formula, frame, na_action="raise")
    except (FormulaicError, ValueError, KeyError, TypeError) as error:
        detail = str(error).split("\n")[0].rstrip(".")
        raise UsageError(f"The formula {formula!r} cannot be applied to the frame: {detail}.") from error


def _alias_message(matrix: FloatArray, terms: Sequence[str], index: int, null: FloatArray) -> str:
    partners = [term for term, weight in zip(terms[:index], null, strict=False) if abs(weight) > 1e-6]
    others = [term for term in partners if term != "Intercept"] or partners
    spline = terms[index].partition("(")[0]
    is_curve = spline in ("cr", "cs", "cc") and all(term.startswith(spline + "(") for term in others)
    values = {"term": terms[index], "others": others, "spline": spline if is_curve else ""}
    return note("survival", "aliased", is_empty=not matrix[:, index].any(), **values)


def require_groupings(groupings: Sequence[Grouping]) -> None:
    """Refuse a group of one level, and two that are twins."""
    for group in groupings:
        if len(group.levels) < 2:
            values = {"name": group.name, "level": group.levels[0], "rows": len(group.codes)}
            raise Refused(note("survival", "one_group", **values))
    for first, second in combinations(groupings, 2):
        if first.is_twin(second):
            raise Refused(note("survival", "twin_groups", first=first.name, second=second.name))
