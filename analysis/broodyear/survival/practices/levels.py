"""The rows of practices.csv: adjusted survival level by level, the difference from the tanks of all other levels,
combinations, and what a level goes together with, so that nobody reads a difference as its effect alone."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from broodyear.claims import Reason
from broodyear.notes import note
from broodyear.statistics.numbers import FloatArray, critical_values, delta_errors, share_limits, two_sided_p
from broodyear.survival.practices.factors import (
    COUNT_COLUMNS,
    PRACTICES,
    UNKNOWN,
    Factor,
    OutcomeRows,
    code_factor,
    coded,
    in_words,
)
from broodyear.survival.practices.findings import Finding, refusals
from broodyear.survival.practices.model import AdjustedModel
from broodyear.survival.result import Average, average_over_groups

COMBINED = "room_and_gravel"
ROOM, GRAVEL = "room_type", "gravel_practice"
JOINT = " / "
ESTIMATE_COLUMNS = [
    "adjusted_pct", "adjusted_low", "adjusted_high", "difference_points", "difference_low", "difference_high",
    "p_value",
]  # fmt: skip
PRACTICE_COLUMNS = [
    "practice", "level", *PRACTICES, "other_practice", "outcome",
    *COUNT_COLUMNS[1:], *ESTIMATE_COLUMNS, "within_batch_points", "note",
]  # fmt: skip
#: Answers within batches and of all tanks are said to differ when they are this many points apart.
POINTS_APART = 3.0
#: A circumstance is named when its share differs by this many points between a level's tanks and the others.
NOTABLE_POINTS = 25.0
MOST_NAMED = 2
CONTEXT = (
    "room_type", "gravel_practice", "region", "weekend_access", "has_logger", "water_source", "filter_kind",
)  # fmt: skip


def practice_table(
    rows: OutcomeRows,
    model: AdjustedModel | None,
    averages: Mapping[str, Mapping[str, Average]],
    findings: Sequence[Finding],
    refusal: str = "",
) -> pd.DataFrame:
    """PRACTICE_COLUMNS: one row per practice and level as recorded, combinations of room and gravel first.

    findings: of the outcome's contrasts; refusal: why no model was fitted.
    """
    context, tables = _context_of(rows.used), []
    if {ROOM, GRAVEL} <= set(rows.factors):
        room, gravel = (rows.values[name].astype("string") for name in (ROOM, GRAVEL))
        values = room + JOINT + gravel
        both = code_factor(rows.used, COMBINED, values)
        out = {COMBINED: Reason.NOT_CONVERGED} if refusal else {}
        findings = [*findings, *refusals({COMBINED: both}, rows.outcome, out, refusal)]
        parts = both.counts["level"].str.split(JOINT, n=1)
        table = both.counts.assign(practice=COMBINED, together="", **{ROOM: parts.str[0], GRAVEL: parts.str[1]})
        if model is not None and both.is_comparable:
            table = table.join(_combination_estimates(model, both), on="level")
        tables += [table] if len(table) else []
    for name, factor in rows.factors.items():
        level = factor.counts["level"]
        together = level.map(goes_together_with(rows.values[name], {name, PRACTICES[name].column}, context))
        other = "" if name in (ROOM, GRAVEL) else f"{in_words(name)}: " + level
        table = factor.counts.assign(practice=name, other_practice=other, together=together, **{name: level})
        if model is not None and name in averages:
            table = table.join(level_estimates(model, factor, averages[name]), on="level")
            table["within_batch_points"] = level.map(_within_points(model, factor, findings))
        tables.append(table)
    if not tables:
        return pd.DataFrame(columns=PRACTICE_COLUMNS)
    table = pd.concat(tables, ignore_index=True).reindex(columns=[*PRACTICE_COLUMNS, "together"])
    table = table.assign(
        outcome=rows.outcome, **table[[*PRACTICES, "other_practice"]].astype(object).fillna("").astype(str)
    )
    records = table.to_dict("records")
    table["note"] = [_note(row, rows, findings) for row in records]
    return table[PRACTICE_COLUMNS]


def _note(row: Mapping[Any, Any], rows: OutcomeRows, findings: Sequence[Finding]) -> str:
    """The note of a row of practices.csv."""
    name, level, why = row["practice"], row["level"], ""
    if np.isnan(row["difference_points"]):
        of_level = (one for one in findings if one.factor == name and level in (one.level, one.reference))
        own = sorted((one for one in of_level if one.refused), key=lambda one: one.level != level)
        sizes = {"tanks": row["tanks"], "batches": row["batches"]}
        why = replace(own[0], **sizes).note if own else "cannot be told apart from what it goes together with"
    is_apart = abs(row["within_batch_points"] - row["difference_points"]) >= POINTS_APART
    blank = rows.factors[name].blank if name in rows.factors else 0
    return note("practices", "level", row=row, why=why, apart=is_apart, blank=blank)


def level_estimates(model: AdjustedModel, factor: Factor, averages: Mapping[str, Average]) -> pd.DataFrame:
    """ESTIMATE_COLUMNS by level: adjusted survival, and the difference from the tanks of the other levels."""
    own = {level: averages[level] for level in factor.compared if level in averages}
    directions = [model.direction(factor.name, level)[model.columns.kept] for level in own]
    return estimates_of(factor, own, directions, model.fit.joint_covariance, model.fit.degrees_of_freedom_of)


def estimates_of(
    factor: Factor,
    averages: Mapping[str, Average],
    directions: Sequence[FloatArray],
    covariance: FloatArray,
    degrees_of: Callable[[FloatArray], float],
) -> pd.DataFrame:
    """ESTIMATE_COLUMNS from mean survival and its gradient at every level; intervals of levels stay in 0–100.

    directions: each level as a combination of coefficients; degrees_of: of a contrast of these.
    """
    levels = list(averages)
    if len(levels) < 2:
        return pd.DataFrame(np.nan, index=levels, columns=ESTIMATE_COLUMNS)
    survival = np.array([one.survival for one in averages.values()])
    gradient = np.array([one.gradient for one in averages.values()])
    contrast = against_the_rest(factor.tanks_of(levels))
    degrees = np.array([degrees_of(one) for one in contrast @ np.array(directions)])
    points_error = 100.0 * delta_errors(contrast @ gradient, covariance)
    columns = estimate_columns(survival, delta_errors(gradient, covariance), contrast, points_error, degrees)
    return pd.DataFrame(columns, index=pd.Index(levels, name="level"), columns=ESTIMATE_COLUMNS)


def estimate_columns(
    survival: FloatArray,
    error: FloatArray,
    contrast: FloatArray,
    points_error: FloatArray,
    degrees: FloatArray,
    ratio: FloatArray | None = None,
) -> FloatArray:
    """ESTIMATE_COLUMNS of levels, shape (levels, 7).

    survival, error: its mean (0–1) and standard error; contrast: each level against others, points_error of
    it in percentage points, with degrees of freedom; ratio: what the p value is of, where not points over error.
    """
    critical, points = critical_values(degrees), 100.0 * contrast @ survival
    low, high = share_limits(survival, error, critical)
    tested = points / np.maximum(points_error, 1e-12) if ratio is None else ratio
    columns = [
        100.0 * survival, 100.0 * low, 100.0 * high, points, points - critical * points_error,
        points + critical * points_error, two_sided_p(tested, degrees),
    ]  # fmt: skip
    return np.column_stack(columns)


def against_the_rest(tanks: ArrayLike) -> FloatArray:
    """Contrast matrix: each level less the mean of the other levels, weighted by their tanks."""
    own = np.eye(len(np.asarray(tanks)))
    rest = np.asarray(tanks, dtype=float) * (1.0 - own)
    return np.asarray(own - rest / np.maximum(rest.sum(axis=1, keepdims=True), 1e-300), dtype=float)


def _within_points(model: AdjustedModel, factor: Factor, findings: Sequence[Finding]) -> dict[str, float]:
    """Difference of each level from the others by tanks of the same batch; empty unless every level has one."""
    levels, name = factor.compared, factor.name
    shifts = {one.level: one.within.shift for one in findings if one.factor == name and one.within}
    if len(levels) < 2 or not shifts.keys() >= set(levels[1:]):
        return {}
    averages = model.averages_of(name, {level: shifts.get(level, 0.0) for level in levels})
    points = 100.0 * against_the_rest(factor.tanks_of(levels)) @ [averages[level].survival for level in levels]
    return dict(zip(levels, map(float, points), strict=True))


def _combination_estimates(model: AdjustedModel, factor: Factor) -> pd.DataFrame:
    """Every combination of room and gravel: one step from the model, with the combination for its two parts.

    A combination is described, not tested: its parts are in the family.
    """
    columns = model.columns_with(factor, without=(ROOM, GRAVEL))
    matrix, own = columns.kept_matrix, columns.own(COMBINED)
    found = model.working.on(matrix)
    averages, directions = {}, []
    for level in factor.compared:
        direction = columns.along(COMBINED, factor.coding(level))
        if columns.is_estimable(direction):
            kept = direction[columns.kept]
            matrix[:, own] = kept[own]
            means = average_over_groups(matrix @ found.coefficients, model.fit.total_group_sd)
            averages[level] = Average(float(means.survival.mean()), matrix.T @ means.by_log_odds / len(matrix))
            directions.append(kept)
    return estimates_of(factor, averages, directions, found.covariance, found.degrees)


def _context_of(rows: pd.DataFrame) -> dict[tuple[str, str], FloatArray]:
    """Every value of a context column -> whether each row has it, nan where that column is blank."""
    found: dict[tuple[str, str], FloatArray] = {}
    for name in (name for name in CONTEXT if name in rows):
        codes, values = coded(rows[name].astype(object).where(rows[name].notna() & (rows[name] != ""), None))
        marks = np.where((codes == UNKNOWN)[:, None], np.nan, np.eye(len(values) + 1)[codes])
        found |= {(name, value): marks[:, index] for index, value in enumerate(values)}
    return found


def goes_together_with(
    values: pd.Series, hidden: set[str], context: Mapping[tuple[str, str], FloatArray]
) -> dict[str, str]:
    """Per level, what its tanks share more often than the others, in words; empty where nothing stands out.

    values: level per row, None where not recorded; hidden: context columns that are the factor itself.
    """
    codes, levels = coded(values)
    marks, found = np.column_stack([np.zeros(len(values)), *context.values()]), {}
    members = np.eye(len(levels) + 1)[:, :-1][codes].T  # the last row is where UNKNOWN points
    number, of = members @ np.nan_to_num(marks), members @ np.isfinite(marks)
    with np.errstate(invalid="ignore", divide="ignore"):
        own, others = 100.0 * number / of, 100.0 * (number.sum(0) - number) / (of.sum(0) - of)
    for level, own_pct, other_pct in zip(levels, own[:, 1:], others[:, 1:], strict=True):
        most: dict[str, tuple[float, str, float, float]] = {}
        for (column, value), this, that in zip(context, own_pct, other_pct, strict=True):
            is_notable = column not in hidden and this - that >= NOTABLE_POINTS
            if is_notable and (column not in most or this - that > most[column][0]):
                most[column] = this - that, f"{column} {value}".replace("_", " "), this, that
        named = sorted(most.values(), reverse=True)[:MOST_NAMED]
        found[level] = note("practices", "together", shared=[one[1:] for one in named])
    return found
