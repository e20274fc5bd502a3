"""The five methods side by side, and whether the conclusion depends on the method."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from broodyear.errors import BroodyearError, UsageError
from broodyear.survival.agreement import agreement_table
from broodyear.survival.fit import METHODS, fit_survival
from broodyear.survival.result import SurvivalFit


@dataclass(frozen=True, eq=False)
class MethodComparison:
    """Contrasts by each method.

    contrasts: one row per covariate, level and method: factor, level, reference, method, odds_ratio …
    p_value (as SurvivalFit.contrast), note. agreement: one row per covariate and level: factor, level,
    agrees, sentence. fits: method -> fit, for those that were not refused.
    """

    contrasts: pd.DataFrame
    agreement: pd.DataFrame
    fits: dict[str, SurvivalFit]


def compare_methods(
    frame: pd.DataFrame,
    formula: str,
    *,
    survived: str,
    trials: str,
    groups: Sequence[str] | str,
    cluster: str | None = None,
) -> MethodComparison:
    """Fit all five methods to the same rows and compare their effects in percentage points.

    groups: random intercepts of the mixed model. cluster: the group of the clustered and exchangeable
    methods (default the first of groups). Odds ratios of mixed hold for one site and batch and are further
    from 1 than population-averaged ones; the differences in points are comparable.
    """
    named = (groups,) if isinstance(groups, str) else tuple(groups)
    if not named:
        raise UsageError("compare_methods needs at least one column in groups=, for example ['site_id'].")
    fits: dict[str, SurvivalFit] = {}
    refused: dict[str, str] = {}
    complete = frame.dropna(subset=[name for name in named if name in frame.columns])
    for method in METHODS:
        try:
            own = _groups(method, named, cluster)
            fits[method] = fit_survival(
                complete, formula, survived=survived, trials=trials, groups=own, method=method
            )
        except BroodyearError as error:
            refused[method] = str(error)
    if "mixed" not in fits and len(refused) == len(METHODS):
        raise UsageError(f"No method can be fitted: {refused['mixed']}")
    contrasts = pd.concat([_contrasts(fit) for fit in fits.values()], ignore_index=True)
    notes = [{"method": method, "note": why, "factor": "", "level": ""} for method, why in refused.items()]
    if notes:
        contrasts = pd.concat([contrasts, pd.DataFrame(notes)], ignore_index=True)
    return MethodComparison(contrasts, agreement_table(contrasts[contrasts["factor"] != ""]), fits)


def _groups(method: str, named: tuple[str, ...], cluster: str | None) -> tuple[str, ...]:
    if method == "mixed":
        return named
    return (cluster or named[0],) if method in ("clustered", "exchangeable") else ()


def _contrasts(fit: SurvivalFit) -> pd.DataFrame:
    parts = []
    for name in fit.design.covariates:
        numeric = pd.api.types.is_numeric_dtype(fit.design.rows.frame[name]) and f"C({name}" not in fit.formula
        table = fit.step(name) if numeric else fit.contrast(name)
        parts.append(table.assign(factor=name, method=fit.method, note=" ".join(fit.notes)))
    if not parts:
        raise UsageError("The formula names no covariate, so the methods have nothing to compare.")
    frame = pd.concat(parts, ignore_index=True)
    return frame[["factor", "level", "reference", "method", *frame.columns[2:9], "note"]]
