"""One connected part of the regions: adjusted for batch, and within batches, against each other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from broodyear.claims import Reason
from broodyear.regions.within import REGION, WithinBatches, within_answer
from broodyear.statistics.numbers import FloatArray, critical_values, delta_errors, expit, two_sided_p
from broodyear.survival.practices.coding import Factor, code_factor, level_counts, separated_rows
from broodyear.survival.practices.contrasts import averages_of
from broodyear.survival.practices.levels import ESTIMATE_COLUMNS, against_the_rest, level_estimates
from broodyear.survival.practices.model import AdjustedModel, fit_adjusted

WITHIN_COLUMNS = [
    "within_batch_pct", "within_batch_low", "within_batch_high", "within_batch_points", "within_batch_points_low",
    "within_batch_points_high", "within_batch_p_value",
]  # fmt: skip
PART_COLUMNS = [*ESTIMATE_COLUMNS, *WITHIN_COLUMNS, "within_method", "silence_undoes", "refused", "why"]


@dataclass(frozen=True, eq=False)
class RegionPart:
    """table: region and PART_COLUMNS (refused: the reason of a region without an answer, why: the model's own
    sentence); regions: those with a within-batch answer; correlation: of their differences from the others;
    mean_share: survival at their middle (0–1)."""

    table: pd.DataFrame
    regions: tuple[str, ...]
    within: WithinBatches | None
    correlation: FloatArray
    mean_share: float

    @classmethod
    def refused(cls, members: list[str], why: str) -> RegionPart:
        """A part without any estimate."""
        table = _blank(members, Reason.NOT_CONVERGED, why)
        return cls(table, (), None, np.zeros((0, 0)), np.nan)


def _blank(members: list[str], reason: Reason | None, why: str = "") -> pd.DataFrame:
    table = pd.DataFrame({"region": members}).reindex(columns=["region", *PART_COLUMNS])
    return table.assign(
        refused="" if reason is None else str(reason), why=why, silence_undoes=False, within_method=""
    )


def fit_part(used: pd.DataFrame, given: pd.DataFrame) -> RegionPart:
    """Adjusted and within-batch answers of regions that share batches; used: rows with a count, given: all."""
    counts = level_counts(used, used[REGION])
    rows = used[~separated_rows(used, used[REGION])].reset_index(drop=True)
    factor = code_factor(rows, REGION, rows[REGION], counts, fewest_batches=1)
    table = _blank(sorted(used[REGION].unique()), None).set_index("region")
    for region, reason in factor.refused.items():
        table.loc[region, "refused"] = str(reason)
    if not factor.is_comparable:
        table.loc[list(factor.compared), "refused"] = str(Reason.ONE_LEVEL)
        return RegionPart(table.reset_index(), (), None, np.zeros((0, 0)), np.nan)
    model = fit_adjusted(rows, [factor])
    regions = [
        region
        for region in factor.compared
        if model.columns.is_estimable(model.direction(REGION, region, factor.reference))
    ]
    table.loc[[region for region in factor.compared if region not in regions], "refused"] = str(Reason.CONFOUNDED)
    if len(regions) < 2:
        table.loc[regions, "refused"] = str(Reason.CONFOUNDED)
        return RegionPart(table.reset_index(), (), None, np.zeros((0, 0)), np.nan)
    averages = averages_of(model, REGION)
    table.loc[regions, ESTIMATE_COLUMNS] = level_estimates(model, factor, averages).loc[regions]
    within = within_answer(model, regions)
    table.loc[regions, "within_method"] = str(within.method)
    correlation, shares = _fill_within(table, model, factor, regions, within)
    table["silence_undoes"] = _undone(table, regions, shares, given)
    return RegionPart(table.reset_index(), tuple(regions), within, correlation, float(np.mean(shares)))


def _fill_within(
    table: pd.DataFrame, model: AdjustedModel, factor: Factor, regions: list[str], within: WithinBatches
) -> tuple[FloatArray, FloatArray]:
    """Write WITHIN_COLUMNS; returns the correlation of the differences and the regions' survival within
    batches."""
    places = [factor.levels.index(region) for region in regions]
    tanks = np.array([(factor.codes == place).sum() for place in places], dtype=float)
    weight = tanks / tanks.sum()
    log_odds, covariance = within.log_odds, within.covariance
    adjusted = factor.dummies[places] @ model.spread_out(model.fit.coefficients)[model.columns.places[REGION]]
    shift = log_odds - adjusted
    rows = model.comparable_rows(REGION)
    moved = shift - weight @ shift
    means = [model.average_at(REGION, region, rows, float(by)) for region, by in zip(regions, moved, strict=True)]
    share = np.array([one.share for one in means])
    slope = np.array([one.gradient[len(one.gradient) - len(model.columns.kept)] for one in means])
    against = against_the_rest(tanks)
    centring = np.eye(len(regions)) - weight
    gradient = against @ (slope[:, None] * centring)
    points, error = 100.0 * against @ share, 100.0 * delta_errors(gradient, covariance)
    degrees = np.array([within.degrees(one) for one in against])
    reach = critical_values(degrees)
    ratio = (against @ log_odds) / delta_errors(against, covariance)
    inner = np.log(share / (1.0 - share))
    level_error = np.hypot(delta_errors(centring, covariance), _middle_error(model))
    table.loc[regions, WITHIN_COLUMNS] = np.column_stack(
        [
            100.0 * share, 100.0 * expit(inner - reach * level_error), 100.0 * expit(inner + reach * level_error),
            points, points - reach * error, points + reach * error,
            two_sided_p(ratio, degrees),
        ]
    )  # fmt: skip
    joint = against @ covariance @ against.T
    size = np.sqrt(np.diag(joint))
    return joint / np.outer(size, size), share


def _middle_error(model: AdjustedModel) -> float:
    """Error of the middle of all regions (logit), which no batch can compare with anything."""
    middle = model.fit.design.matrix.mean(axis=0)
    return float(delta_errors(middle, model.fit.covariance.to_numpy(dtype=float)))


def _undone(table: pd.DataFrame, regions: list[str], shares: FloatArray, given: pd.DataFrame) -> pd.Series:
    """Whether a difference would turn, had every silent tank lost all its fish."""
    silent = (~given["is_used"] & given["survivors"].isna()).groupby(given[REGION]).mean().reindex(regions)
    tanks = given[REGION].value_counts().reindex(regions).to_numpy(dtype=float)
    lost = 100.0 * against_the_rest(tanks) @ (shares * (1.0 - silent.to_numpy(dtype=float)))
    points = table.loc[regions, "within_batch_points"].to_numpy(dtype=float)
    undone = pd.Series(points * lost <= 0.0, index=regions)
    return undone.reindex(table.index, fill_value=False)
