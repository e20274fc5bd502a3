"""The design matrix of a formula, and what must hold before a model may be fitted to it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from broodyear.errors import Refused, UsageError
from broodyear.statistics.numbers import FloatArray, IntArray
from broodyear.survival.design.rows import FEWEST_ROWS, Rows, formula_columns, usable_rows

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
        matrix = self.model_spec.get_model_matrix(frame)
        return np.ascontiguousarray(matrix.to_numpy(dtype=float))

    def grouping(self, name: str) -> Grouping:
        """The grouping column of this name; raises UsageError when the fit has none."""
        for grouping in self.groupings:
            if grouping.name == name:
                return grouping
        have = ", ".join(g.name for g in self.groupings) or "none"
        raise UsageError(f"The fit has no group {name!r}; its groups are: {have}.")


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
    fewest = FEWEST_ROWS if spare_rows else 1
    rows = usable_rows(frame, formula, survived, trials, groups, fewest=fewest)
    covariates = formula_columns(formula, frame)
    _require_varying(rows, covariates)
    matrix = _model_matrix(formula, rows.frame)
    terms = tuple(map(str, matrix.columns))
    if not terms:
        raise UsageError(f"The formula {formula!r} has no term at all: write '1' for an overall survival.")
    values = np.ascontiguousarray(matrix.to_numpy(dtype=float))
    _require_rows_for(terms, rows, spare_rows)
    _require_independent(values, terms)
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


def _require_varying(rows: Rows, covariates: Sequence[str]) -> None:
    for name in covariates:
        column = rows.frame[name]
        if column.nunique() > 1:
            continue
        raise Refused(
            f"Column {name!r} is {column.iloc[0]} in all {rows.used} rows used, so it can have no effect to"
            " estimate: take it out of the formula, or add rows with another value."
        )


def _require_rows_for(terms: Sequence[str], rows: Rows, spare_rows: int) -> None:
    needed = len(terms) + spare_rows
    if rows.used < needed:
        raise Refused(
            f"The formula asks for {len(terms)} coefficients ({', '.join(terms)}), but only {rows.used} rows"
            f" can be used; at least {needed} are needed: take terms out, merge levels, or add rows."
        )


def _require_independent(matrix: FloatArray, terms: Sequence[str]) -> None:
    """Refuse a column that is an exact combination of the columns before it, and name both."""
    kept, _ = aliases(matrix, ALIAS_TOLERANCE)
    for place in np.setdiff1d(np.arange(len(terms)), kept)[:1]:
        raise Refused(_alias_message(matrix, terms, int(place)))


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
