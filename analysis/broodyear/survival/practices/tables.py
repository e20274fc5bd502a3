"""The rows of effects.csv, methods.csv, fits.csv and practices.csv, from what the outcomes' fits say; and their
notes, from the values that decided them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from broodyear.claims import REASONS, Reason
from broodyear.statistics.numbers import p_words
from broodyear.survival.practices.curve import Bend
from broodyear.survival.practices.factors import FEWEST_BATCHES, FEWEST_TANKS, MERGED, PRACTICES
from broodyear.survival.practices.findings import DIRECT, TEMPERATURE, Contrast, Finding
from broodyear.survival.practices.levels import COMBINED, GRAVEL, JOINT, ROOM
from broodyear.survival.practices.model import UNITS
from broodyear.survival.practices.outcome import ModelSummary, OutcomeReport
from broodyear.survival.tank_frame import HATCH

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

#: Of a degree's effect at hatch (tests/benchmarks/survival_planted_effects_test.py).
UNCOUNTED = "dead eggs that nobody counted pass for hatched, so it is told somewhat too small"
#: An answer within batches is worth a word when it lies this many points from the other.
POINTS_APART = 3.0

_WORDS = {
    "site_id": "site",
    "batch_id": "batch",
    GRAVEL: "gravel",
    TEMPERATURE: "water temperature",
    UNITS: "units at delivery",
} | {practice.name: practice.words for practice in PRACTICES if practice.name != GRAVEL}


def effect_rows(report: OutcomeReport, findings: Sequence[Finding]) -> pd.DataFrame:
    """Rows of effects.csv of one outcome, in the order of the findings."""
    others: dict[tuple[str, str, str], list[Contrast]] = {}
    for _, one in report.methods.contrasts if report.methods else []:
        others.setdefault(one.key, []).append(one)
    rows = [_effect_row(report, finding, others.get(finding.contrast.key, [])) for finding in findings]
    return pd.DataFrame(rows, columns=list(EFFECT_COLUMNS))


def _effect_row(report: OutcomeReport, finding: Finding, others: Sequence[Contrast]) -> dict[str, Any]:
    contrast, within, silence = finding.contrast, finding.within, finding.silence
    low, high, agree = spread_of(contrast, others)
    return {
        **estimates(contrast),
        "outcome": finding.outcome,
        "p_family": finding.p_family,
        "comparisons": finding.comparisons,
        "decision": str(REASONS[finding.reason].decision),
        "reason": str(finding.reason),
        "shrunken_points": finding.shrunken_points,
        "typical_difference_points": contrast.typical_points,
        "within_batch_odds_ratio": within.odds_ratio() if within else np.nan,
        "within_batch_low": within.odds_ratio(-1) if within else np.nan,
        "within_batch_high": within.odds_ratio(1) if within else np.nan,
        "tanks_silent": silence.silent if silence else 0,
        "points_if_silent_lost": silence.lost_points if silence else np.nan,
        "points_if_silent_alike": contrast.points if silence else np.nan,
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


def spread_of(contrast: Contrast, others: Sequence[Contrast]) -> tuple[float, float, bool]:
    """Smallest and largest difference in points by any method, and whether all lie in the headline's interval."""
    points = [one.points for one in (contrast, *others) if np.isfinite(one.points)]
    inside = all(contrast.points_low <= one <= contrast.points_high for one in points)
    return (min(points), max(points), inside) if points else (np.nan, np.nan, True)


def estimates(contrast: Contrast) -> dict[str, Any]:
    """The columns that every method fills."""
    named = {name: getattr(contrast, name) for name in ("factor", "level", "reference", "tanks", "batches")}
    return named | contrast.shown()


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
    said = {"practices": _model_said(report.total) if report.total else [report.refusal]}
    if report.total and report.waiting:
        waiting = ", ".join(map(_word, report.waiting))
        said["practices"].append(f"Too few tanks for these beside the others: {waiting}.")
    if report.direct:
        said["temperature"] = _temperature_said(report.direct, report.bend)
    used = report.total.used if report.total else 0
    rows = [(report.outcome, name, report.given, used, left_out, " ".join(notes)) for name, notes in said.items()]
    return pd.DataFrame(rows, columns=NOTE_COLUMNS)


def _model_said(model: ModelSummary) -> list[str]:
    dropped = f"Left out, as it goes with every fish lived or died: {', '.join(map(_word, model.dropped))}."
    return [*model.notes, *([dropped] if model.dropped else [])]


def _temperature_said(model: ModelSummary, bend: Bend) -> list[str]:
    said = _model_said(model)
    if model.blank:
        said.append(f"{model.blank} tanks without a usable temperature have a level of their own.")
    if np.isfinite(bend.p_value):
        verb = "does not act in" if bend.is_curved else "is not shown to act in anything but"
        said.append(f"Temperature {verb} a straight line ({p_words(bend.p_value)}).")
    return said


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


def why_no_estimate(
    reason: Reason, tanks: int, batches: int, partners: tuple[str, ...] = (), why: str = ""
) -> str:
    """Why a level has no estimate; partners: what it cannot be told apart from; why: the model's own refusal."""
    counted = f"{tanks} tank{'' if tanks == 1 else 's'} in {batches} batch{'' if batches == 1 else 'es'}"
    if reason is Reason.TOO_FEW_TANKS:
        merged = f"; counted under {MERGED}" if tanks < FEWEST_TANKS else " for all practices at once"
        return f"too few: {counted}{merged}"
    return {
        Reason.TOO_FEW_BATCHES: f"too few: {counted}, fewer than {FEWEST_BATCHES} batches",
        Reason.ONE_LEVEL: "the only level with tanks enough, so there is nothing to compare it with",
        Reason.CONFOUNDED: f"cannot be told apart from {_named(partners)} in these records",
        Reason.NEVER_SHARE_BATCH: "cannot be told apart from batch: shares no batch with what it is compared with",
        Reason.SEPARATED: "no finite estimate: every fish lived or every fish died; left out of the model",
        Reason.NO_RECORDS: "not recorded",
    }.get(reason, why.rstrip(".") or "no estimate")


def _named(partners: tuple[str, ...]) -> str:
    words = [name.replace("_", " ") for name in partners]
    return " and ".join(words) if words else "other columns"


def note_of(finding: Finding, bend: Bend, refusal: str = "") -> str:
    """The note of a row of effects.csv."""
    contrast = finding.contrast
    if contrast.refused is not None:
        return why_no_estimate(contrast.refused, contrast.tanks, contrast.batches, contrast.partners, refusal)
    parts = [UNCOUNTED] if contrast.factor == TEMPERATURE and finding.outcome == HATCH else []
    if contrast.factor == TEMPERATURE and bend.is_curved:
        best = f"survival is highest near {bend.best_temp_c:.1f} °C, {bend.best_pct:.0f} %"
        shown = p_words(bend.p_value)
        parts.append(
            f"not a straight line ({shown}): one step cannot stand for every temperature; by the curve {best}"
        )
    if finding.within is not None and finding.within.disagrees(contrast):
        ratio = finding.within.odds_ratio()
        parts.append(f"within batch the odds ratio is {ratio:.2f}: over all batches, batches are compared as well")
    decided = finding.reason in (Reason.CLEAR, Reason.DEPENDS_ON_SILENT)
    if finding.silence is not None and decided and finding.silence.blurs(contrast):
        lost = f"{finding.silence.lost_points:+.1f}".replace("-", "−")
        parts.append(f"{lost} points if every silent tank lost all its fish")
    return "; ".join(parts)
