"""After a fit: residuals, spread of the random intercepts, influence of single sites, missing outcomes."""

from __future__ import annotations

import numpy as np
import pandas as pd

from broodyear.errors import BroodyearError, NothingToAnalyse, UsageError
from broodyear.survival.arrays import FloatArray
from broodyear.survival.fit import fit_survival
from broodyear.survival.result import SurvivalFit

MOST_LEVELS = 5000  # beyond which the test's p value is not worked out exactly: every second, third … is looked at
FEWEST_LEVELS = 8  # of a group, below which normality cannot be looked at


def quantile_residuals(fit: SurvivalFit, rng: np.random.Generator) -> FloatArray:
    """Randomised quantile residuals of the rows used: standard normal when the model holds, shape (used,).

    Dunn & Smyth 1996 (doi 10.1080/10618600.1996.10474708). Counts are discrete, so each residual is drawn
    within its step of the distribution: pass a seeded generator. For mixed fits the distribution is
    binomial at the conditional modes; for beta_binomial it is beta-binomial; for the others binomial, so
    that a spread above 1 shows what they leave to their standard errors.
    """
    from scipy.special import ndtri

    below, at = _distribution(fit)
    uniform = below + rng.random(len(below)) * (at - below)
    return np.asarray(ndtri(np.clip(uniform, 1e-12, 1.0 - 1e-12)), dtype=float)


def _distribution(fit: SurvivalFit) -> tuple[FloatArray, FloatArray]:
    """P(count < observed) and P(count ≤ observed) per row."""
    from scipy.stats import betabinom, binom

    survived, trials = fit.design.rows.survived, fit.design.rows.trials
    if fit.method == "beta_binomial" and fit.dispersion > 0:
        total = 1.0 / fit.dispersion - 1.0
        spread = betabinom(trials, total * fit.fitted, total * (1.0 - fit.fitted))
        return np.asarray(spread.cdf(survived - 1.0)), np.asarray(spread.cdf(survived))
    model = binom(trials, fit.fitted)
    return np.asarray(model.cdf(survived - 1.0)), np.asarray(model.cdf(survived))


def random_effect_normality(fit: SurvivalFit) -> pd.DataFrame:
    """Shape of each group's conditional modes: index group; levels, skewness, excess_kurtosis, p_value.

    Modes are scaled by their own predictive spread, √(sd² − std_error²), before the Shapiro–Wilk test; a
    small p says that a few levels stand further apart than a normal spread would have them.
    """
    from scipy.stats import kurtosis, shapiro, skew

    rows = {}
    for group in fit.groups:
        effects = fit.group_effects(group)
        sd = float(fit.group_sd[group])
        spread = np.sqrt(np.maximum(sd**2 - effects["std_error"].to_numpy(dtype=float) ** 2, 0.0))
        known = spread > 1e-3 * max(sd, 1e-12)
        scaled = effects["effect"].to_numpy(dtype=float)[known] / spread[known]
        enough = len(scaled) >= FEWEST_LEVELS
        tested = scaled[:: -(-len(scaled) // MOST_LEVELS) or 1]
        rows[group] = {
            "levels": len(effects),
            "skewness": float(skew(scaled)) if enough else np.nan,
            "excess_kurtosis": float(kurtosis(scaled)) if enough else np.nan,
            "p_value": float(shapiro(tested).pvalue) if enough else np.nan,
        }
    return pd.DataFrame.from_dict(rows, orient="index").rename_axis("group")


def leave_one_out(fit: SurvivalFit, frame: pd.DataFrame, by: str) -> pd.DataFrame:
    """Refit without each level of `by` in turn (usually a site) and report how far every estimate moves.

    frame: the frame the fit was made from. One row per level: level, rows, largest_shift (in standard errors
    of the full fit), term (where), one column per term with the new estimate, and note when a refit is
    refused. Sorted by falling shift.
    """
    if by not in frame.columns:
        raise UsageError(f"The frame has no column {by!r}; its columns are {', '.join(map(str, frame.columns))}.")
    used = frame.iloc[fit.design.rows.positions]
    counts = used[by].value_counts().sort_index()
    rows = [_refit_without(fit, used, by, level, int(count)) for level, count in counts.items()]
    return pd.DataFrame(rows).sort_values("largest_shift", ascending=False, ignore_index=True)


def _refit_without(fit: SurvivalFit, used: pd.DataFrame, by: str, level: object, count: int) -> dict[str, object]:
    row: dict[str, object] = {"level": level, "rows": count, "largest_shift": np.nan, "term": "", "note": ""}
    survived, trials = fit.counts
    try:
        refit = fit_survival(
            used[used[by] != level],
            fit.formula,
            survived=survived,
            trials=trials,
            groups=fit.groups,
            method=fit.method,
            quadrature_points=fit.quadrature_points,
        )
    except BroodyearError as error:
        return {**row, "note": str(error)}
    shift = (refit.effects["estimate"] - fit.effects["estimate"]) / fit.effects["std_error"]
    if not shift.isna().all():
        row["largest_shift"], row["term"] = float(shift.abs().max()), str(shift.abs().idxmax())
    return {**row, **{str(term): value for term, value in refit.effects["estimate"].items()}}


def missing_outcome_bounds(
    frame: pd.DataFrame, *, survived: str = "survivors", trials: str = "eggs", by: str | None = None
) -> pd.DataFrame:
    """Mean survival of the tanks that reported, and what it could be had the others lived or died.

    One row (or one per level of `by`): tanks, reported, missing, reported_pct, all_died_pct, all_lived_pct.
    Tanks weigh equally. A tank is missing when its survivors are blank; tanks without eggs are not counted.

    >>> tanks = pd.DataFrame({"eggs": [100] * 50, "survivors": [82.0] * 43 + [float("nan")] * 7})
    >>> missing_outcome_bounds(tanks).round(1).iloc[0].to_dict()
    {'tanks': 50.0, 'reported': 43.0, 'missing': 7.0, 'reported_pct': 82.0, 'all_died_pct': 70.5, 'all_lived_pct': 84.5}
    """  # noqa: E501 - a printed result
    rows = frame[frame[trials].fillna(0) > 0]
    if rows.empty:
        raise NothingToAnalyse(f"No row has eggs in {trials!r}, so no survival can be bounded.")
    share = rows[survived] / rows[trials]
    if by is None:
        return pd.DataFrame([_bounds(share)])
    parts = {level: _bounds(part) for level, part in share.groupby(rows[by], observed=True)}
    return pd.DataFrame.from_dict(parts, orient="index").rename_axis(by).reset_index()


def _bounds(share: pd.Series[float]) -> dict[str, float]:
    tanks, missing = len(share), int(share.isna().sum())
    alive = float(share.sum())
    return {
        "tanks": tanks,
        "reported": tanks - missing,
        "missing": missing,
        "reported_pct": 100.0 * alive / (tanks - missing) if tanks > missing else np.nan,
        "all_died_pct": 100.0 * alive / tanks,
        "all_lived_pct": 100.0 * (alive + missing) / tanks,
    }
