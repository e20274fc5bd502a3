"""Which regions ever shared a batch, and what tanks that share one say of each connected part of them: region by
region, batch by batch, and how much regions differ beyond chance.

Variance and prediction after Higgins JPT, Thompson SG, Spiegelhalter DJ (2009) A re-evaluation of random-effects
meta-analysis. Journal of the Royal Statistical Society A 172:137-159, doi:10.1111/j.1467-985X.2008.00552.x.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from broodyear.claims import Reason
from broodyear.errors import BroodyearError
from broodyear.notes import note
from broodyear.statistics.crossed import Precision
from broodyear.statistics.numbers import FloatArray, connected_parts, delta_errors
from broodyear.survival.practices.batches import batches_compared
from broodyear.survival.practices.factors import Factor, batch_factor, code_factor, level_counts, separated_rows
from broodyear.survival.practices.findings import batch_means, correlation_between, without_one_tank
from broodyear.survival.practices.levels import (
    ESTIMATE_COLUMNS,
    against_the_rest,
    estimate_columns,
    level_estimates,
)
from broodyear.survival.practices.model import AdjustedModel, fit_adjusted
from broodyear.survival.result import average_over_groups

REGION = "region"
GRAPH_COLUMNS = ["region", "batch_id", "season", "tanks", "eggs", "shared", "part"]
WITHIN_COLUMNS = [
    "within_batch_pct", "within_batch_low", "within_batch_high", "within_batch_points", "within_batch_points_low",
    "within_batch_points_high", "within_batch_p_value",
]  # fmt: skip
#: Without which tank a region has least to show, and its p value then.
WITHOUT_ONE = ["p_without_one_tank", "most_telling_tank"]
PART_COLUMNS = [
    *ESTIMATE_COLUMNS, *WITHIN_COLUMNS, *WITHOUT_ONE, "within_method", "silence_undoes", "refused", "why",
]  # fmt: skip
HETEROGENEITY_COLUMNS = [
    "outcome", "regions", "tau_log_odds", "tau_points", "i_squared_pct", "q", "p_value", "prediction_low_pct",
    "prediction_high_pct", "within_method",
]  # fmt: skip
#: With fewer regions nothing is said about where another would lie.
FEWEST_REGIONS = 3
#: How batches were held fixed: by their regional shares, or, where those cannot be fitted, each by itself.
BATCH_SHARES, BATCH_FIXED = "batch_shares", "batch_fixed"


@dataclass(frozen=True, eq=False)
class RegionLinks:
    """regions: one row per region: region, part, batches, batches_shared, comparable_with (names,
    alphabetical), went_elsewhere; edges: GRAPH_COLUMNS, one row per region and batch, for drawing (shared: the
    batch went to another region too, counted there or not); sentence: what can be compared.

    part numbers the connected pieces of the graph; regions of different parts are never compared.
    """

    regions: pd.DataFrame
    edges: pd.DataFrame
    sentence: str

    def part_members(self) -> list[list[str]]:
        """Regions of each connected part that holds more than one."""
        groups = self.regions.groupby("part")["region"].apply(list)
        return [members for members in groups if len(members) > 1]


def region_links(rows: pd.DataFrame, delivered: pd.DataFrame | None = None) -> RegionLinks:
    """Links between regions through batches both received; rows: region, batch_id, season, eggs, of tanks with a
    count; delivered: of all tanks, where some have none."""
    went = rows if delivered is None else delivered
    codes, names = pd.factorize(rows["region"], sort=True)
    batch, batches = pd.factorize(rows["batch_id"], sort=True)
    part = dict(zip(names, map(int, connected_parts(codes, batch, len(names), len(batches))), strict=True))
    groups = rows.groupby(["region", "batch_id"], sort=True)
    edges = groups.agg(season=("season", "first"), tanks=("eggs", "size"), eggs=("eggs", "sum")).reset_index()
    edges["shared"] = edges["batch_id"].map(went.groupby("batch_id")["region"].nunique()) > 1
    edges["part"] = edges["region"].map(part)
    table = edges.groupby(["region", "part"], sort=True, as_index=False).agg(
        batches=("shared", "size"), batches_shared=("shared", "sum")
    )
    table["went_elsewhere"] = table["batches_shared"] > 0
    table["comparable_with"] = [
        ", ".join(other for other in names if other != region and part[other] == part[region])
        for region in table["region"]
    ]
    is_alone, is_met = table["comparable_with"] == "", table["went_elsewhere"]
    apart = {"alone": is_alone & ~is_met, "unmatched": is_alone & is_met}
    named = {name: table.loc[mask, "region"].astype(str).tolist() for name, mask in apart.items()}
    uncounted = sorted(set(went["region"].astype(str)) - set(names))
    parts = table["part"].nunique()
    sentence = note("regions", "links", **named, names=list(names), uncounted=uncounted, parts=parts)
    return RegionLinks(table, edges[GRAPH_COLUMNS], sentence)


@dataclass(frozen=True, eq=False)
class WithinBatches:
    """Regions within batches on the logit scale, the first region of the factor at zero.

    log_odds, covariance: of the regions in the order given, the reference first; shift: of the log-odds from the
    answer of all tanks; estimates: of all coefficients; rows: the regions as combinations of these; method:
    BATCH_SHARES or BATCH_FIXED.
    """

    log_odds: FloatArray
    shift: FloatArray
    covariance: FloatArray
    estimates: Precision
    rows: FloatArray
    method: str

    def degrees(self, contrast: FloatArray) -> float:
        """Of a contrast of the regions."""
        return self.estimates.degrees(contrast @ self.rows)


@dataclass(frozen=True, eq=False)
class RegionPart:
    """table: PART_COLUMNS by region (refused: the reason of a region without an answer, why: the model's own
    sentence); regions: those with a within-batch answer; correlation: of their differences from the others;
    heterogeneity: HETEROGENEITY_COLUMNS of these but the outcome and the p value;
    batches: see `batch_estimates`."""

    table: pd.DataFrame
    regions: tuple[str, ...] = ()
    correlation: FloatArray | None = None
    heterogeneity: dict[str, Any] = field(default_factory=dict)
    batches: pd.DataFrame = field(default_factory=pd.DataFrame)


def blank_table(members: list[str], reason: str = "", why: str = "") -> pd.DataFrame:
    """PART_COLUMNS by region, without any estimate."""
    table = pd.DataFrame(np.nan, index=pd.Index(members, name=REGION), columns=PART_COLUMNS)
    blank = dict.fromkeys(("within_method", "most_telling_tank"), "")
    return table.assign(refused=reason, why=why, silence_undoes=False, **blank)


def fit_part(given: pd.DataFrame) -> RegionPart:
    """Adjusted and within-batch answers of regions that share batches; given: their rows, counted or not."""
    used = given[given["is_used"]]
    rows = used[~separated_rows(used, used[REGION])].reset_index(drop=True)
    factor = code_factor(rows, REGION, rows[REGION], level_counts(used, used[REGION]), fewest_batches=1)
    members = sorted(used[REGION].unique())
    table = blank_table(members)
    table["refused"] = [str(factor.refused.get(region, "")) for region in table.index]
    if not factor.is_comparable:
        table.loc[list(factor.compared), "refused"] = str(Reason.ONE_LEVEL)
        return RegionPart(table)
    try:
        model = fit_adjusted(rows, [factor])
    except BroodyearError as error:
        return RegionPart(blank_table(members, str(Reason.NOT_CONVERGED), str(error)))
    estimable = model.estimable_levels(REGION)
    regions = [region for region in factor.compared if region in estimable]
    lost = [region for region in factor.compared if region not in estimable or len(regions) < 2]
    table.loc[lost, "refused"] = str(Reason.CONFOUNDED)
    if len(regions) < 2:
        return RegionPart(table)
    estimates = level_estimates(model, factor, model.averages_of(REGION))
    table.loc[regions, ESTIMATE_COLUMNS] = estimates.loc[regions]
    within = within_answer(model, regions)
    table.loc[regions, "within_method"] = within.method
    against = against_the_rest(factor.tanks_of(regions))
    table.loc[regions, WITHIN_COLUMNS], survival = _within_columns(model, factor, regions, within, against)
    table.loc[regions, WITHOUT_ONE] = [
        without_one_tank(model, within.estimates, one @ within.rows, one @ within.log_odds, within.degrees(one))
        for one in against
    ]
    table.loc[regions, "silence_undoes"] = _undone(table.loc[regions, "within_batch_points"], survival, given)
    spread = heterogeneity(within.log_odds, within.covariance, float(np.mean(survival)))
    correlation = correlation_between(against, within.covariance)
    batches = batch_estimates(model, regions, within.log_odds, within.covariance)
    return RegionPart(table, tuple(regions), correlation, {**spread, "within_method": within.method}, batches)


def within_answer(model: AdjustedModel, regions: list[str]) -> WithinBatches:
    """The within-batch answer of a model with the factor region, for regions whose difference can be told.

    Batch shares of regions beside the regions leave these to comparisons within batches (Mundlak 1978, doi
    10.2307/1913646). With few batches the shares cannot be told apart from the rest, and every batch has its own
    intercept instead; its answer is the same kind of comparison, with fewer degrees of freedom.
    """
    factor, plain, kept = model.factors[REGION], model.working, model.columns.kept
    wider, method = plain, BATCH_FIXED
    if "batch_id" in model.fit.groups:
        shares = model.with_columns(batch_means(model.rows["batch_id"], factor.columns))
        method = BATCH_FIXED if shares is None else BATCH_SHARES
        every = model.columns_with(batch_factor(model.rows["batch_id"]))
        single = every.kept_matrix[:, every.own("batch_id")]  # batches that the model's own columns do not make up
        wider = shares or model.with_columns(single) or plain
    size = len(plain.coefficients)
    rows = np.zeros((len(regions), len(wider.coefficients)))
    rows[:, :size] = [model.columns.along(REGION, factor.coding(region))[kept] for region in regions]
    shift = wider.coefficients[:size] - plain.coefficients
    return WithinBatches(
        log_odds=rows[:, :size] @ (model.fit.coefficients + shift),
        shift=rows[:, :size] @ shift,
        covariance=rows @ wider.covariance @ rows.T,
        estimates=wider,
        rows=rows,
        method=method,
    )


def _within_columns(
    model: AdjustedModel, factor: Factor, regions: list[str], within: WithinBatches, against: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """WITHIN_COLUMNS, and the regions' survival within batches; against: contrasts of the regions."""
    tanks, covariance = factor.tanks_of(regions), within.covariance
    weight = tanks / tanks.sum()
    moved = within.shift - weight @ within.shift
    means = model.averages_of(REGION, dict(zip(regions, map(float, moved), strict=True))).values()
    survival = np.array([one.survival for one in means])
    slope = np.array([one.gradient[len(one.gradient) - len(model.columns.kept)] for one in means])
    centring = np.eye(len(regions)) - weight
    points_error = 100.0 * delta_errors(against @ (slope[:, None] * centring), covariance)
    ratio = (against @ within.log_odds) / delta_errors(against, covariance)
    # The middle of all regions (logit) has an error of its own, which no batch can compare with anything.
    middle = delta_errors(model.fit.design.matrix.mean(axis=0), model.fit.covariance.to_numpy(dtype=float))
    error = np.hypot(delta_errors(centring, covariance), middle) * survival * (1.0 - survival)
    degrees = np.array([within.degrees(one) for one in against])
    return estimate_columns(survival, error, against, points_error, degrees, ratio), survival


def batch_estimates(
    model: AdjustedModel, regions: Sequence[str], log_odds: FloatArray, covariance: FloatArray
) -> pd.DataFrame:
    """Survival of each batch with regions alike, and its points from the typical others, by batch_id.

    log_odds, covariance: of the regions within batches, in the order given. A batch is the mean of its tanks'
    log-odds (working response), what their region does taken off, each site weighted by how exactly it is known:
    sampling, tanks and site. Other batches are weighted by their tanks; left_out: those of them that are not
    typical, see `against_the_typical`.
    """
    rows = model.rows[model.rows["region"].isin(regions)]
    probability, code = model.fit.fitted[rows.index], rows["region"].map(list(regions).index).to_numpy(dtype=int)
    sampling = 1.0 / np.maximum(rows["eggs"].to_numpy(dtype=float) * probability * (1.0 - probability), 1e-10)
    sds = model.fit.group_sd.reindex(["site_id", "tank_season"]).fillna(0.0)
    weight = 1.0 / (sampling + sds["tank_season"] ** 2)
    table = rows[["batch_id", "site_id"]].assign(
        code=code, tanks=1, weight=weight, pull=weight * (model.working.response[rows.index] - log_odds[code])
    )
    sites = table.groupby(["batch_id", "site_id", "code"], sort=True).sum().reset_index()
    sites["exact"] = 1.0 / (1.0 / sites["weight"] + sds["site_id"] ** 2)
    sites["pull"] *= sites["exact"] / sites["weight"]
    batches = sites.groupby("batch_id", sort=True)[["tanks", "exact", "pull"]].sum()
    exact = batches["exact"].to_numpy(dtype=float)
    went = sites.pivot_table(index="batch_id", columns="code", values="exact", aggfunc="sum", fill_value=0.0)
    went = went.reindex(columns=range(len(regions)), fill_value=0.0).to_numpy(dtype=float) / exact[:, None]
    middle = np.bincount(code, minlength=len(regions)) / len(code)
    logits = (batches["pull"] / batches["exact"]).to_numpy() + middle @ log_odds
    alike = average_over_groups(logits, np.hypot(*sds))
    degrees = np.full(len(batches), max(float(len(rows) - len(batches) - len(regions)), 1.0))

    def error_of(against: FloatArray) -> FloatArray:
        slopes = against * alike.by_log_odds
        moved = slopes @ (middle - went)
        return np.asarray(np.hypot(np.sqrt(slopes**2 @ (1.0 / exact)), delta_errors(moved, covariance)))

    return batches_compared(batches["tanks"], alike.survival, error_of, degrees)


def _undone(points: pd.Series, survival: FloatArray, given: pd.DataFrame) -> FloatArray:
    """Whether a difference would turn, had every silent tank lost all its fish; points, survival: by region."""
    silent = (~given["is_used"] & given["survivors"].isna()).groupby(given[REGION]).mean().reindex(points.index)
    tanks = given[REGION].value_counts().reindex(points.index).to_numpy(dtype=float)
    lost = 100.0 * against_the_rest(tanks) @ (survival * (1.0 - silent.to_numpy(dtype=float)))
    return np.asarray(points.to_numpy(dtype=float) * lost <= 0.0)


def heterogeneity(log_odds: FloatArray, covariance: FloatArray, mean_survival: float = np.nan) -> dict[str, Any]:
    """HETEROGENEITY_COLUMNS but outcome, p and method, by restricted maximum likelihood from correlated estimates.

    log_odds: one per region, the first the reference (0); covariance: of these, with zero row and column for
    the reference. Shared batches correlate the estimates, so the whole covariance is used. mean_survival: survival
    at the regions' middle (0–1). Needs two regions or more. new_error: SE of another region around their mean.
    """
    from scipy.optimize import minimize_scalar
    from scipy.special import stdtrit

    regions = len(log_odds)
    gaps, errors, freedom = log_odds[1:], covariance[1:, 1:], regions - 1
    spread = np.eye(freedom) + 1.0  # covariance of differences from one reference, for unit variances

    def minus_log_likelihood(tau: float) -> float:
        total = errors + tau**2 * spread
        return float(np.linalg.slogdet(total)[1] + gaps @ np.linalg.solve(total, gaps))

    found = minimize_scalar(minus_log_likelihood, bounds=(0.0, 3.0), method="bounded", options={"xatol": 1e-6})
    tau = float(found.x) if minus_log_likelihood(float(found.x)) < minus_log_likelihood(0.0) else 0.0
    q = float(gaps @ np.linalg.solve(errors, gaps))
    centring = np.eye(regions) - 1.0 / regions
    mean_error = float(np.trace(centring @ covariance @ centring)) / freedom / regions
    new_error = float(np.sqrt(tau**2 * (1.0 + 1.0 / regions) + mean_error))
    half_width = float(stdtrit(freedom - 1 if regions >= FEWEST_REGIONS else np.nan, 0.975)) * new_error
    centre = np.log(mean_survival / (1.0 - mean_survival))
    return {
        "regions": regions,
        "tau_log_odds": tau,
        "tau_points": 100.0 * tau * mean_survival * (1.0 - mean_survival),
        "i_squared_pct": 100.0 * max(0.0, (q - freedom) / q) if q > 0.0 else 0.0,
        "q": q,
        "prediction_low_pct": 100.0 / (1.0 + np.exp(half_width - centre)),
        "prediction_high_pct": 100.0 / (1.0 + np.exp(-half_width - centre)),
        "new_error": new_error,
    }
