"""One outcome: its rows, its fit with all practices, and every contrast with what decides it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd
from scipy.linalg import block_diag

from broodyear.claims import Reason
from broodyear.errors import BroodyearError
from broodyear.survival.averaging import Average
from broodyear.survival.practices.coding import Factor, code_factor, level_counts
from broodyear.survival.practices.contrasts import (
    Contrast,
    averages_of,
    correlation_of,
    factor_contrasts,
    step_contrast,
)
from broodyear.survival.practices.curve import Bend, bend_of
from broodyear.survival.practices.diagnostics import FitDiagnostics, diagnose
from broodyear.survival.practices.factors import SET_POINT, practice_named
from broodyear.survival.practices.findings import DIRECT, STEP_LEVEL, TEMPERATURE, Finding, as_family
from broodyear.survival.practices.levels import practice_rows
from broodyear.survival.practices.methods import ByMethod, other_methods
from broodyear.survival.practices.model import UNITS, AdjustedModel, centred, fit_adjusted, missing_of
from broodyear.survival.practices.outcome_rows import OutcomeRows, outcome_rows
from broodyear.survival.practices.silence import SilentTanks, silent_tanks
from broodyear.survival.practices.within import Within, within_batches
from broodyear.survival.tank_frame import MAIN_OUTCOME

#: Above this many tank-seasons the other methods are asked of the whole stay alone.
MOST_ROWS_FOR_EVERY_METHOD = 5000


@dataclass(frozen=True)
class ModelSummary:
    """One model in words: allowed_for: columns it holds beside a factor, in the order of the model; notes: of its
    fit; dropped: what was left out of it; blank: tanks at the level "not recorded" of its temperature."""

    used: int
    allowed_for: tuple[str, ...]
    notes: tuple[str, ...]
    dropped: tuple[str, ...]
    blank: int = 0


@dataclass(frozen=True, eq=False)
class OutcomeReport:
    """What one outcome's fit says: findings of its family, practices level by level, methods, notes, diagnostics.

    given, used: tank-seasons; blanks: practice -> tank-seasons without it; total, direct: the two models.
    """

    outcome: str
    given: int
    used: int
    left_out: dict[str, int]
    waiting: tuple[str, ...]
    blanks: dict[str, int]
    findings: list[Finding]
    levels: pd.DataFrame
    total: ModelSummary | None = None
    direct: ModelSummary | None = None
    refusal: str = ""
    bend: Bend = field(default_factory=Bend)
    methods: ByMethod | None = None
    diagnostics: FitDiagnostics | None = None


def outcome_report(given: pd.DataFrame, outcome: str) -> OutcomeReport:
    """Everything one outcome's rows say of practices and temperature."""
    rows = outcome_rows(given, outcome)
    entering = [factor for name, factor in rows.factors.items() if name not in rows.waiting]
    try:
        total = fit_adjusted(rows.used, entering)
    except BroodyearError as error:
        reason = Reason.NOT_CONVERGED if len(rows.used) else Reason.TOO_FEW_TANKS
        return _report(rows, _refused(rows, reason), practice_rows(rows, None, {}, {}), refusal=str(error))
    names = [name for name, factor in total.factors.items() if factor.is_comparable]
    averages = {name: averages_of(total, name) for name in names}
    contrasts = [one for name in names for one in factor_contrasts(total, name, averages[name])]
    within = within_batches(total, contrasts)
    silent = _silent(rows)
    told = [_finding(rows, one, within, silent, averages) for one in contrasts]
    direct, further = _direct(rows, entering)
    found = [*told, *further, *_without_estimate(rows, total)]
    return _report(
        rows,
        as_family(found, _correlation(total, told, direct, further)),
        practice_rows(rows, total, averages, within),
        total=_summary(total),
        direct=_summary(direct) if direct else None,
        bend=bend_of(direct, TEMPERATURE, _temps(rows.used)) if direct else Bend(),
        methods=other_methods(total, names) if _is_for_every_method(rows) else None,
        diagnostics=diagnose(total, outcome) if outcome == MAIN_OUTCOME else None,
    )


def _is_for_every_method(rows: OutcomeRows) -> bool:
    """The whole stay always; its stages only in programmes of ordinary size, so that a review stays quick."""
    return rows.outcome == MAIN_OUTCOME or len(rows.used) <= MOST_ROWS_FOR_EVERY_METHOD


def _report(rows: OutcomeRows, findings: list[Finding], levels: pd.DataFrame, **further: Any) -> OutcomeReport:
    return OutcomeReport(
        outcome=rows.outcome,
        given=len(rows.given),
        used=len(rows.used),
        left_out=rows.left_out,
        waiting=rows.waiting,
        blanks={name: factor.blank for name, factor in rows.factors.items()},
        findings=findings,
        levels=levels,
        **further,
    )


def _summary(model: AdjustedModel) -> ModelSummary:
    names = [name for name, factor in model.factors.items() if len(factor.levels) > 1]
    names += [name for name in (TEMPERATURE,) if name in model.numbers]
    names += [name for name in (*model.adjusters, *model.groups) if name != "tank_season"]
    names += [UNITS] if UNITS in model.numbers else []
    blank = model.numbers.get(missing_of(TEMPERATURE))
    return ModelSummary(
        used=len(model.rows),
        allowed_for=tuple(names),
        notes=model.fit.notes,
        dropped=model.dropped,
        blank=0 if blank is None else int(blank.sum()),
    )


def _finding(
    rows: OutcomeRows,
    contrast: Contrast,
    within: dict[tuple[str, str], Within],
    silent: SilentTanks,
    averages: Mapping[str, Mapping[str, Average]],
) -> Finding:
    beside = None
    if contrast.refused is None:
        beside = silent.beside(contrast, averages[contrast.factor])
    return Finding(rows.outcome, contrast, within.get((contrast.factor, contrast.level)), beside)


def _correlation(
    total: AdjustedModel, told: list[Finding], direct: AdjustedModel | None, further: list[Finding]
) -> np.ndarray:
    """Joint correlation of the estimates; those of the two models are taken as independent, which is the safe
    side.

    The chance that all of some normal variables lie in symmetric bands is least when groups of them are
    independent (Royen 2014, Far East J Theor Stat 48:139).
    """
    blocks = []
    for model, findings in ((total, told), (direct, further)):
        chosen = [one.contrast for one in findings if one.contrast.refused is None]
        blocks += [correlation_of(model, chosen)] if model is not None and chosen else []
    return np.asarray(block_diag(*blocks)) if blocks else np.zeros((0, 0))


def _direct(rows: OutcomeRows, entering: Sequence[Factor]) -> tuple[AdjustedModel | None, list[Finding]]:
    """The model with the water temperature instead of the set point: +1 °C, and rooms at equal temperature."""
    temps = _temps(rows.used)
    known = np.isfinite(temps)
    batches = int(rows.used.loc[known, "batch_id"].nunique())
    blank = Contrast(TEMPERATURE, STEP_LEVEL, "", int(known.sum()), batches)
    numbers = centred(TEMPERATURE, temps)
    if not numbers:
        reason = Reason.NO_RECORDS if not known.any() else Reason.TOO_FEW_TANKS
        return None, [Finding(rows.outcome, replace(blank, refused=reason))]
    try:
        model = fit_adjusted(rows.used, [one for one in entering if one.name != SET_POINT], numbers)
    except BroodyearError:
        return None, [Finding(rows.outcome, replace(blank, refused=Reason.NOT_CONVERGED))]
    if TEMPERATURE in model.dropped:
        return None, [Finding(rows.outcome, replace(blank, refused=Reason.SEPARATED))]
    contrasts = [step_contrast(model, TEMPERATURE, STEP_LEVEL, blank.tanks, batches, 1.0)]
    if "room_type" in model.factors and model.factors["room_type"].is_comparable:
        contrasts += factor_contrasts(model, "room_type", averages_of(model, "room_type"))
    within = within_batches(model, contrasts)
    found = []
    for one in contrasts:
        named = replace(one, factor=DIRECT) if one.factor == "room_type" else one
        found.append(Finding(rows.outcome, named, within.get((one.factor, one.level))))
    return model, found


def _temps(used: pd.DataFrame) -> np.ndarray:
    if TEMPERATURE not in used:
        return np.full(len(used), np.nan)
    return pd.to_numeric(used[TEMPERATURE], errors="coerce").to_numpy(dtype=float)


def _silent(rows: OutcomeRows) -> SilentTanks:
    """Silent tanks among all with eggs, by the practices of the model."""
    given = rows.given.assign(is_silent=~rows.given["is_used"] & rows.given["survivors"].isna())
    given = given[given["is_used"] | given["is_silent"]].reset_index(drop=True)
    given["batch_id"] = given["batch_id"].astype(object).where(given["batch_id"].notna(), "")
    factors = []
    for name in rows.factors:
        values = practice_named(name).make(given)
        factors.append(code_factor(given, name, values, level_counts(given, values), fewest_batches=1))
    return silent_tanks(given, [factor for factor in factors if len(factor.levels) > 1])


def _without_estimate(rows: OutcomeRows, total: AdjustedModel) -> list[Finding]:
    """Levels that cannot be compared, and factors that are not in the model."""
    found = []
    for name, factor in rows.factors.items():
        if name in rows.waiting:
            found += _all_levels(rows, factor, Reason.TOO_FEW_TANKS)
        elif name in total.dropped:
            found += _all_levels(rows, factor, Reason.SEPARATED)
        elif not factor.is_comparable and factor.compared:
            found.append(_no_estimate(rows, factor, factor.reference, Reason.ONE_LEVEL))
        found += [_no_estimate(rows, factor, level, reason) for level, reason in factor.refused.items()]
    return found


def _refused(rows: OutcomeRows, reason: Reason) -> list[Finding]:
    """Every level without an estimate, because there is no model."""
    found = []
    for factor in rows.factors.values():
        found += _all_levels(rows, factor, reason) if factor.is_comparable else []
        found += [_no_estimate(rows, factor, level, why) for level, why in factor.refused.items()]
    return found


def _all_levels(rows: OutcomeRows, factor: Factor, reason: Reason) -> list[Finding]:
    return [_no_estimate(rows, factor, level, reason) for level in factor.compared[1:]]


def _no_estimate(rows: OutcomeRows, factor: Factor, level: str, reason: Reason) -> Finding:
    reference = "" if level == factor.reference else factor.reference
    contrast = Contrast(factor.name, level, reference, *factor.size_of(level), refused=reason)
    return Finding(rows.outcome, contrast, reason=reason)
