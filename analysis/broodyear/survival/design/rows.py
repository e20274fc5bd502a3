"""Whatever table a caller holds: which of its rows a model may use, and why the others are left out."""

from __future__ import annotations

import ast
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from numbers import Number
from typing import Any

import numpy as np
import pandas as pd

from broodyear.errors import Refused, UsageError
from broodyear.statistics.numbers import BoolArray, FloatArray, IntArray

FEWEST_ROWS = 3  # two tank-seasons give one difference and nothing to judge it by


@dataclass(frozen=True, eq=False)
class Rows:
    """The tank-seasons a model uses.

    frame: the rows used, index 0..used-1, only the columns the model needs; text and booleans are factors.
    survived, trials: counts of the rows used, shape (used,).
    positions: place of each used row in the frame given, shape (used,).
    given, used: numbers of rows. left_out: reason -> rows left out for it (each row is counted once).
    """

    frame: pd.DataFrame
    survived: FloatArray
    trials: FloatArray
    positions: IntArray
    given: int
    left_out: dict[str, int]

    @property
    def used(self) -> int:
        """Number of rows used."""
        return len(self.survived)


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
    raise UsageError(
        f"frame must be a table with one row per tank-season, such as a pandas frame or a dict of columns, but"
        f" a {type(given).__name__} was passed: read the file into a frame first."
    )


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
        raise UsageError(
            f"The formula {formula!r} cannot be read: write the right-hand side only, with the grouping"
            " columns in groups=, for example 'gravel + temp_c'."
        ) from error
    names = {str(name) for name in parsed.required_variables}
    for expression in expressions:
        names |= names_in(expression) & set(map(str, frame.columns))
    return tuple(sorted(names, key=lambda name: (formula.find(name), name)))


def names_in(expression: str) -> set[str]:
    """Bare names in one factor of a formula, such as temp_c in poly(temp_c, 2)."""
    try:
        tree = ast.parse(expression, mode="eval")
    except SyntaxError:
        return {expression}
    return {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)}


def usable_rows(
    frame: pd.DataFrame,
    formula: str,
    survived: str,
    trials: str,
    groups: Sequence[str],
    *,
    fewest: int = FEWEST_ROWS,
) -> Rows:
    """Check the columns and counts of a frame and keep the rows that can be used.

    Rows with a missing value or without eggs are left out and counted. Raises Refused for counts that
    cannot be (more survivors than eggs, negative, not whole) and UsageError for unknown columns.
    """
    covariates = formula_columns(formula, frame)
    if survived in covariates:
        raise UsageError(f"The formula reads {survived!r}, the outcome itself: take it out of the formula.")
    needed = list(dict.fromkeys([survived, trials, *covariates, *groups]))
    _require_columns(frame, needed)
    keep, left_out = _complete(frame, needed)
    alive, eggs = _counts(frame, survived, keep), _counts(frame, trials, keep)
    impossible = np.flatnonzero(keep & (alive > eggs))
    if impossible.size:
        first = int(impossible[0])
        raise Refused(
            f"{impossible.size} of {len(frame)} rows have more survivors than eggs; the first is row {first + 1}"
            f" of the frame with {survived} = {alive[first]:g} and {trials} = {eggs[first]:g}: correct the counts,"
            f" or cap {survived} at {trials} and report the excess."
        )
    empty = keep & (eggs == 0)
    if empty.any():
        left_out[f"no eggs ({trials} is 0)"] = int(empty.sum())
    keep &= ~empty
    if keep.sum() < fewest:
        why = "; ".join(f"{reason}: {count}" for reason, count in left_out.items()) or "none left out"
        raise Refused(
            f"Only {keep.sum()} of the {len(frame)} rows given can be used ({why}), and a model of survival needs"
            f" at least {fewest} tank-seasons: add seasons, or report the counts as they are."
        )
    return Rows(
        frame=as_factors(frame.loc[keep, needed].reset_index(drop=True), covariates),
        survived=alive[keep],
        trials=eggs[keep],
        positions=np.flatnonzero(keep).astype(np.int64),
        given=len(frame),
        left_out=left_out,
    )


def _require_columns(frame: pd.DataFrame, needed: Sequence[str]) -> None:
    names = list(frame.columns)
    for name in needed:
        if name not in names:
            have = ", ".join(map(str, names))
            raise UsageError(f"The frame has no column {name!r}; its columns are {have}: correct the name.")
    for name in needed:
        if names.count(name) > 1:
            raise UsageError(f"The frame has more than one column named {name!r}: rename or drop one.")


def _complete(frame: pd.DataFrame, needed: Sequence[str]) -> tuple[BoolArray, dict[str, int]]:
    """Rows without a missing value; each row left out is counted under its first missing column."""
    keep: BoolArray = np.ones(len(frame), dtype=bool)
    left_out: dict[str, int] = {}
    for name in needed:
        absent = frame[name].isna().to_numpy(dtype=bool) & keep
        if pd.api.types.is_float_dtype(frame[name]):
            absent |= keep & ~np.isfinite(frame[name].to_numpy(dtype=float, na_value=np.nan))
        if absent.any():
            left_out[f"missing {name}"] = int(absent.sum())
            keep &= ~absent
    return keep, left_out


def _counts(frame: pd.DataFrame, name: str, keep: BoolArray) -> FloatArray:
    """A column of counts as floats; nan where the row is not kept."""
    try:
        values = pd.to_numeric(frame[name]).to_numpy(dtype=float, na_value=np.nan)
    except (TypeError, ValueError) as error:
        raise Refused(f"Column {name!r} holds values that are not numbers; it must hold counts.") from error
    values = np.where(keep, values, np.nan)
    kept = values[keep]
    if (kept < 0).any() or (kept != np.round(kept)).any():
        first = int(np.flatnonzero(keep & ((values < 0) | (values != np.round(values))))[0])
        raise Refused(
            f"Column {name!r} holds {values[first]:g} in row {first + 1} of the frame; it must hold whole"
            " counts of eggs or fish, 0 or more: correct the count (a percentage is not a count)."
        )
    return values


def as_factors(frame: pd.DataFrame, covariates: Sequence[str]) -> pd.DataFrame:
    """Booleans and text become factors with only the levels that occur; numbers stay numbers."""
    types = pd.api.types
    for name in covariates:
        column = frame[name]
        objects = list(column) if column.dtype == object else None
        if types.is_bool_dtype(column) or (objects and all(isinstance(one, (bool, np.bool_)) for one in objects)):
            frame[name] = pd.Categorical(column.astype(bool), categories=[False, True])
            frame[name] = frame[name].cat.remove_unused_categories()
        elif objects and all(isinstance(one, Number) for one in objects):  # measurements, not names of levels
            frame[name] = column.astype(float)
        elif isinstance(column.dtype, pd.CategoricalDtype):
            frame[name] = column.cat.remove_unused_categories()
        elif types.is_numeric_dtype(column):  # whole numbers stay whole: C(season) keeps names such as [T.2024]
            frame[name] = column.astype("int64" if types.is_integer_dtype(column) else float)
        elif types.is_datetime64_any_dtype(column):
            raise Refused(
                f"Column {name!r} holds dates; turn it into a number first, for example days since delivery."
            )
        else:
            frame[name] = pd.Categorical(column.astype(str))
    return frame
