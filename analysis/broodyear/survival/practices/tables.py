"""The rows of effects.csv, methods.csv and fits.csv, and why a level has no estimate, in words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from broodyear.claims import REASONS, Claim, ClaimKind, Reason, claims_from
from broodyear.survival.practices.factors import FEWEST_BATCHES, FEWEST_TANKS, MERGED, PRACTICES
from broodyear.survival.practices.findings import TEMPERATURE, Finding
from broodyear.survival.practices.model import UNITS, AdjustedModel, missing_of
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
_KEY = ["factor", "level", "reference"]

#: Of a degree's effect at hatch (tests/benchmarks/survival_planted_effects_test.py).
UNCOUNTED = "dead eggs that nobody counted pass for hatched, so it is told somewhat too small"

_WORDS = {practice.name: practice.words for practice in PRACTICES} | {
    "site_id": "site",
    "batch_id": "batch",
    "gravel_practice": "gravel",
    TEMPERATURE: "water temperature",
    UNITS: "units at delivery",
}


def in_words(name: str) -> str:
    """A column or factor as sentences say it."""
    return _WORDS.get(name, name.replace("_", " "))


def estimates(finding: Finding) -> dict[str, Any]:
    """The columns that every method fills."""
    named = {name: getattr(finding, name) for name in ("outcome", *_KEY, "tanks", "batches")}
    return named | finding.shown()


def effect_rows(findings: Sequence[Finding], methods: pd.DataFrame, given: int, used: int) -> pd.DataFrame:
    """Rows of effects.csv of one outcome, in the order of the findings; methods: the same by other methods."""
    others = methods.groupby(_KEY)["difference_points"].agg(list).to_dict()
    rows = [
        {**_effect_row(finding, others.get(finding.key, [])), "rows_given": given, "rows_used": used}
        for finding in findings
    ]
    return pd.DataFrame(rows, columns=list(EFFECT_COLUMNS))


def _effect_row(finding: Finding, others: Sequence[float]) -> dict[str, Any]:
    within, reason = finding.within, finding.reason
    points = [one for one in (finding.points, *others) if np.isfinite(one)]
    ratios = [within.odds_ratio(side) for side in (0, -1, 1)] if within else [np.nan] * 3
    return {
        **estimates(finding),
        "p_family": finding.p_family,
        "comparisons": finding.comparisons,
        "decision": str(REASONS[reason].decision),
        "reason": str(reason),
        "shrunken_points": finding.shrunken_points,
        "typical_difference_points": finding.typical_points,
        **dict(zip(("within_batch_odds_ratio", "within_batch_low", "within_batch_high"), ratios, strict=True)),
        "tanks_silent": finding.silent,
        "points_if_silent_lost": finding.lost_points,
        "points_if_silent_alike": finding.points if np.isfinite(finding.lost_points) else np.nan,
        "silence_blurs": finding.is_blurred,
        "methods_low": min(points, default=np.nan),
        "methods_high": max(points, default=np.nan),
        "methods_agree": all(finding.points_low <= one <= finding.points_high for one in points),
        "method": "mixed",
        "adjusted_for": finding.adjusted_for,
        "note": note_of(finding),
    }


def effect_claims(effects: pd.DataFrame) -> list[Claim]:
    """One claim per row of effects.csv, made or looked for and not made."""
    names = {"estimate": "difference_points", "low": "difference_low", "high": "difference_high"}
    kinds = {True: ClaimKind.TEMPERATURE_DIFFERS, False: ClaimKind.PRACTICE_DIFFERS}
    stated = effects.assign(kind=(effects["factor"] == TEMPERATURE).map(kinds))
    return claims_from(stated, {**names, "subject": "factor"}, unit="points", section="practices")


def adjusted_for(model: AdjustedModel, factor: str) -> str:
    """What an effect of a model allows for, in words."""
    known = (*model.names, TEMPERATURE, "species", "season")
    names = [*(name for name in known if name in model.parts), *model.groups[:-1]]  # the last is the tank-season
    names += [name for name in (UNITS,) if name in model.parts]
    words = list(dict.fromkeys(in_words(name) for name in names if name != factor))
    return ", ".join(words[:-1]) + f" and {words[-1]}" if len(words) > 1 else "".join(words)


def model_notes(model: AdjustedModel) -> list[str]:
    """What a reader of a model must know, as sentences."""
    said, dropped = list(model.fit.notes), ", ".join(map(in_words, model.dropped))
    if dropped:
        said.append(f"Left out, as it goes with every fish lived or died: {dropped}.")
    if missing_of(TEMPERATURE) in model.parts:
        blank = int(model.columns.matrix[:, model.columns.places[missing_of(TEMPERATURE)]].sum())
        said.append(f"{blank} tanks without a usable temperature have a level of their own.")
    return said


def _why_no_estimate(finding: Finding) -> str:
    tanks, batches, partners = finding.tanks, finding.batches, finding.partners
    counted = f"{tanks} tank{'' if tanks == 1 else 's'} in {batches} batch{'' if batches == 1 else 'es'}"
    merged = f"; counted under {MERGED}" if tanks < FEWEST_TANKS else " for all practices at once"
    others = " and ".join(name.replace("_", " ") for name in partners) or "other columns"
    return {
        Reason.TOO_FEW_TANKS: f"too few: {counted}{merged}",
        Reason.TOO_FEW_BATCHES: f"too few: {counted}, fewer than {FEWEST_BATCHES} batches",
        Reason.ONE_LEVEL: "the only level with tanks enough, so there is nothing to compare it with",
        Reason.CONFOUNDED: f"cannot be told apart from {others} in these records",
        Reason.NEVER_SHARE_BATCH: "cannot be told apart from batch: shares no batch with what it is compared with",
        Reason.SEPARATED: "no finite estimate: every fish lived or every fish died; left out of the model",
        Reason.NO_RECORDS: "not recorded",
    }.get(finding.reason, finding.why.rstrip(".") or "no estimate")


def note_of(finding: Finding) -> str:
    """The note of a row of effects.csv."""
    if finding.refused is not None:
        return _why_no_estimate(finding)
    parts = [UNCOUNTED] if finding.factor == TEMPERATURE and finding.outcome == HATCH else []
    parts += [finding.why] if finding.why else []
    if finding.within and finding.is_otherwise_within:
        ratio = finding.within.odds_ratio()
        parts.append(f"within batch the odds ratio is {ratio:.2f}: over all batches, batches are compared as well")
    if finding.is_blurred and finding.reason in (Reason.CLEAR, Reason.DEPENDS_ON_SILENT):
        lost = f"{finding.lost_points:+.1f}".replace("-", "−")
        parts.append(f"{lost} points if every silent tank lost all its fish")
    return "; ".join(parts)
