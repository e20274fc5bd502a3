"""One connected part of the regions: adjusted for batch, and by tanks that share a batch, against each other."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import pandas as pd

from broodyear.claims import Reason
from broodyear.statistics.numbers import FloatArray, critical_values, delta_errors, expit, two_sided_p
from broodyear.survival.practices.coding import (
    Factor,
    batch_factor,
    code_factor,
    level_counts,
    separated_rows,
)
from broodyear.survival.practices.findings import batch_means
from broodyear.survival.practices.levels import ESTIMATE_COLUMNS, against_the_rest, level_estimates
from broodyear.survival.practices.model import AdjustedModel, build_columns, fit_adjusted

REGION = "region"
WITHIN_COLUMNS = [
    "within_batch_pct", "within_batch_low", "within_batch_high", "within_batch_points", "within_batch_points_low",
    "within_batch_points_high", "within_batch_p_value",
]  # fmt: skip
PART_COLUMNS = [*ESTIMATE_COLUMNS, *WITHIN_COLUMNS, "within_method", "silence_undoes", "refused", "why"]


class WithinMethod(StrEnum):
    """How batches were held fixed: by their regional shares, or, where those cannot be fitted, each by itself."""

    BATCH_SHARES = "batch_shares"
    BATCH_FIXED = "batch_fixed"


@dataclass(frozen=True, eq=False)
class WithinBatches:
    """Regions within batches on the logit scale, the first region of the factor at zero.

    log_odds, covariance: of the regions in the order given, the reference first; shift: of the log-odds from the
    answer of all tanks; degrees: of a contrast of these.
    """

    log_odds: FloatArray
    shift: FloatArray
    covariance: FloatArray
    degrees: Callable[[FloatArray], float]
    method: WithinMethod


@dataclass(frozen=True, eq=False)
class RegionPart:
    """table: PART_COLUMNS by region (refused: the reason of a region without an answer, why: the model's own
    sentence); regions: those with a within-batch answer; correlation: of their differences from the others;
    mean_share: survival at their middle (0–1)."""

    table: pd.DataFrame
    regions: tuple[str, ...] = ()
    within: WithinBatches | None = None
    correlation: FloatArray | None = None
    mean_share: float = np.nan


def blank_table(members: list[str], reason: str, why: str = "") -> pd.DataFrame:
    """PART_COLUMNS by region, without any estimate."""
    table = pd.DataFrame(np.nan, index=pd.Index(members, name=REGION), columns=PART_COLUMNS)
    return table.assign(refused=reason, why=why, silence_undoes=False, within_method="")


def fit_part(used: pd.DataFrame, given: pd.DataFrame) -> RegionPart:
    """Adjusted and within-batch answers of regions that share batches; used: rows with a count, given: all."""
    rows = used[~separated_rows(used, used[REGION])].reset_index(drop=True)
    factor = code_factor(rows, REGION, rows[REGION], level_counts(used, used[REGION]), fewest_batches=1)
    table = blank_table(sorted(used[REGION].unique()), "")
    table["refused"] = [str(factor.refused.get(region, "")) for region in table.index]
    if not factor.is_comparable:
        table.loc[list(factor.compared), "refused"] = str(Reason.ONE_LEVEL)
        return RegionPart(table)
    model = fit_adjusted(rows, [factor])
    told = model.told_levels(REGION)
    regions = [region for region in factor.compared if region in told]
    lost = [region for region in factor.compared if region not in told or len(regions) < 2]
    table.loc[lost, "refused"] = str(Reason.CONFOUNDED)
    if len(regions) < 2:
        return RegionPart(table)
    estimates = level_estimates(model, factor, model.averages_of(REGION))
    table.loc[regions, ESTIMATE_COLUMNS] = estimates.loc[regions]
    within = within_answer(model, regions)
    table.loc[regions, "within_method"] = str(within.method)
    against = against_the_rest(factor.tanks_of(regions))
    table.loc[regions, WITHIN_COLUMNS], shares = _within_columns(model, factor, regions, within, against)
    table.loc[regions, "silence_undoes"] = _undone(table.loc[regions, "within_batch_points"], shares, given)
    joint = against @ within.covariance @ against.T
    size = np.sqrt(np.diag(joint))
    return RegionPart(table, tuple(regions), within, joint / np.outer(size, size), float(np.mean(shares)))


def within_answer(model: AdjustedModel, regions: list[str]) -> WithinBatches:
    """The within-batch answer of a model with the factor region, for regions whose difference can be told.

    Batch shares of regions beside the regions leave these to comparisons within batches (Mundlak 1978, doi
    10.2307/1913646). With few batches the shares cannot be told apart from the rest, and every batch has its own
    intercept instead; its answer is the same kind of comparison, with fewer degrees of freedom.
    """
    factor, plain, kept = model.factors[REGION], model.working.plain, model.columns.kept
    wider, method = plain, WithinMethod.BATCH_FIXED
    if "batch_id" in model.groups:
        shares = model.working.with_columns(batch_means(model.rows["batch_id"], factor.columns))
        method = WithinMethod.BATCH_FIXED if shares is None else WithinMethod.BATCH_SHARES
        wider = shares or model.working.with_columns(_batch_columns(model)) or plain
    size = len(plain.coefficients)
    rows = np.zeros((len(regions), len(wider.coefficients)))
    rows[:, :size] = [model.columns.along(REGION, factor.coding(region))[kept] for region in regions]
    shift = wider.coefficients[:size] - plain.coefficients
    return WithinBatches(
        log_odds=rows[:, :size] @ (model.fit.coefficients + shift),
        shift=rows[:, :size] @ shift,
        covariance=rows @ wider.covariance @ rows.T,
        degrees=lambda contrast: wider.degrees(contrast @ rows),
        method=method,
    )


def _batch_columns(model: AdjustedModel) -> FloatArray:
    """Columns of single batches that the model's own columns do not make up."""
    factors = [*model.adjusters.values(), *model.factors.values(), batch_factor(model.rows["batch_id"])]
    columns = build_columns(len(model.rows), factors, model.numbers)
    return columns.kept_matrix[:, columns.own("batch_id")]


def _within_columns(
    model: AdjustedModel, factor: Factor, regions: list[str], within: WithinBatches, against: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """WITHIN_COLUMNS, and the regions' survival within batches; against: contrasts of the regions."""
    tanks, covariance = factor.tanks_of(regions), within.covariance
    weight = tanks / tanks.sum()
    moved = within.shift - weight @ within.shift
    means = [model.average_at(REGION, region, float(by)) for region, by in zip(regions, moved, strict=True)]
    share = np.array([one.share for one in means])
    slope = np.array([one.gradient[len(one.gradient) - len(model.columns.kept)] for one in means])
    centring = np.eye(len(regions)) - weight
    points = 100.0 * against @ share
    error = 100.0 * delta_errors(against @ (slope[:, None] * centring), covariance)
    degrees = np.array([within.degrees(one) for one in against])
    reach = critical_values(degrees)
    ratio = (against @ within.log_odds) / delta_errors(against, covariance)
    inner = np.log(share / (1.0 - share))
    # The middle of all regions (logit) has an error of its own, which no batch can compare with anything.
    middle = delta_errors(model.fit.design.matrix.mean(axis=0), model.fit.covariance.to_numpy(dtype=float))
    level_error = np.hypot(delta_errors(centring, covariance), middle)
    columns = [
        100.0 * share, 100.0 * expit(inner - reach * level_error), 100.0 * expit(inner + reach * level_error),
        points, points - reach * error, points + reach * error, two_sided_p(ratio, degrees),
    ]  # fmt: skip
    return np.column_stack(columns), share


def _undone(points: pd.Series, shares: FloatArray, given: pd.DataFrame) -> FloatArray:
    """Whether a difference would turn, had every silent tank lost all its fish; points, shares: by region."""
    silent = (~given["is_used"] & given["survivors"].isna()).groupby(given[REGION]).mean().reindex(points.index)
    tanks = given[REGION].value_counts().reindex(points.index).to_numpy(dtype=float)
    lost = 100.0 * against_the_rest(tanks) @ (shares * (1.0 - silent.to_numpy(dtype=float)))
    return np.asarray(points.to_numpy(dtype=float) * lost <= 0.0)
