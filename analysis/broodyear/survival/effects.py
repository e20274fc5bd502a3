"""The season report's effects: every practice and temperature, for every outcome, with its reservations."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from broodyear.errors import BroodyearError, NothingToAnalyse
from broodyear.settings import Settings
from broodyear.survival.agreement import agreement_table
from broodyear.survival.effects_bend import Bend, bend_of_temperature
from broodyear.survival.effects_models import Headline, headline_model, method_rows, within_batch
from broodyear.survival.effects_rows import (
    FACTORS,
    TEMPERATURE,
    OutcomeRows,
    outcome_rows,
    outcomes_in,
    with_references,
)
from broodyear.survival.multiplicity import holm
from broodyear.survival.sentences import effect_sentence
from broodyear.survival.separability import separability

EFFECT_COLUMNS = (
    "outcome", "factor", "level", "reference", "tanks", "batches", "odds_ratio", "or_low", "or_high",
    "difference_points", "difference_low", "difference_high", "p_value", "p_holm",
    "typical_difference_points", "within_batch_odds_ratio", "within_batch_low", "within_batch_high",
    "method", "rows_given", "rows_used", "adjusted_for", "agreement", "note", "sentence",
)  # fmt: skip
ESTIMATES = EFFECT_COLUMNS[6:13]
STEP_LEVEL = "+1 °C"


@dataclass(frozen=True, eq=False)
class EffectsReport:
    """Everything the effects section shows.

    effects: rows of effects.csv, headline method mixed, with p_holm over the levels of one outcome.
    methods: the same rows from the other methods beside the headline (columns as far as p_value, method, note).
    fit_notes: one row per outcome and model: outcome, model, rows_given, rows_used, left_out, note.
    """

    effects: pd.DataFrame
    methods: pd.DataFrame
    fit_notes: pd.DataFrame


def effects_table(frame: pd.DataFrame, *, settings: Settings | None = None) -> pd.DataFrame:
    """Rows of effects.csv from a frame of tank outcomes (one row per season, tank and outcome).

    Columns EFFECT_COLUMNS; differences in percentage points 0–100, population-averaged. Raises
    NothingToAnalyse when no outcome has a usable row.
    """
    return effects_report(frame, settings=settings).effects


def effects_report(frame: pd.DataFrame, *, settings: Settings | None = None) -> EffectsReport:
    """Effects of practices and temperature on every outcome, the methods side by side, and the fits' notes.

    For each outcome: a binomial mixed model with site and batch (and season, from five seasons on) as
    random intercepts, species as a factor, and a tank-season intercept when the dispersion asks for one.
    Room and gravel come from a model without temperature, through which a room may act; temperature comes
    from the model with room and gravel. Levels that share no batch with the reference get no estimate.
    """
    del settings  # no setting changes these numbers; kept so that every report table is called alike
    effects, methods, notes = [], [], []
    for outcome in outcomes_in(frame):
        rows = outcome_rows(frame, outcome)
        found, beside, said = _one_outcome(rows)
        effects.append(found)
        methods.append(beside)
        notes.append(said)
    if not effects:
        raise NothingToAnalyse("No tank-season has an outcome, so there are no effects to estimate.")
    return EffectsReport(
        effects=pd.concat(effects, ignore_index=True),
        methods=pd.concat(methods, ignore_index=True),
        fit_notes=pd.concat(notes, ignore_index=True),
    )


def _one_outcome(rows: OutcomeRows) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    factors = [factor for factor in FACTORS if rows.frame[factor].nunique() > 1]
    coded = with_references(rows.frame, [*FACTORS, "species"])
    warm = coded[coded[TEMPERATURE].notna()]
    table: list[dict[str, Any]] = []
    beside: list[pd.DataFrame] = []
    notes: list[dict[str, Any]] = []
    for model, data, terms, wanted in (
        ("practices", coded, factors, factors),
        ("temperature", warm, [*factors, TEMPERATURE], [TEMPERATURE]),
    ):
        try:
            headline = headline_model(data, terms, rows.outcome)
        except BroodyearError as error:
            notes.append(_note_row(rows, model, len(data), 0, str(error)))
            table += _without_model(rows, wanted, str(error))
            continue
        bend = bend_of_temperature(headline) if TEMPERATURE in wanted else Bend()
        for factor in wanted:
            table += _factor_rows(rows, headline, factor, bend.note)
        beside.append(method_rows(headline, wanted))
        said = " ".join(part for part in (*headline.notes, bend.finding) if part)
        notes.append(_note_row(rows, model, len(data), headline.fit.rows_used, said))
    table += _refused_rows(rows)
    methods = _methods_frame(beside)
    _say_agreement(table, methods)
    return _finished(table), methods, pd.DataFrame(notes)


def _factor_rows(rows: OutcomeRows, headline: Headline, factor: str, bend: str = "") -> list[dict[str, Any]]:
    step = factor == TEMPERATURE
    fit = headline.fit
    contrast = fit.step(factor) if step else fit.contrast(factor)
    typical = fit.typical_step(factor) if step else fit.typical_contrast(factor)
    typical_points = typical["difference_points"].tolist()
    within = within_batch(headline, factor)
    connected = None if step else separability(headline.data, factor, "batch_id")
    found = []
    for estimate, points in zip(contrast.to_dict("records"), typical_points, strict=True):
        row = _blank(rows.outcome, factor)
        row.update({str(name): value for name, value in estimate.items()})
        row.update(_counts(headline, factor, estimate["level"]))
        row.update(rows_given=rows.given, rows_used=fit.rows_used, adjusted_for=headline.adjusted_for(factor))
        row["typical_difference_points"] = points
        row["level"] = STEP_LEVEL if step else str(estimate["level"])
        row.update(within.columns(row["level"]))
        notes = (bend, within.note(row["level"]), _merge_note(rows, factor))
        row["note"] = "; ".join(part for part in notes if part)
        row["within_batch_differs"] = within.differs(row["level"])
        if connected is not None and not connected.same_part(estimate["level"], estimate["reference"]):
            row.update(dict.fromkeys(ESTIMATES, np.nan))
            row["note"] = f"not separable from batch: shares no batch with {estimate['reference']}"
        found.append(row)
    return found


def _counts(headline: Headline, factor: str, level: Any) -> dict[str, int]:
    data = headline.data if factor == TEMPERATURE else headline.data[headline.data[factor] == level]
    return {"tanks": len(data), "batches": int(data["batch_id"].nunique())}


def _merge_note(rows: OutcomeRows, factor: str) -> str:
    return "; ".join(note for note in rows.notes if note.startswith(factor))


def _blank(outcome: str, factor: str) -> dict[str, Any]:
    row: dict[str, Any] = dict.fromkeys(EFFECT_COLUMNS, np.nan)
    row.update(
        outcome=outcome,
        factor=factor,
        level="",
        reference="",
        method="mixed",
        note="",
        adjusted_for="",
        agreement="",
    )
    row["within_batch_differs"] = False
    return row


def _without_model(rows: OutcomeRows, factors: Sequence[str], why: str) -> list[dict[str, Any]]:
    found = []
    for factor in factors:
        row = _blank(rows.outcome, factor)
        row.update(level=STEP_LEVEL if factor == TEMPERATURE else "all levels", tanks=len(rows.frame))
        row.update(batches=int(rows.frame["batch_id"].nunique()), rows_given=rows.given, rows_used=0)
        row["note"] = why.rstrip(".")
        found.append(row)
    return found


def _refused_rows(rows: OutcomeRows) -> list[dict[str, Any]]:
    """Levels without an estimate, and factors with one level only."""
    found = []
    counts = {
        (row["factor"], row["level"]): {"tanks": row["tanks"], "batches": row["batches"]}
        for row in rows.counts.to_dict("records")
    }
    for (factor, level), why in rows.refused.items():
        if factor not in FACTORS:
            continue
        row = _blank(rows.outcome, factor)
        row.update(level=level, note=why, rows_given=rows.given, rows_used=0)
        row.update(counts.get((factor, level), {"tanks": 0, "batches": 0}))
        found.append(row)
    for factor in FACTORS:
        if rows.frame[factor].nunique() == 1:
            row = _blank(rows.outcome, factor)
            row.update(level=str(rows.frame[factor].iloc[0]), tanks=len(rows.frame), rows_given=rows.given)
            row.update(batches=int(rows.frame["batch_id"].nunique()), rows_used=len(rows.frame))
            row["note"] = "the only level left, so there is nothing to compare it with"
            found.append(row)
    return found


def _say_agreement(table: list[dict[str, Any]], methods: pd.DataFrame) -> None:
    """Fill the column agreement, and carry it into the note where the conclusion depends on the method."""
    together = pd.concat([pd.DataFrame(table), methods], ignore_index=True)
    found = {(said["factor"], said["level"]): said for said in agreement_table(together).to_dict("records")}
    for row in table:
        said = found.get((row["factor"], row["level"]))
        if said is None or not np.isfinite(row["difference_points"]):
            continue
        row["agreement"] = said["sentence"]
        if "depends on the method" in said["sentence"]:
            told = said["sentence"].rstrip(".")
            row["note"] = f"{row['note']}; {told}" if row["note"] else told


def _finished(table: list[dict[str, Any]]) -> pd.DataFrame:
    frame = pd.DataFrame(table)
    if frame.empty:
        return pd.DataFrame(columns=list(EFFECT_COLUMNS))
    frame["p_holm"] = holm(frame["p_value"].to_numpy(dtype=float))
    frame["sentence"] = [effect_sentence(row) for row in table]
    for name in ("tanks", "batches", "rows_given", "rows_used"):
        frame[name] = frame[name].astype("int64")
    return frame[list(EFFECT_COLUMNS)]


def _methods_frame(parts: list[pd.DataFrame]) -> pd.DataFrame:
    columns = [*EFFECT_COLUMNS[:13], "method", "note"]
    if not parts:
        return pd.DataFrame(columns=columns)
    whole: pd.DataFrame = pd.concat(parts, ignore_index=True).reindex(columns=columns)
    return whole


def _note_row(rows: OutcomeRows, model: str, offered: int, used: int, note: str) -> dict[str, Any]:
    left_out = dict(rows.left_out)
    if offered < len(rows.frame):
        left_out[f"no usable {TEMPERATURE}"] = len(rows.frame) - offered
    listed = "; ".join(f"{reason}: {count}" for reason, count in left_out.items())
    return {
        "outcome": rows.outcome, "model": model, "rows_given": rows.given, "rows_used": used,
        "left_out": listed, "note": note,
    }  # fmt: skip
