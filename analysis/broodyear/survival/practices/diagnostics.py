"""What a careful reader asks of the fit behind a page: collinearity, residuals, single sites, random intercepts,
and whether temperature acts in a straight line."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from broodyear.statistics.numbers import (
    FloatArray,
    IntArray,
    binomial_cdf,
    expit,
    level_sums,
    moment,
    normal_nodes,
    shapiro_wilk_p,
)
from broodyear.survival.practices.findings import TEMPERATURE
from broodyear.survival.practices.model import AdjustedModel, measured
from broodyear.survival.result import SurvivalFit, average_over_groups

MOST_LEVELS = 5000  # beyond which the test's p value is not worked out exactly: every second, third … is looked at
FEWEST_LEVELS = 8  # of a group, below which normality cannot be looked at
#: Places of the knots among the temperatures (Harrell 2015, Regression Modeling Strategies, table 2.3: four
#: knots).
KNOTS = (0.05, 0.35, 0.65, 0.95)
POINTS = 21
CURVED_BELOW = 0.05
SEED = 20_080_301  # of the draws inside the steps of the residuals: the same records give the same page


def diagnose(model: AdjustedModel) -> dict[str, pd.DataFrame]:
    """Tables of an adjusted model by name.

    model_checks, one row: condition_number, and dispersion (Pearson, 1 when tanks vary as the model says).
    residuals: season, tank_id, site_id, fitted_pct, temp_c, residual (randomised quantile, standard normal when
    the model holds). inflation, influence, normality: as the functions of such names say.
    """
    matrix, (residuals, pearson) = model.fit.design.matrix, _residuals(model)
    owners = {name: model.columns.own(name) - 1 for name in model.columns.spans}
    dispersion = pearson / max(len(matrix) - matrix.shape[1], 1)
    checks = {"condition_number": [condition_number(matrix)], "dispersion": [dispersion]}
    return {
        "model_checks": pd.DataFrame(checks),
        "residuals": residuals,
        "influence": site_influence(model),
        "inflation": inflation(matrix[:, 1:], {name: own for name, own in owners.items() if own.size}),
        "normality": random_effect_normality(model.fit).reset_index(),
    }


def condition_number(matrix: FloatArray) -> float:
    """Of the columns scaled to unit length, constant included (Belsley, Kuh & Welsch 1980)."""
    return float(np.linalg.cond(matrix / np.linalg.norm(matrix, axis=0)))


def inflation(matrix: FloatArray, owners: Mapping[str, IntArray]) -> pd.DataFrame:
    """Generalised variance inflation of some columns given all others (Fox & Monette 1992), largest first: factor,
    gvif, degrees_of_freedom, and gvif_per_df, gvif^(1/2df), comparable to the root of an ordinary factor.

    matrix: columns without the constant; owners: name -> its columns.
    """
    correlation = np.atleast_2d(np.corrcoef(matrix, rowvar=False)) if matrix.shape[1] else np.zeros((0, 0))
    total = float(np.linalg.slogdet(correlation)[1])
    rows = []
    for name, own in owners.items():
        rest = np.setdiff1d(np.arange(len(correlation)), own)
        parts = sum(float(np.linalg.slogdet(correlation[np.ix_(one, one)])[1]) for one in (own, rest) if one.size)
        gvif = float(np.exp(parts - total))
        rows.append((name, gvif, len(own), gvif ** (0.5 / len(own))))
    table = pd.DataFrame(rows, columns=["factor", "gvif", "degrees_of_freedom", "gvif_per_df"])
    return table.sort_values("gvif_per_df", ascending=False, ignore_index=True)


def _residuals(model: AdjustedModel) -> tuple[pd.DataFrame, float]:
    """Randomised quantile residuals (Dunn & Smyth 1996) beside what they may go with, and Pearson's statistic.

    Against what the model expects of each row at the modes of site and batch, averaged over tank-seasons: at its
    own mode a tank-season's count would lie where it was drawn to, and no residual would stand out.
    """
    from scipy.special import ndtri

    fit, rows = model.fit, model.rows
    own = fit.modes["tank_season"]["effect"].to_numpy(dtype=float)
    nodes, weights = normal_nodes()
    log_odds = np.log(fit.fitted) - np.log1p(-fit.fitted) - own
    chance = expit(log_odds[:, None] + float(fit.group_sd["tank_season"]) * nodes)
    survived, trials, probability = fit.design.survived, fit.design.trials, chance @ weights
    variance = fit.design.variances(probability)
    variance += trials * (trials - 1.0) * np.maximum(chance**2 @ weights - probability**2, 0.0)
    below, at = (binomial_cdf(survived[:, None] - less, trials[:, None], chance) @ weights for less in (1.0, 0.0))
    uniform = below + np.random.default_rng(SEED).random(len(rows)) * (at - below)
    table = rows[["season", "tank_id", "site_id"]].assign(
        fitted_pct=100.0 * probability,
        temp_c=measured(rows, TEMPERATURE),
        residual=ndtri(np.clip(uniform, 1e-12, 1.0 - 1e-12)),
    )
    return table, float(np.sum(fit.design.residuals(probability) ** 2 / np.maximum(variance, 1e-300)))


def site_influence(model: AdjustedModel) -> pd.DataFrame:
    """How far the estimates move without each site, in standard errors: site_id, tanks, largest_shift, factor.

    One step of the working model without the site's share of the information, spreads held; a refit without the
    site gives much the same, in as many fits as there are sites.
    """
    from scipy.linalg import lstsq

    matrix, plain = model.fit.design.matrix, model.working
    left = plain.response - matrix @ plain.coefficients
    codes, sites = pd.factorize(model.rows["site_id"], sort=True)
    scores = level_sums(codes.astype(np.int64), plain.through * left[:, None], len(sites))
    information = np.linalg.inv(plain.covariance)
    errors = np.sqrt(np.diag(plain.covariance))
    owner = {int(index): name for name in model.columns.spans for index in model.columns.own(name)}
    rows = []
    by_site = np.split(np.argsort(codes, kind="stable"), np.cumsum(np.bincount(codes))[:-1])
    for site, inside, score in zip(sites, by_site, scores, strict=True):
        taken = matrix[inside].T @ plain.through[inside]
        # Without its site a level may have no tank left, and then nothing holds it: least squares.
        moved = lstsq(information - 0.5 * (taken + taken.T), score, cond=1e-10, lapack_driver="gelsy")[0]
        shift = np.abs(moved / errors)[1:]
        worst = int(np.argmax(shift)) if shift.size else -1
        rows.append((site, len(inside), float(shift[worst]) if worst >= 0 else np.nan, owner.get(worst + 1, "")))
    table = pd.DataFrame(rows, columns=["site_id", "tanks", "largest_shift", "factor"])
    return table.sort_values(["largest_shift", "site_id"], ascending=[False, True], ignore_index=True)


def random_effect_normality(fit: SurvivalFit) -> pd.DataFrame:
    """Shape of each group's conditional modes: index group; levels, skewness, excess_kurtosis, p_value.

    Modes are scaled by their own predictive spread, √(sd² − std_error²), before the Shapiro–Wilk test; a
    small p says that a few levels stand further apart than a normal spread would have them.
    """
    rows = {}
    for group in fit.groups:
        effects, sd = fit.group_effects(group), float(fit.group_sd[group])
        spread = np.sqrt(np.maximum(sd**2 - effects["std_error"].to_numpy(dtype=float) ** 2, 0.0))
        known = spread > 1e-3 * max(sd, 1e-12)
        scaled = effects["effect"].to_numpy(dtype=float)[known] / spread[known]
        shape = [np.nan] * 3
        if len(scaled) >= FEWEST_LEVELS:
            tested = scaled[:: -(-len(scaled) // MOST_LEVELS)]
            shape = [moment(scaled, 3), moment(scaled, 4) - 3.0, shapiro_wilk_p(tested)]
        rows[group] = [len(effects), *shape]
    columns = ["levels", "skewness", "excess_kurtosis", "p_value"]
    return pd.DataFrame.from_dict(rows, orient="index", columns=columns).rename_axis("group")


@dataclass(frozen=True)
class Curvature:
    """p_value: of a straight line against the spline, nan when it cannot be told; best_temp_c, best_pct: where
    along the curve survival is highest, between the outer knots."""

    p_value: float = np.nan
    best_temp_c: float = np.nan
    best_pct: float = np.nan

    @property
    def is_curved(self) -> bool:
        """Whether the line is none."""
        return self.p_value < CURVED_BELOW


def curvature_of(model: AdjustedModel, name: str, temps_c: FloatArray) -> Curvature:
    """A straight line in a covariate against a natural cubic spline; temps_c: one a row, nan where missing.

    A Wald test (F, Satterthwaite's degrees of freedom) of the spline's further columns in the working model.
    """
    from scipy.special import fdtrc

    known = np.isfinite(temps_c)
    knots = np.quantile(temps_c[known], KNOTS)
    if len(np.unique(knots)) < len(KNOTS):
        return Curvature()
    further = np.where(known[:, None], spline_columns(np.where(known, temps_c, 0.0), knots), 0.0)
    wider, plain, size = model.with_columns(further), model.working, further.shape[1]
    if wider is None or not model.columns.own(name).size:
        return Curvature()
    own = wider.coefficients[-size:]
    ratio = float(own @ np.linalg.solve(wider.covariance[-size:, -size:], own)) / size
    degrees = min(wider.degrees(row) for row in np.eye(len(wider.coefficients))[-size:])
    p_value = float(fdtrc(size, min(degrees, 1e9), ratio))
    if not p_value < CURVED_BELOW:
        return Curvature(p_value)
    moved = np.concatenate([model.fit.coefficients - plain.coefficients, np.zeros(size)]) + wider.coefficients
    grid, matrix = np.linspace(knots[0], knots[-1], POINTS), np.hstack([model.fit.design.matrix, further])
    line = [int(model.columns.own(name)[0]), *range(matrix.shape[1] - size, matrix.shape[1])]
    rest = matrix @ moved - matrix[:, line] @ moved[line]
    lines = np.column_stack([grid - temps_c[known].mean(), spline_columns(grid, knots)]) @ moved[line]
    top = int(np.argmax(lines))
    survival = average_over_groups(rest + lines[top], model.fit.total_group_sd).survival.mean()
    return Curvature(p_value, float(grid[top]), 100.0 * float(survival))


def spline_columns(values: FloatArray, knots: FloatArray) -> FloatArray:
    """The columns of a restricted cubic spline beside the straight line, shape (values, knots − 2)."""
    cubes = np.maximum(values[:, None] - knots, 0.0) ** 3
    last, before, first = knots[-1], knots[-2], knots[:-2]
    before_last = cubes[:, [-2]] * (last - first) / (last - before)
    columns = cubes[:, :-2] - before_last + cubes[:, [-1]] * (before - first) / (last - before)
    return np.asarray(columns / (last - knots[0]) ** 2, dtype=float)
