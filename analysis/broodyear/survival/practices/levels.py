"""Practices level by level: adjusted survival, the difference from the tanks of all other levels, combinations."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from broodyear.claims import Reason
from broodyear.statistics.numbers import FloatArray, critical_values, delta_errors, share_limits, two_sided_p
from broodyear.survival.averaging import Average, Held, average_over_groups
from broodyear.survival.mixed.system import inverse_times
from broodyear.survival.practices.coding import COUNT_COLUMNS, Factor, code_factor, level_counts
from broodyear.survival.practices.columns import build_columns
from broodyear.survival.practices.factors import practice_named
from broodyear.survival.practices.model import AdjustedModel
from broodyear.survival.practices.outcome_rows import OutcomeRows
from broodyear.survival.practices.together import context_of, goes_together_with
from broodyear.survival.practices.within import Within

COMBINED = "room_and_gravel"
ROOM, GRAVEL = "room_type", "gravel_practice"
JOINT = " / "
ESTIMATE_COLUMNS = [
    "adjusted_pct", "adjusted_low", "adjusted_high", "difference_points", "difference_low", "difference_high",
    "p_value",
]  # fmt: skip
LEVEL_COLUMNS = ["practice", *COUNT_COLUMNS, *ESTIMATE_COLUMNS, "within_batch_points", "reason", "together"]


def practice_rows(
    rows: OutcomeRows,
    model: AdjustedModel | None,
    averages: Mapping[str, Mapping[str, Average]],
    within: Mapping[tuple[str, str], Within],
) -> pd.DataFrame:
    """LEVEL_COLUMNS: one row per practice and level as recorded, combinations of room and gravel first.

    reason: of a level without an estimate, else blank; together: what its tanks share more often than the others.
    """
    parts, context = [_combinations(rows, model)], context_of(rows.used)
    for name, factor in rows.factors.items():
        table = factor.counts.assign(practice=name, **dict.fromkeys(ESTIMATE_COLUMNS, np.nan))
        table["within_batch_points"] = np.nan
        if model is not None and name in averages:
            _fill(table, level_estimates(model, factor, averages[name]))
            table["within_batch_points"] = table["level"].map(_within_points(model, factor, within))
        table["reason"] = [_reason(rows, factor, str(level)) for level in table["level"]]
        together = goes_together_with(name, rows.values[name], practice_named(name).columns, context)
        table["together"] = [together.get(str(level), "") for level in table["level"]]
        parts.append(table)
    filled = [part for part in parts if len(part)]
    return pd.concat(filled, ignore_index=True)[LEVEL_COLUMNS] if filled else pd.DataFrame(columns=LEVEL_COLUMNS)


def _fill(table: pd.DataFrame, estimates: pd.DataFrame) -> None:
    table[ESTIMATE_COLUMNS] = estimates.reindex(table["level"]).to_numpy()


def _reason(rows: OutcomeRows, factor: Factor, level: str) -> str:
    if level in factor.refused:
        return str(factor.refused[level])
    if factor.name in rows.waiting:
        return str(Reason.TOO_FEW_TANKS)
    return "" if factor.is_comparable else str(Reason.ONE_LEVEL)


def level_estimates(model: AdjustedModel, factor: Factor, averages: Mapping[str, Average]) -> pd.DataFrame:
    """ESTIMATE_COLUMNS by level: adjusted survival, and the difference from the tanks of the other levels."""
    levels = [level for level in factor.compared if level in averages]
    shares = [averages[level] for level in levels]
    tanks = [int((factor.codes == factor.levels.index(level)).sum()) for level in levels]
    directions = np.array([model.direction(factor.name, level, factor.reference) for level in levels])
    against = against_the_rest(tanks) @ directions[:, model.columns.kept] if levels else directions
    degrees = [model.fit.degrees_of_freedom_of(one) for one in against]
    return estimates_of(levels, shares, tanks, model.fit.joint_covariance, np.array(degrees))


def estimates_of(
    levels: list[str], shares: list[Average], tanks: list[int], covariance: FloatArray, degrees: FloatArray
) -> pd.DataFrame:
    """ESTIMATE_COLUMNS from mean survival and its gradient at every level; intervals of levels stay in 0–100."""
    if len(levels) < 2:
        return pd.DataFrame(np.nan, index=levels, columns=ESTIMATE_COLUMNS)
    share, gradient = np.array([one.share for one in shares]), np.array([one.gradient for one in shares])
    contrast = against_the_rest(tanks)
    reach = critical_values(degrees)
    low, high = share_limits(share, delta_errors(gradient, covariance), reach)
    points, error = 100.0 * contrast @ share, 100.0 * delta_errors(contrast @ gradient, covariance)
    return pd.DataFrame(
        {
            "adjusted_pct": 100.0 * share,
            "adjusted_low": 100.0 * low,
            "adjusted_high": 100.0 * high,
            "difference_points": points,
            "difference_low": points - reach * error,
            "difference_high": points + reach * error,
            "p_value": two_sided_p(points / np.maximum(error, 1e-12), degrees),
        },
        index=pd.Index(levels, name="level"),
    )


def against_the_rest(tanks: ArrayLike) -> FloatArray:
    """Contrast matrix: each level less the mean of the other levels, weighted by their tanks."""
    number = np.asarray(tanks, dtype=float)
    rest = np.tile(number, (len(number), 1))
    np.fill_diagonal(rest, 0.0)
    return np.asarray(
        np.eye(len(number)) - rest / np.maximum(rest.sum(axis=1, keepdims=True), 1e-300), dtype=float
    )


def _within_points(
    model: AdjustedModel, factor: Factor, within: Mapping[tuple[str, str], Within]
) -> dict[str, float]:
    """Difference of each level from the others by tanks of the same batch; empty unless every level has one."""
    levels = [level for level in factor.compared if level == factor.reference or (factor.name, level) in within]
    if len(levels) < max(len(factor.compared), 2):
        return {}
    rows, shares = model.comparable_rows(factor.name), []
    for level in levels:
        shift = within[factor.name, level].shift if level != factor.reference else 0.0
        shares.append(model.average_at(factor.name, level, rows, shift).share)
    tanks = [int((factor.codes == factor.levels.index(level)).sum()) for level in levels]
    return dict(zip(levels, map(float, 100.0 * against_the_rest(tanks) @ np.array(shares)), strict=True))


def combined(rows: pd.DataFrame) -> pd.Series:
    """Room type and gravel practice as one level; None unless both are recorded."""
    both = rows[ROOM].notna() & rows[GRAVEL].notna() & (rows[ROOM] != "") & (rows[GRAVEL] != "")
    return (rows[ROOM].astype(str) + JOINT + rows[GRAVEL].astype(str)).where(both, None)


def _combinations(rows: OutcomeRows, model: AdjustedModel | None) -> pd.DataFrame:
    """Every combination of room and gravel: one step from the model, with the combination for its two parts.

    A combination is described, not tested: its parts are in the family.
    """
    if not {ROOM, GRAVEL} <= set(rows.factors):
        return pd.DataFrame(columns=LEVEL_COLUMNS)
    values = combined(rows.used)
    counts = level_counts(rows.used, values)
    factor = code_factor(rows.used, COMBINED, values, counts)
    table = counts.assign(practice=COMBINED, **dict.fromkeys(ESTIMATE_COLUMNS, np.nan), within_batch_points=np.nan)
    if model is not None and factor.is_comparable:
        _fill(table, _combination_estimates(model, factor))
    table["reason"] = [_reason(rows, factor, str(level)) for level in table["level"]]
    table["together"] = ""
    return table


def _combination_estimates(model: AdjustedModel, factor: Factor) -> pd.DataFrame:
    others = [one for name, one in model.factors.items() if name not in (ROOM, GRAVEL)]
    columns = build_columns(len(model.rows), [*model.adjusters.values(), *others, factor], model.numbers)
    matrix = np.ascontiguousarray(columns.matrix[:, columns.kept])
    found = model.working.estimates(matrix, inverse_times(model.working.factor, matrix))
    span, own = columns.places[COMBINED], columns.own(COMBINED)
    levels, shares, directions = [], [], []
    for level in factor.compared:
        dummies = np.zeros(columns.matrix.shape[1])
        dummies[span] = factor.dummies[factor.levels.index(level)]
        if not columns.is_estimable(dummies):
            continue
        held = Held(own, dummies[columns.kept][own])
        means = average_over_groups(held.times(matrix, found.coefficients), model.fit.total_group_sd)
        levels.append(level)
        shares.append(Average(float(means.share.mean()), held.sums(matrix, means.by_log_odds) / len(matrix)))
        directions.append(dummies[columns.kept])
    tanks = [int((factor.codes == factor.levels.index(level)).sum()) for level in levels]
    degrees = [found.degrees(one) for one in against_the_rest(tanks) @ np.array(directions)] if levels else []
    return estimates_of(levels, shares, tanks, found.covariance, np.array(degrees))
