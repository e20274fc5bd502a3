"""One outcome: its rows, its fit with all practices, and every contrast with what decides it; and the whole report
from all of them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from scipy.linalg import block_diag

from broodyear.claims import Claim, Reason
from broodyear.errors import BroodyearError, NothingToAnalyse
from broodyear.notes import note
from broodyear.shown import ShownResult, Shows
from broodyear.statistics.crossed import Grouping
from broodyear.statistics.numbers import FloatArray
from broodyear.survival.fit import fit_design
from broodyear.survival.marginal import refuse_separation
from broodyear.survival.practices.diagnostics import Curvature, curvature_of, diagnose
from broodyear.survival.practices.factors import SET_POINT, OutcomeRows, batch_factor, in_words, outcome_rows
from broodyear.survival.practices.findings import (
    DIRECT,
    METHOD_COLUMNS,
    STEP_LEVEL,
    TEMPERATURE,
    Finding,
    as_family,
    beside_silent,
    correlation_between,
    effect_claims,
    effect_rows,
    factor_contrasts,
    gated,
    refusals,
    silent_tanks,
    step_contrast,
    within_batches,
)
from broodyear.survival.practices.levels import PRACTICE_COLUMNS, ROOM, practice_table
from broodyear.survival.practices.model import UNITS, AdjustedModel, centred, design_of, fit_adjusted, measured
from broodyear.survival.tank_frame import MAIN_OUTCOME, OUTCOMES, prepare

ROW_COUNTS = ["rows_given", "rows_used"]
NOTE_COLUMNS = ["outcome", "model", *ROW_COUNTS, "left_out", "note"]
#: Above this many tank-seasons the other methods are asked of the whole stay alone, so that a review stays quick.
MOST_ROWS_FOR_EVERY_METHOD = 5000
OTHER_METHODS = ("beta_binomial", "quasi_binomial", "clustered", "exchangeable")
#: Batches are a factor where there are this many tanks for each.
TANKS_PER_BATCH = 4


@dataclass(frozen=True, eq=False)
class OutcomeReport:
    """What one of the two models of an outcome says, or both together.

    fits: NOTE_COLUMNS, one row per model; findings: contrasts compared, with the correlation of their estimates;
    refused: what cannot be compared, where no model could be fitted all; used: tank-seasons; methods:
    METHOD_COLUMNS; practices: PRACTICE_COLUMNS.
    """

    fits: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=NOTE_COLUMNS))
    findings: Sequence[Finding] = ()
    correlation: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))
    refused: Sequence[Finding] = ()
    used: int = 0
    practices: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=PRACTICE_COLUMNS))
    methods: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=METHOD_COLUMNS))
    diagnostics: Mapping[str, pd.DataFrame] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class EffectsReport(ShownResult):
    """Everything that effects, practices and changes show.

    effects: rows of effects.csv, every contrast with its decision; methods: the same contrasts by the other
    methods; fit_notes: one row per outcome and model; practices: rows of practices.csv; diagnostics: of the fit of
    the whole stay, which stands behind the page.
    """

    main, shows = "effects", Shows(
        "Practices, all in one fit", ("factor", "level"), "difference_points", "difference_low", "difference_high",
        "difference in survival, points", {"outcome": MAIN_OUTCOME},
    )  # fmt: skip
    effects: pd.DataFrame
    methods: pd.DataFrame
    fit_notes: pd.DataFrame
    practices: pd.DataFrame
    diagnostics: Mapping[str, pd.DataFrame]

    @property
    def claims(self) -> list[Claim]:
        """One claim per contrast of every outcome, made or looked for and not made."""
        return effect_claims(self.effects)


def effects_report(frame: pd.DataFrame) -> EffectsReport:
    """Effects of practices and temperature on every outcome, from one fit of all practices each.

    For each outcome: a binomial mixed model with site, batch and tank-season (and season, from five on) as random
    intercepts, species, units at delivery and fewer seasons as covariates, and every practice recorded. Total
    effects come from the model without temperature, through which a room or a set point may act; +1 °C and the
    direct effect of a room (`room_type_direct`) from the one with it instead of the set point. All contrasts of an
    outcome are one family; the whole stay is asked before its stages.
    """
    return begin_effects(frame)()


def begin_effects(
    frame: pd.DataFrame, ask: Callable[..., Callable[[], Any]] = partial
) -> Callable[[], EffectsReport]:
    """The same begun, and to be had later; ask: has a model of an outcome worked out, perhaps by another process;
    what it returns gives the answer. Those of the whole stay are begun first."""
    if isinstance(frame, pd.DataFrame) and frame.empty:
        return lambda: _report([])  # refused when the answer is wanted
    rows = prepare(frame)
    present = [name for name in OUTCOMES if (rows["outcome"] == name).any()]
    begun = {
        name: [
            ask(_modelled, rows[rows["outcome"] == name], name, model) for model in (total_report, direct_report)
        ]
        for name in reversed(present)
    }
    return lambda: _report([_together(*(answer() for answer in begun[name])) for name in present])


def _modelled(rows: pd.DataFrame, outcome: str, model: Callable[[OutcomeRows], OutcomeReport]) -> OutcomeReport:
    """What a model says of an outcome, given prepared rows."""
    return model(outcome_rows(rows, outcome))


def _report(parts: Sequence[OutcomeReport]) -> EffectsReport:
    """The whole report from those of the outcomes."""
    if not any(part.used or len(part.practices) for part in parts):
        raise NothingToAnalyse("No tank-season has an outcome, so there are no effects to estimate.")
    findings = iter(gated([finding for part in parts for finding in part.findings], MAIN_OUTCOME))
    effects = [
        effect_rows([next(findings) for _ in part.findings], part.methods, *part.fits[ROW_COUNTS].iloc[0])
        for part in parts
    ]
    return EffectsReport(
        effects=_stacked(effects),
        methods=_stacked([part.methods for part in parts]),
        fit_notes=_stacked([part.fits for part in parts]),
        practices=_stacked([part.practices for part in parts]),
        diagnostics={name: table for part in parts for name, table in part.diagnostics.items()},
    )


def _stacked(tables: Sequence[pd.DataFrame]) -> pd.DataFrame:
    filled = [table for table in tables if len(table)]
    return pd.concat(filled, ignore_index=True) if filled else tables[0].copy()


def _together(total: OutcomeReport, direct: OutcomeReport) -> OutcomeReport:
    """Everything one outcome's rows say of practices and temperature, as one family.

    Estimates of the two models are taken as independent, which is the safe side: the chance that all of some
    normal variables lie in symmetric bands is least when groups of them are independent (Royen 2014, Far East J
    Theor Stat 48:139).
    """
    family = []
    if total.fits["rows_used"].any():
        family = as_family([*total.findings, *direct.findings], block_diag(total.correlation, direct.correlation))
        total = replace(total, fits=_stacked([total.fits, direct.fits]))
    return replace(total, findings=[*family, *total.refused])


def total_report(rows: OutcomeRows) -> OutcomeReport:
    """What one outcome's rows say of practices, temperature left out; not yet a family."""
    try:
        model = fit_adjusted(rows.used, [one for name, one in rows.factors.items() if name not in rows.waiting])
    except BroodyearError as error:
        reason = Reason.NOT_CONVERGED if len(rows.used) else Reason.TOO_FEW_TANKS
        refused = refusals(rows.factors, rows.outcome, dict.fromkeys(rows.factors, reason), str(error))
        table = practice_table(rows, None, {}, refused, str(error))
        fits = _fit_row(rows, "practices", 0, str(error))
        return OutcomeReport(fits, refused=refused, used=len(rows.used), practices=table)
    names = [name for name, factor in model.factors.items() if factor.is_comparable]
    averages, silent = {name: model.averages_of(name) for name in names}, silent_tanks(rows)
    contrasts = [
        beside_silent(one, silent, averages[name])
        for name in names
        for one in factor_contrasts(model, name, averages[name])
    ]
    found = _answered(rows, model, contrasts, "practices", model_note(model, rows.waiting))
    out = dict.fromkeys(model.dropped, Reason.SEPARATED) | dict.fromkeys(rows.waiting, Reason.TOO_FEW_TANKS)
    refused, is_main = refusals(rows.factors, rows.outcome, out), rows.outcome == MAIN_OUTCOME
    by_methods = names if is_main or len(rows.used) <= MOST_ROWS_FOR_EVERY_METHOD else ()
    return replace(
        found,
        refused=[replace(one, adjusted_for=adjusted_for(model, one.factor)) for one in refused],
        practices=practice_table(rows, model, averages, [*found.findings, *refused]),
        methods=other_methods(model, by_methods).assign(outcome=rows.outcome),
        diagnostics=diagnose(model) if is_main else {},
    )


def direct_report(rows: OutcomeRows) -> OutcomeReport:
    """The model with the water temperature instead of the set point: +1 °C, and rooms at equal temperature."""
    temps = measured(rows.used, TEMPERATURE)
    known, numbers, model = np.isfinite(temps), centred(TEMPERATURE, temps), None
    sizes = int(known.sum()), int(rows.used.loc[known, "batch_id"].nunique())
    reason = Reason.TOO_FEW_TANKS if known.any() else Reason.NO_RECORDS
    if numbers:
        factors = [one for name, one in rows.factors.items() if name not in (*rows.waiting, SET_POINT)]
        try:
            model, reason = fit_adjusted(rows.used, factors, numbers), Reason.SEPARATED
        except BroodyearError:
            reason = Reason.NOT_CONVERGED
    if model is None or TEMPERATURE in model.dropped:
        refused = Finding(TEMPERATURE, STEP_LEVEL, "", *sizes, rows.outcome, refused=reason)
        return OutcomeReport(findings=[refused])
    curvature = curvature_of(model, TEMPERATURE, temps)
    beside = note("practices", "curve", line=curvature) if curvature.is_curved else ""
    contrasts = [replace(step_contrast(model, TEMPERATURE, STEP_LEVEL, *sizes, 1.0), why=beside)]
    if ROOM in model.factors and model.factors[ROOM].is_comparable:
        contrasts += factor_contrasts(model, ROOM, model.averages_of(ROOM))
    found = _answered(rows, model, contrasts, "temperature", model_note(model, line=curvature))
    of_rooms = [replace(one, factor=DIRECT) if one.factor == ROOM else one for one in found.findings]
    return replace(found, findings=of_rooms)


def _answered(
    rows: OutcomeRows, model: AdjustedModel, contrasts: Sequence[Finding], name: str, words: str
) -> OutcomeReport:
    """The contrasts of a fitted model with their answers within batches; words: on the model."""
    findings = [
        replace(one, outcome=rows.outcome, adjusted_for=adjusted_for(model, one.factor))
        for one in within_batches(model, contrasts)
    ]
    directions = np.array([one.direction for one in findings if one.direction is not None])
    correlation, used = correlation_between(directions, model.fit.variance), len(rows.used)
    return OutcomeReport(_fit_row(rows, name, used, words), findings, correlation, used=used)


def _fit_row(rows: OutcomeRows, model: str, used: int, words: str) -> pd.DataFrame:
    """NOTE_COLUMNS of one model."""
    left_out = "; ".join(f"{reason}: {count}" for reason, count in rows.left_out.items())
    row = (rows.outcome, model, len(rows.given), used, left_out, words)
    return pd.DataFrame([row], columns=NOTE_COLUMNS)


def model_note(model: AdjustedModel, waiting: Sequence[str] = (), line: Curvature | None = None) -> str:
    """What a reader of a model must know; waiting: practices left out; line: whether temperature acts in one."""
    dropped, waits = (list(map(in_words, names)) for names in (model.dropped, waiting))
    line, blank = line if line and np.isfinite(line.p_value) else None, model.blank(TEMPERATURE)
    return note("practices", "model", said=model.fit.notes, dropped=dropped, blank=blank, waiting=waits, line=line)


def adjusted_for(model: AdjustedModel, factor: str) -> str:
    """What an effect of a model allows for, in words."""
    parts = [name for name in (*model.names, TEMPERATURE, "species", "season") if name in model.parts]
    # The last group is the tank-season.
    names = [*parts, *model.fit.groups[:-1], *([UNITS] if UNITS in model.parts else [])]
    words = [in_words(name) for name in dict.fromkeys(names) if name != factor]
    return note("practices", "all_of", words=words)


def other_methods(model: AdjustedModel, names: Sequence[str]) -> pd.DataFrame:
    """METHOD_COLUMNS: contrasts of some factors by the four other methods; one that refused has a row with why."""
    wide, done = _with_batches(model)
    estimates, refused = [], []
    for method in OTHER_METHODS if names else ():
        try:
            refuse_separation(wide.fit.design)
            own = replace(wide, fit=fit_design(wide.fit.design, method))
        except BroodyearError as error:
            why = str(error).rstrip(".")
            refused.append({"factor": "", "level": "all levels", "method": method, "note": why})
            continue
        found = [one for name in names for one in factor_contrasts(own, name, own.averages_of(name))]
        estimates += [{**one.estimates, "method": method, "note": done} for one in found if one.refused is None]
    return pd.DataFrame([*estimates, *refused]).reindex(columns=METHOD_COLUMNS)


def _with_batches(model: AdjustedModel) -> tuple[AdjustedModel, str]:
    """The model's rows and columns with batch as a factor where batches are few enough; and what was done."""
    batch = model.rows["batch_id"]
    chosen = (batch.map(batch.value_counts()) > 1).to_numpy()
    number, alone = batch[chosen].nunique(), int((~chosen).sum())
    tail = f"; {alone} tanks alone in their batch left out" if alone else ""
    further, done = [batch_factor(batch[chosen])], f"Batch as a fixed factor{tail}."
    if number < 2 or TANKS_PER_BATCH * number > chosen.sum():
        chosen, further, done = np.ones(len(batch), dtype=bool), [], "Batch is not adjusted for."
    taken = model.subset(chosen)
    columns = taken.columns_with(*further)
    fit = replace(model.fit, design=design_of(taken.rows, columns, Grouping.of(taken.rows, "site_id")))
    return replace(taken, columns=columns, fit=fit), done
