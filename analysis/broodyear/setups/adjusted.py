"""Survival at each level of a factor, adjusted by the mixed model, each level against all the others."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from broodyear.errors import BroodyearError
from broodyear.setups.tank_frame import NOT_RECORDED

if TYPE_CHECKING:
    from broodyear.survival import SurvivalFit

Floats = NDArray[np.float64]

#: A level with fewer tanks or batches than these gets counts, but no estimate.
FEWEST_TANKS_PER_LEVEL = 5
FEWEST_BATCHES_PER_LEVEL = 2
#: Seasons get an intercept of their own from this many on.
FEWEST_SEASONS = 5

OTHER = "other (few tanks)"

COUNT_COLUMNS = ["level", "tanks", "batches", "seasons", "eggs", "raw_pct"]
ESTIMATE_COLUMNS = [
    "adjusted_pct", "adjusted_low", "adjusted_high", "difference_points", "difference_low", "difference_high",
    "p_value",
]  # fmt: skip


@dataclass(frozen=True, eq=False)
class AdjustedLevels:
    """table: COUNT_COLUMNS, ESTIMATE_COLUMNS and note, one row per level, in alphabetical order.

    adjusted_for: covariates in the model; could_not_adjust_for: those it could not hold beside the factor;
    sentence: empty, or why there is no estimate. differences (log-odds against the first fitted level) and
    their covariance are kept for pooling; fitted_levels names them.
    """

    table: pd.DataFrame
    adjusted_for: tuple[str, ...]
    could_not_adjust_for: tuple[str, ...]
    sentence: str
    fitted_levels: tuple[str, ...] = ()
    log_odds: Floats | None = None
    covariance: Floats | None = None


def adjusted_levels(
    rows: pd.DataFrame,
    factor: str,
    adjust_for: Sequence[str] = (),
    *,
    extra_terms: Sequence[str] = (),
    freedom: float = np.inf,
    fewest_tanks: int = FEWEST_TANKS_PER_LEVEL,
    fewest_batches: int = FEWEST_BATCHES_PER_LEVEL,
) -> AdjustedLevels:
    """Population-averaged survival (0-100) per level and its difference from the other levels' tanks, in
    points.

    rows: used tank-seasons of one outcome (season, tank_id, site_id, batch_id, eggs, survivors, the factor).
    The model is binomial with random intercepts for site, batch, tank-season, and season from five on;
    species and thermal units at delivery enter where recorded, then adjust_for (factors) and extra_terms
    (numbers). A covariate that cannot be told apart from the factor is named instead of adjusted for.
    freedom: of the t distribution behind the intervals, for factors whose levels are carried by few batches.
    """
    counted = level_counts(rows, factor)
    few = too_few(counted, fewest_tanks, fewest_batches)
    kept = [str(level) for level in counted.loc[few == "", "level"]]
    table = counted.assign(**dict.fromkeys(ESTIMATE_COLUMNS, np.nan), note=few)
    if len(kept) < 2:
        return AdjustedLevels(table, (), (), f"fewer than two levels of {factor} have enough tanks and batches")
    chosen = rows[rows[factor].astype(str).isin(kept)].reset_index(drop=True)
    return _fitted(chosen, factor, adjust_for, extra_terms, freedom, table)


def level_counts(rows: pd.DataFrame, factor: str) -> pd.DataFrame:
    """COUNT_COLUMNS per level; raw_pct is survivors over eggs."""
    groups = rows.assign(level=rows[factor].astype(str)).groupby("level", sort=True)
    table = groups.agg(
        tanks=("eggs", "size"),
        batches=("batch_id", "nunique"),
        seasons=("season", "nunique"),
        eggs=("eggs", "sum"),
        survivors=("survivors", "sum"),
    ).reset_index()
    table["raw_pct"] = 100.0 * table["survivors"] / table["eggs"]
    return table[COUNT_COLUMNS]


def too_few(counted: pd.DataFrame, fewest_tanks: int, fewest_batches: int) -> pd.Series:
    """The sentence for levels that get no estimate; empty for the others."""
    few = (counted["tanks"] < fewest_tanks) | (counted["batches"] < fewest_batches)
    few_words = [f"too few: {row['tanks']} tanks in {row['batches']} batches" for _, row in counted.iterrows()]
    words = pd.Series(few_words, index=counted.index, dtype=object).where(few, "")
    words[(counted["raw_pct"] == 100.0) & ~few] = "no estimate: every fish survived"
    words[(counted["raw_pct"] == 0.0) & ~few] = "no estimate: every fish died"
    return words


def _fitted(
    rows: pd.DataFrame,
    factor: str,
    adjust_for: Sequence[str],
    extra_terms: Sequence[str],
    freedom: float,
    table: pd.DataFrame,
) -> AdjustedLevels:
    frame, wanted = model_frame(rows, factor, adjust_for)
    fit, dropped, refusal = _fullest_fit(frame, factor, wanted, extra_terms)
    if fit is None:
        return AdjustedLevels(table, (), (), f"no estimate: {refusal}")
    estimates, log_odds, covariance = _estimates(fit, factor, freedom)
    merged = table.set_index("level")
    merged.loc[estimates.index, ESTIMATE_COLUMNS] = estimates
    kept = tuple(name for name in wanted if name not in dropped)
    levels = tuple(map(str, estimates.index))
    return AdjustedLevels(merged.reset_index(), kept, dropped, "", levels, log_odds, covariance)


def _fullest_fit(
    frame: pd.DataFrame, factor: str, wanted: Sequence[str], extra_terms: Sequence[str]
) -> tuple[SurvivalFit | None, tuple[str, ...], str]:
    """The fit that leaves out fewest covariates, which were left out, and the last refusal."""
    from broodyear.survival import fit_survival

    groups, refusal = random_intercepts(frame), ""
    for number in range(len(wanted) + 1):
        for dropped in combinations(reversed(wanted), number):
            kept = [name for name in wanted if name not in dropped]
            formula = " + ".join([factor, *kept, *extra_terms])
            try:
                fit = fit_survival(frame, formula, survived="survivors", trials="eggs", groups=groups)
            except BroodyearError as error:
                refusal = str(error)
            else:
                return fit, dropped, ""
    return None, tuple(wanted), refusal


def model_frame(rows: pd.DataFrame, factor: str, adjust_for: Sequence[str]) -> tuple[pd.DataFrame, list[str]]:
    """The frame the model sees and the covariates worth entering, the least dispensable first."""
    frame = rows.copy()
    frame[factor] = frame[factor].astype(str)
    frame["tank_season"] = np.arange(len(frame))
    wanted = []
    for name in ("species", *adjust_for):
        if name in frame and name != factor:
            frame[name] = _merged_levels(frame[name])
            wanted += [name] if frame[name].nunique() > 1 else []
    if "units_at_delivery_c_days" in frame:
        units = pd.to_numeric(frame["units_at_delivery_c_days"], errors="coerce")
        frame["units_at_delivery_c_days"] = (units.fillna(units.mean()) - units.mean()) / 100.0
        wanted += ["units_at_delivery_c_days"] if float(units.std(ddof=0) or 0.0) > 0.0 else []
    return frame, wanted


def _merged_levels(values: pd.Series) -> pd.Series:
    """Blanks as a level of their own, and levels with too few tanks merged."""
    known = values.astype(object).where(values.notna() & (values.astype(str) != ""), NOT_RECORDED).astype(str)
    number = known.map(known.value_counts())
    return known.where(number >= FEWEST_TANKS_PER_LEVEL, OTHER)


def random_intercepts(frame: pd.DataFrame) -> list[str]:
    """Grouping columns with more than one level; a tank-season has its own intercept when sites repeat or
    not.
    """
    groups = [name for name in ("site_id", "batch_id") if 1 < frame[name].nunique() < len(frame)]
    if frame["season"].nunique() >= FEWEST_SEASONS:
        groups.append("season")
    return [*groups, "tank_season"]


def _estimates(fit: SurvivalFit, factor: str, freedom: float) -> tuple[pd.DataFrame, Floats, Floats]:
    """Per level: adjusted survival and difference from the others (by tanks), with delta-method limits."""
    from broodyear.survival.arrays import critical_value, two_sided_p
    from broodyear.survival.averaging import average, levels_of, matrix_with

    levels = levels_of(fit.design, factor)
    matrices = [matrix_with(fit.design, factor, level) for level in levels]
    means = [average(fit, matrix, fit.total_group_sd) for matrix in matrices]
    share = np.array([mean.share for mean in means])
    gradient = np.array([mean.gradient for mean in means])
    contrast = against_the_rest(fit.design.rows.frame[factor].value_counts().reindex(levels).to_numpy(dtype=float))
    reach = critical_value(freedom)
    error, inner = _errors(gradient, fit.joint_covariance), np.clip(share, 1e-9, 1.0 - 1e-9)
    centre, width = np.log(inner / (1.0 - inner)), reach * error / (inner * (1.0 - inner))
    points, points_error = (
        100.0 * contrast @ share,
        100.0 * _errors(contrast @ gradient, fit.joint_covariance),
    )
    shifts = np.array([(matrix - matrices[0]).mean(axis=0) for matrix in matrices])
    table = pd.DataFrame(
        {
            "adjusted_pct": 100.0 * share,
            "adjusted_low": 100.0 / (1.0 + np.exp(width - centre)),
            "adjusted_high": 100.0 / (1.0 + np.exp(-width - centre)),
            "difference_points": points,
            "difference_low": points - reach * points_error,
            "difference_high": points + reach * points_error,
            "p_value": two_sided_p(points / np.maximum(points_error, 1e-12), freedom),
        },
        index=[str(level) for level in levels],
    )
    covariance = shifts @ fit.covariance.to_numpy(dtype=float) @ shifts.T
    return table, np.asarray(shifts @ fit.coefficients, dtype=float), np.asarray(covariance, dtype=float)


def against_the_rest(tanks: ArrayLike) -> Floats:
    """Contrast matrix: each level less the mean of the other levels, weighted by their tanks."""
    number = np.asarray(tanks, dtype=float)
    rest = np.tile(number, (len(number), 1))
    np.fill_diagonal(rest, 0.0)
    return np.asarray(np.eye(len(number)) - rest / rest.sum(axis=1, keepdims=True), dtype=float)


def _errors(gradient: Floats, covariance: Floats) -> Floats:
    """Delta-method standard error of each row of a gradient."""
    return np.asarray(
        np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", gradient, covariance, gradient), 0.0)), dtype=float
    )


def with_batch_shares(rows: pd.DataFrame, factor: str) -> tuple[pd.DataFrame, list[str]]:
    """Adds, for each level but the first, the share of the batch's tanks at that level; returns their names.

    With these in the model the factor's effect is the within-batch effect (Mundlak Y 1978, Econometrica
    46:69-85, doi:10.2307/1913646): which batches a level received no longer moves it. Shares that do not vary
    are left out.
    """
    frame, names = rows.copy(), []
    for place, level in enumerate(sorted(frame[factor].astype(str).unique())[1:]):
        share = (frame[factor].astype(str) == level).astype(float).groupby(frame["batch_id"]).transform("mean")
        if share.std() > 0.0:
            names.append(f"batch_share_{place}")
            frame[names[-1]] = share - share.mean()
    return frame, names
