"""Practices level by level: adjusted survival, the difference from the tanks of all other levels, combinations,
and what a level goes together with, so that nobody reads a difference as its effect alone."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from broodyear.claims import Reason
from broodyear.statistics.numbers import (
    FloatArray,
    IntArray,
    critical_values,
    delta_errors,
    share_limits,
    two_sided_p,
)
from broodyear.survival.averaging import Average, Held, average_over_groups
from broodyear.survival.mixed.system import inverse_times
from broodyear.survival.practices.factors import (
    COUNT_COLUMNS,
    UNKNOWN,
    Factor,
    OutcomeRows,
    code_factor,
    coded,
    level_counts,
    practice_named,
)
from broodyear.survival.practices.findings import Within
from broodyear.survival.practices.model import AdjustedModel, build_columns

COMBINED = "room_and_gravel"
ROOM, GRAVEL = "room_type", "gravel_practice"
JOINT = " / "
ESTIMATE_COLUMNS = [
    "adjusted_pct", "adjusted_low", "adjusted_high", "difference_points", "difference_low", "difference_high",
    "p_value",
]  # fmt: skip
LEVEL_COLUMNS = ["practice", *COUNT_COLUMNS, *ESTIMATE_COLUMNS, "within_batch_points", "reason", "together"]
#: A circumstance is named when its share differs by this many points between a level's tanks and the others.
NOTABLE_POINTS = 25.0
MOST_NAMED = 2
CONTEXT = (
    "room_type", "gravel_practice", "region", "weekend_access", "has_logger", "water_source", "filter_kind",
)  # fmt: skip


def practice_rows(
    rows: OutcomeRows,
    model: AdjustedModel | None,
    averages: Mapping[str, Mapping[str, Average]],
    within: Mapping[tuple[str, str], Within],
) -> pd.DataFrame:
    """LEVEL_COLUMNS: one row per practice and level as recorded, combinations of room and gravel first.

    reason: of a level without an estimate, else blank; together: what its tanks share more often than the others.
    """
    parts, context = [], context_of(rows.used)
    if {ROOM, GRAVEL} <= set(rows.factors):
        values = combined(rows.used)
        both = code_factor(rows.used, COMBINED, values, level_counts(rows.used, values))
        found = _combination_estimates(model, both) if model is not None and both.is_comparable else None
        parts.append(_table(rows, both, found))
    for name, factor in rows.factors.items():
        known = model is not None and name in averages
        table = _table(rows, factor, level_estimates(model, factor, averages[name]) if model and known else None)
        if model and known:
            table["within_batch_points"] = table["level"].map(_within_points(model, factor, within))
        together = goes_together_with(name, rows.values[name], practice_named(name).column, context)
        table["together"] = [together.get(str(level), "") for level in table["level"]]
        parts.append(table)
    filled = [part for part in parts if len(part)]
    return pd.concat(filled, ignore_index=True)[LEVEL_COLUMNS] if filled else pd.DataFrame(columns=LEVEL_COLUMNS)


def _table(rows: OutcomeRows, factor: Factor, estimates: pd.DataFrame | None) -> pd.DataFrame:
    """LEVEL_COLUMNS of one factor, but for what is found within batches and what it goes together with."""
    blank = dict.fromkeys([*ESTIMATE_COLUMNS, "within_batch_points"], np.nan)
    table = factor.counts.assign(practice=factor.name, **blank, together="")
    if estimates is not None:
        table[ESTIMATE_COLUMNS] = estimates.reindex(table["level"]).to_numpy()
    other = "" if factor.is_comparable else str(Reason.ONE_LEVEL)
    other = str(Reason.TOO_FEW_TANKS) if factor.name in rows.waiting else other
    table["reason"] = [str(factor.refused.get(level, other)) for level in table["level"]]
    return table


def level_estimates(model: AdjustedModel, factor: Factor, averages: Mapping[str, Average]) -> pd.DataFrame:
    """ESTIMATE_COLUMNS by level: adjusted survival, and the difference from the tanks of the other levels."""
    shares = {level: averages[level] for level in factor.compared if level in averages}
    directions = [model.direction(factor.name, level)[model.columns.kept] for level in shares]
    return estimates_of(factor, shares, directions, model.fit.joint_covariance, model.fit.degrees_of_freedom_of)


def estimates_of(
    factor: Factor,
    shares: Mapping[str, Average],
    directions: Sequence[FloatArray],
    covariance: FloatArray,
    degrees_of: Callable[[FloatArray], float],
) -> pd.DataFrame:
    """ESTIMATE_COLUMNS from mean survival and its gradient at every level; intervals of levels stay in 0–100.

    directions: each level as a combination of coefficients; degrees_of: of a contrast of these.
    """
    levels = list(shares)
    if len(levels) < 2:
        return pd.DataFrame(np.nan, index=levels, columns=ESTIMATE_COLUMNS)
    share, gradient = (np.array([getattr(one, name) for one in shares.values()]) for name in ("share", "gradient"))
    contrast = against_the_rest(factor.tanks_of(levels))
    degrees = np.array([degrees_of(one) for one in contrast @ np.array(directions)])
    reach = critical_values(degrees)
    low, high = share_limits(share, delta_errors(gradient, covariance), reach)
    points, error = 100.0 * contrast @ share, 100.0 * delta_errors(contrast @ gradient, covariance)
    columns = [
        100.0 * share, 100.0 * low, 100.0 * high, points, points - reach * error, points + reach * error,
        two_sided_p(points / np.maximum(error, 1e-12), degrees),
    ]  # fmt: skip
    return pd.DataFrame(np.column_stack(columns), index=pd.Index(levels, name="level"), columns=ESTIMATE_COLUMNS)


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
    levels, name = factor.compared, factor.name
    if len(levels) < 2 or any((name, level) not in within for level in levels[1:]):
        return {}
    shifts = [0.0, *(within[name, level].shift for level in levels[1:])]
    shares = [model.average_at(name, *one).share for one in zip(levels, shifts, strict=True)]
    points = 100.0 * against_the_rest(factor.tanks_of(levels)) @ np.array(shares)
    return dict(zip(levels, map(float, points), strict=True))


def combined(rows: pd.DataFrame) -> pd.Series:
    """Room type and gravel practice as one level; None unless both are recorded."""
    both = rows[ROOM].notna() & rows[GRAVEL].notna() & (rows[ROOM] != "") & (rows[GRAVEL] != "")
    return (rows[ROOM].astype(str) + JOINT + rows[GRAVEL].astype(str)).where(both, None)


def _combination_estimates(model: AdjustedModel, factor: Factor) -> pd.DataFrame:
    """Every combination of room and gravel: one step from the model, with the combination for its two parts.

    A combination is described, not tested: its parts are in the family.
    """
    others = [one for name, one in model.factors.items() if name not in (ROOM, GRAVEL)]
    columns = build_columns(len(model.rows), [*model.adjusters.values(), *others, factor], model.numbers)
    matrix, own = columns.kept_matrix, columns.own(COMBINED)
    found = model.working.estimates(matrix, inverse_times(model.working.factor, matrix))
    shares, directions = {}, []
    for level in factor.compared:
        direction = columns.along(COMBINED, factor.coding(level))
        if columns.is_estimable(direction):
            kept = direction[columns.kept]
            held = Held(own, kept[own])
            means = average_over_groups(held.times(matrix, found.coefficients), model.fit.total_group_sd)
            gradient = held.sums(matrix, means.by_log_odds) / len(matrix)
            shares[level] = Average(float(means.share.mean()), gradient)
            directions.append(kept)
    return estimates_of(factor, shares, directions, found.covariance, found.degrees)


def context_of(rows: pd.DataFrame) -> dict[str, tuple[IntArray, list[str]]]:
    """Context column -> the place of each row's value among all (−1 where blank), and these."""
    values = {name: rows[name].astype(object) for name in CONTEXT if name in rows}
    return {name: coded(one.where(one.notna() & (one != ""), None)) for name, one in values.items()}


def goes_together_with(
    factor: str, values: pd.Series, hidden: str, context: Mapping[str, tuple[IntArray, list[str]]]
) -> dict[str, str]:
    """Per level, what its tanks share more often than the others, in words; empty where nothing stands out.

    values: level per row, None where not recorded; hidden: the column that the factor is made from;
    context: of `context_of`.
    """
    codes, levels = coded(values)
    found: dict[str, list[tuple[float, str]]] = {name: [] for name in levels}
    for column, (other, names) in context.items():
        known = (codes != UNKNOWN) & (other != UNKNOWN)
        seen = np.unique(other[known])
        if column in (factor, hidden) or len(seen) < 2:
            continue
        counts = np.bincount(codes[known] * len(names) + other[known], minlength=len(levels) * len(names))
        table = counts.reshape(len(levels), len(names))[:, seen].astype(float)
        for level, own in zip(levels, table, strict=True):
            others = table.sum(axis=0) - own
            if not own.sum() or not others.sum():
                continue
            own_pct, other_pct = 100.0 * own / own.sum(), 100.0 * others / others.sum()
            most = int(np.argmax(own_pct - other_pct))
            if own_pct[most] - other_pct[most] >= NOTABLE_POINTS:
                words = f"{column} {names[seen[most]]}".replace("_", " ")
                said = f"{words} in {own_pct[most]:.0f} % of these tanks, {other_pct[most]:.0f} % of others"
                found[level].append((float(own_pct[most] - other_pct[most]), said))
    named = {name: [said for _, said in sorted(those, reverse=True)[:MOST_NAMED]] for name, those in found.items()}
    return {name: "goes together with " + "; ".join(said) if said else "" for name, said in named.items()}
