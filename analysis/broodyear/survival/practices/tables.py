"""The rows of effects.csv, methods.csv, fits.csv and practices.csv, from what the outcomes' fits say."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from broodyear.claims import REASONS, Reason
from broodyear.statistics.numbers import p_words
from broodyear.survival.practices.contrasts import Contrast
from broodyear.survival.practices.factors import PRACTICES
from broodyear.survival.practices.findings import DIRECT, TEMPERATURE, Finding
from broodyear.survival.practices.levels import COMBINED, GRAVEL, JOINT, ROOM
from broodyear.survival.practices.methods import spread_of
from broodyear.survival.practices.model import UNITS
from broodyear.survival.practices.notes import POINTS_APART, note_of, why_no_estimate
from broodyear.survival.practices.outcome import ModelSummary, OutcomeReport

EFFECT_COLUMNS = (
    "outcome", "factor", "level", "reference", "tanks", "batches", "odds_ratio", "or_low", "or_high",
    "difference_points", "difference_low", "difference_high", "p_value", "p_family", "comparisons", "decision",
    "reason", "shrunken_points", "typical_difference_points", "within_batch_odds_ratio", "within_batch_low",
    "within_batch_high", "tanks_silent", "points_if_silent_lost", "points_if_silent_alike", "silence_blurs",
    "methods_low", "methods_high", "methods_agree", "method", "rows_given", "rows_used", "adjusted_for", "note",
)  # fmt: skip
METHOD_COLUMNS = [*EFFECT_COLUMNS[:13], "method", "note"]
NOTE_COLUMNS = ["outcome", "model", "rows_given", "rows_used", "left_out", "note"]

PRACTICE_NAMES = tuple(practice.name for practice in PRACTICES)
PRACTICE_COLUMNS = [
    "practice", "level", *PRACTICE_NAMES, "other_practice", "outcome", "tanks", "batches", "seasons",
    "eggs", "raw_pct",
    "adjusted_pct", "adjusted_low", "adjusted_high", "difference_points", "difference_low", "difference_high",
    "p_value", "within_batch_points", "note",
]  # fmt: skip

_WORDS = {
    "site_id": "site",
    "batch_id": "batch",
    GRAVEL: "gravel",
    TEMPERATURE: "water temperature",
    UNITS: "units at delivery",
} | {practice.name: practice.words for practice in PRACTICES if practice.name != GRAVEL}


def effect_rows(report: OutcomeReport, findings: Sequence[Finding]) -> pd.DataFrame:
    """Rows of effects.csv of one outcome, in the order of the findings."""
    others = _by_key(report)
    rows = [_effect_row(report, finding, others.get(finding.key, [])) for finding in findings]
    return pd.DataFrame(rows, columns=list(EFFECT_COLUMNS))


def _by_key(report: OutcomeReport) -> dict[tuple[str, str, str], list[Contrast]]:
    found: dict[tuple[str, str, str], list[Contrast]] = {}
    for _, one in report.methods.contrasts if report.methods else []:
        found.setdefault((one.factor, one.level, one.reference), []).append(one)
    return found


def _effect_row(report: OutcomeReport, finding: Finding, others: Sequence[Contrast]) -> dict[str, Any]:
    contrast, within, silence = finding.contrast, finding.within, finding.silence
    low, high, agree = spread_of(contrast, others)
    claim = Reason(finding.reason)
    return {
        **estimates(contrast),
        "outcome": finding.outcome,
        "p_family": finding.p_family,
        "comparisons": finding.comparisons,
        "decision": str(REASONS[claim].decision),
        "reason": str(claim),
        "shrunken_points": finding.shrunken_points,
        "typical_difference_points": contrast.typical_points,
        "within_batch_odds_ratio": within.odds_ratio() if within else np.nan,
        "within_batch_low": within.odds_ratio(-1) if within else np.nan,
        "within_batch_high": within.odds_ratio(1) if within else np.nan,
        "tanks_silent": silence.silent if silence else 0,
        "points_if_silent_lost": silence.lost_points if silence else np.nan,
        "points_if_silent_alike": silence.alike_points if silence else np.nan,
        "silence_blurs": bool(silence and silence.blurs(contrast)),
        "methods_low": low,
        "methods_high": high,
        "methods_agree": agree,
        "method": "mixed",
        "rows_given": report.given,
        "rows_used": report.total.used if report.total else 0,
        "adjusted_for": adjusted_for(report, contrast.factor),
        "note": note_of(finding, report.bend, report.refusal),
    }


def estimates(contrast: Contrast) -> dict[str, Any]:
    """The columns that every method fills."""
    return {
        "factor": contrast.factor,
        "level": contrast.level,
        "reference": contrast.reference,
        "tanks": contrast.tanks,
        "batches": contrast.batches,
        "odds_ratio": contrast.odds_ratio(),
        "or_low": contrast.odds_ratio(-1),
        "or_high": contrast.odds_ratio(1),
        "difference_points": contrast.points,
        "difference_low": contrast.points_low,
        "difference_high": contrast.points_high,
        "p_value": contrast.p_value,
    }


def adjusted_for(report: OutcomeReport, factor: str) -> str:
    """What an effect allows for, in words; the water temperature only where it is in the model."""
    model = report.direct if factor in (TEMPERATURE, DIRECT) else report.total
    own = ROOM if factor == DIRECT else factor
    words = list(dict.fromkeys(_word(name) for name in (model.allowed_for if model else ()) if name != own))
    return ", ".join(words[:-1]) + f" and {words[-1]}" if len(words) > 1 else "".join(words)


def _word(name: str) -> str:
    return _WORDS.get(name, name.replace("_", " "))


def method_rows(report: OutcomeReport) -> pd.DataFrame:
    """The same contrasts by the other methods; a method that refused has one row with its sentence."""
    if report.methods is None:
        return pd.DataFrame(columns=METHOD_COLUMNS)
    note = report.methods.note
    rows = [
        {**estimates(one), "outcome": report.outcome, "method": method, "note": note}
        for method, one in report.methods.contrasts
        if one.refused is None
    ]
    rows += [
        {"outcome": report.outcome, "factor": "", "level": "all levels", "method": method, "note": why.rstrip(".")}
        for method, why in report.methods.refused.items()
    ]
    return pd.DataFrame(rows).reindex(columns=METHOD_COLUMNS)


def fit_rows(report: OutcomeReport) -> pd.DataFrame:
    """NOTE_COLUMNS: one row per model of the outcome, with what it used and said."""
    left_out = "; ".join(f"{reason}: {count}" for reason, count in report.left_out.items())
    said = {"practices": _practices_said(report)} | (
        {"temperature": _temperature_said(report)} if report.direct else {}
    )
    rows = [
        (report.outcome, name, report.given, report.total.used if report.total else 0, left_out, " ".join(notes))
        for name, notes in said.items()
    ]
    return pd.DataFrame(rows, columns=NOTE_COLUMNS)


def _practices_said(report: OutcomeReport) -> list[str]:
    if report.total is None:
        return [report.refusal]
    waiting = ", ".join(_word(one) for one in report.waiting)
    return [
        *_model_said(report.total),
        *([f"Too few tanks for these beside the others: {waiting}."] if waiting else []),
    ]


def _temperature_said(report: OutcomeReport) -> list[str]:
    assert report.direct is not None
    said = _model_said(report.direct)
    if report.direct.blank:
        said.append(f"{report.direct.blank} tanks without a usable temperature have a level of their own.")
    if np.isfinite(report.bend.p_value):
        verb = "does not act in" if report.bend.is_curved else "is not shown to act in anything but"
        said.append(f"Temperature {verb} a straight line ({p_words(report.bend.p_value)}).")
    return said


def _model_said(model: ModelSummary) -> list[str]:
    dropped = ", ".join(map(_word, model.dropped))
    return [
        *model.notes,
        *([f"Left out, as it goes with every fish lived or died: {dropped}."] if dropped else []),
    ]


def practice_table(report: OutcomeReport) -> pd.DataFrame:
    """Rows of practices.csv of one outcome: the level in the column of its practice, blank in the others."""
    table = report.levels.assign(outcome=report.outcome)
    for name in PRACTICE_NAMES:
        table[name] = table["level"].where(table["practice"] == name, "")
    is_both = table["practice"] == COMBINED
    for place, name in enumerate((ROOM, GRAVEL)):
        table[name] = table[name].where(~is_both, table["level"].str.split(JOINT, n=1).str[place])
    table["other_practice"] = [
        "" if practice in (COMBINED, ROOM, GRAVEL) else f"{_word(practice)}: {level}"
        for practice, level in zip(table["practice"], table["level"], strict=True)
    ]
    table["note"] = [_practice_note(report, row) for row in table.to_dict("records")]
    return table[PRACTICE_COLUMNS]


def _practice_note(report: OutcomeReport, row: Mapping[Any, Any]) -> str:
    tanks, batches = int(row["tanks"]), int(row["batches"])
    parts = [why_no_estimate(Reason(row["reason"]), tanks, batches)] if row["reason"] else []
    if not row["reason"] and np.isnan(row["difference_points"]):
        parts.append(_lost_estimate(report, row))
    apart = row["within_batch_points"] - row["difference_points"]
    if abs(apart) >= POINTS_APART:
        parts.append(f"within batches the difference is {row['within_batch_points']:+.1f} points")
    blank = report.blanks.get(row["practice"], 0)
    tail = f"{blank} tank-seasons without this record have a level of their own" if blank else ""
    return "; ".join(part for part in (*parts, str(row["together"]), tail) if part)


def _lost_estimate(report: OutcomeReport, row: Mapping[Any, Any]) -> str:
    """Why a level with tanks enough has no estimate."""
    for finding in report.findings:
        contrast = finding.contrast
        own = row["level"] in (contrast.level, contrast.reference)
        if contrast.factor == row["practice"] and own and contrast.refused is not None:
            return why_no_estimate(
                contrast.refused, contrast.tanks, contrast.batches, contrast.partners, report.refusal
            )
    return report.refusal.rstrip(".") or "cannot be told apart from what it goes together with"
