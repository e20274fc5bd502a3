"""One outcome: its rows, its fit with all practices, and every contrast with what decides it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from scipy.linalg import block_diag

from broodyear.claims import Reason
from broodyear.errors import BroodyearError
from broodyear.statistics.numbers import FloatArray
from broodyear.survival.fit import fit_design
from broodyear.survival.methods.separation import refuse_separation
from broodyear.survival.practices.curve import Bend, bend_of
from broodyear.survival.practices.diagnostics import FitDiagnostics, diagnose
from broodyear.survival.practices.factors import (
    SET_POINT,
    OutcomeRows,
    batch_factor,
    code_factor,
    level_counts,
    outcome_rows,
    practice_named,
)
from broodyear.survival.practices.findings import (
    DIRECT,
    STEP_LEVEL,
    TEMPERATURE,
    Contrast,
    Finding,
    SilentTanks,
    as_family,
    correlation_of,
    factor_contrasts,
    silent_tanks,
    step_contrast,
    within_batches,
)
from broodyear.survival.practices.levels import ROOM, practice_rows
from broodyear.survival.practices.model import (
    UNITS,
    AdjustedModel,
    build_columns,
    centred,
    design_of,
    fit_adjusted,
    missing_of,
)
from broodyear.survival.tank_frame import MAIN_OUTCOME

#: Above this many tank-seasons the other methods are asked of the whole stay alone, so that a review stays quick.
MOST_ROWS_FOR_EVERY_METHOD = 5000
OTHER_METHODS = ("beta_binomial", "quasi_binomial", "clustered", "exchangeable")
#: Batches are a factor where there are this many tanks for each.
TANKS_PER_BATCH = 4


@dataclass(frozen=True)
class ModelSummary:
    """One model in words: allowed_for: columns it holds beside a factor, in the order of the model; notes: of its
    fit; dropped: what was left out of it; blank: tanks at the level "not recorded" of its temperature."""

    used: int
    allowed_for: tuple[str, ...]
    notes: tuple[str, ...]
    dropped: tuple[str, ...]
    blank: int

    @classmethod
    def of(cls, model: AdjustedModel) -> ModelSummary:
        """Of a fitted model."""
        names = [name for name, factor in model.factors.items() if len(factor.levels) > 1]
        names += [name for name in (TEMPERATURE,) if name in model.numbers]
        names += [name for name in (*model.adjusters, *model.groups) if name != "tank_season"]
        names += [UNITS] if UNITS in model.numbers else []
        blank = int(np.sum(model.numbers.get(missing_of(TEMPERATURE), 0.0)))
        return cls(len(model.rows), tuple(names), model.fit.notes, model.dropped, blank)


@dataclass(frozen=True, eq=False)
class ByMethod:
    """contrasts: (method, contrast); refused: method -> why; note: what batch was done about."""

    contrasts: list[tuple[str, Contrast]]
    refused: dict[str, str]
    note: str


@dataclass(frozen=True, eq=False)
class OutcomeReport:
    """What one outcome's fit says: findings of its family, practices level by level, methods, notes, diagnostics.

    given, used: tank-seasons; blanks: practice -> tank-seasons without it; total, direct: the two models; told:
    how many of the findings were compared in the former (they come first); correlation: of their estimates.
    """

    outcome: str
    given: int
    used: int
    left_out: dict[str, int]
    waiting: tuple[str, ...]
    blanks: dict[str, int]
    findings: list[Finding]
    levels: pd.DataFrame
    told: int = 0
    correlation: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))
    total: ModelSummary | None = None
    direct: ModelSummary | None = None
    refusal: str = ""
    bend: Bend = field(default_factory=Bend)
    methods: ByMethod | None = None
    diagnostics: FitDiagnostics | None = None


@dataclass(frozen=True, eq=False)
class DirectAnswer:
    """What the model with the water temperature says; correlation: of the estimates of its findings."""

    findings: list[Finding]
    correlation: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))
    model: ModelSummary | None = None
    bend: Bend = field(default_factory=Bend)


def together(total: OutcomeReport, direct: DirectAnswer) -> OutcomeReport:
    """Everything one outcome's rows say of practices and temperature, as one family.

    Estimates of the two models are taken as independent, which is the safe side: the chance that all of some
    normal variables lie in symmetric bands is least when groups of them are independent (Royen 2014, Far East J
    Theor Stat 48:139).
    """
    if total.total is None:
        return total
    findings = [*total.findings[: total.told], *direct.findings, *total.findings[total.told :]]
    found = as_family(findings, block_diag(total.correlation, direct.correlation))
    return replace(total, findings=found, direct=direct.model, bend=direct.bend)


def total_report(given: pd.DataFrame, outcome: str) -> OutcomeReport:
    """What one outcome's rows say of practices, temperature left out; not yet a family."""
    rows = outcome_rows(given, outcome)
    blanks = {name: factor.blank for name, factor in rows.factors.items()}
    counts = outcome, len(given), len(rows.used), rows.left_out, rows.waiting, blanks
    try:
        total = fit_adjusted(rows.used, [one for name, one in rows.factors.items() if name not in rows.waiting])
    except BroodyearError as error:
        reason = Reason.NOT_CONVERGED if len(rows.used) else Reason.TOO_FEW_TANKS
        findings = _without_estimate(rows, dict.fromkeys(rows.factors, reason))
        return OutcomeReport(*counts, findings, practice_rows(rows, None, {}, {}), refusal=str(error))
    names = [name for name, factor in total.factors.items() if factor.is_comparable]
    averages = {name: total.averages_of(name) for name in names}
    contrasts = [one for name in names for one in factor_contrasts(total, name, averages[name])]
    within, silent = within_batches(total, contrasts), _silent(rows)
    bounds = [silent.beside(one, averages[one.factor]) if one.refused is None else None for one in contrasts]
    told = [
        Finding(outcome, one, within.get((one.factor, one.level)), bound)
        for one, bound in zip(contrasts, bounds, strict=True)
    ]
    out = dict.fromkeys(total.dropped, Reason.SEPARATED) | dict.fromkeys(rows.waiting, Reason.TOO_FEW_TANKS)
    is_main = outcome == MAIN_OUTCOME
    return OutcomeReport(
        *counts,
        findings=[*told, *_without_estimate(rows, out)],
        levels=practice_rows(rows, total, averages, within),
        told=len(told),
        correlation=correlation_of(total, contrasts),
        total=ModelSummary.of(total),
        methods=other_methods(total, names) if is_main or len(rows.used) <= MOST_ROWS_FOR_EVERY_METHOD else None,
        diagnostics=diagnose(total, outcome) if is_main else None,
    )


def direct_answer(given: pd.DataFrame, outcome: str) -> DirectAnswer:
    """The model with the water temperature instead of the set point: +1 °C, and rooms at equal temperature."""
    rows = outcome_rows(given, outcome)
    temps = np.full(len(rows.used), np.nan)
    if TEMPERATURE in rows.used:
        temps = pd.to_numeric(rows.used[TEMPERATURE], errors="coerce").to_numpy(dtype=float)
    known = np.isfinite(temps)
    tanks, batches = int(known.sum()), int(rows.used.loc[known, "batch_id"].nunique())

    def refused(reason: Reason) -> DirectAnswer:
        return DirectAnswer(
            [Finding(outcome, Contrast(TEMPERATURE, STEP_LEVEL, "", tanks, batches, refused=reason))]
        )

    numbers = centred(TEMPERATURE, temps)
    if not numbers:
        return refused(Reason.TOO_FEW_TANKS if tanks else Reason.NO_RECORDS)
    factors = [one for name, one in rows.factors.items() if name not in (*rows.waiting, SET_POINT)]
    try:
        model = fit_adjusted(rows.used, factors, numbers)
    except BroodyearError:
        return refused(Reason.NOT_CONVERGED)
    if TEMPERATURE in model.dropped:
        return refused(Reason.SEPARATED)
    contrasts = [step_contrast(model, TEMPERATURE, STEP_LEVEL, tanks, batches, 1.0)]
    if ROOM in model.factors and model.factors[ROOM].is_comparable:
        contrasts += factor_contrasts(model, ROOM, model.averages_of(ROOM))
    within = within_batches(model, contrasts)
    named = [replace(one, factor=DIRECT) if one.factor == ROOM else one for one in contrasts]
    beside = [within.get((one.factor, one.level)) for one in contrasts]
    findings = [Finding(outcome, *both) for both in zip(named, beside, strict=True)]
    bend = bend_of(model, TEMPERATURE, temps)
    return DirectAnswer(findings, correlation_of(model, contrasts), ModelSummary.of(model), bend)


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


def _without_estimate(rows: OutcomeRows, out: Mapping[str, Reason]) -> list[Finding]:
    """Levels that cannot be compared, and all of factors that are not in the model; out: why these are not."""
    found = []
    for name, factor in rows.factors.items():
        refused = dict.fromkeys(factor.compared[1:], out[name]) if name in out else {}
        if name not in out and not factor.is_comparable and factor.compared:
            refused = {factor.reference: Reason.ONE_LEVEL}
        for level, reason in [*refused.items(), *factor.refused.items()]:
            reference = "" if level == factor.reference else factor.reference
            contrast = Contrast(name, level, reference, *factor.sizes[level], refused=reason)
            found.append(Finding(rows.outcome, contrast, reason=reason))
    return found


def other_methods(model: AdjustedModel, names: Sequence[str]) -> ByMethod:
    """Contrasts of some factors by the four other methods."""
    wide, note = _with_batches(model)
    found = ByMethod([], {}, note)
    try:
        refuse_separation(wide.fit.design)
    except BroodyearError as error:
        return replace(found, refused=dict.fromkeys(OTHER_METHODS, str(error)))
    for method in OTHER_METHODS:
        try:
            own = replace(wide, fit=fit_design(wide.fit.design, method))
        except BroodyearError as error:
            found.refused[method] = str(error)
            continue
        told = [one for name in names for one in factor_contrasts(own, name, own.averages_of(name))]
        found.contrasts.extend((method, one) for one in told)
    return found


def _with_batches(model: AdjustedModel) -> tuple[AdjustedModel, str]:
    """The model's rows and columns with batch as a factor where batches are few enough; and what was done."""
    batch = model.rows["batch_id"]
    chosen = (batch.map(batch.value_counts()) > 1).to_numpy()
    number, alone = batch[chosen].nunique(), int((~chosen).sum())
    tail = f"; {alone} tanks alone in their batch left out" if alone else ""
    further, note = [batch_factor(batch[chosen])], f"Batch as a fixed factor{tail}."
    if number < 2 or TANKS_PER_BATCH * number > chosen.sum():
        chosen, further, note = np.ones(len(batch), dtype=bool), [], "Batch is not adjusted for."
    rows = model.rows[chosen].reset_index(drop=True)
    factors, adjusters = (
        {name: replace(factor, codes=factor.codes[chosen]) for name, factor in those.items()}
        for those in (model.factors, model.adjusters)
    )
    numbers = {name: values[chosen] for name, values in model.numbers.items()}
    columns = build_columns(len(rows), [*adjusters.values(), *factors.values(), *further], numbers)
    fit = replace(model.fit, design=design_of(rows, columns, ("site_id",)))
    wide = replace(model, rows=rows, factors=factors, columns=columns, numbers=numbers, fit=fit)
    return wide, note
