"""What stands in the note of a row of effects.csv or practices.csv, from the values that decided it."""

from __future__ import annotations

from broodyear.claims import Reason
from broodyear.statistics.numbers import p_words
from broodyear.survival.practices.coding import FEWEST_BATCHES, FEWEST_TANKS, MERGED
from broodyear.survival.practices.curve import Bend
from broodyear.survival.practices.findings import TEMPERATURE, Finding
from broodyear.survival.tank_frame import HATCH

#: Of a degree's effect at hatch (tests/benchmarks/survival_planted_effects_test.py).
UNCOUNTED = "dead eggs that nobody counted pass for hatched, so it is told somewhat too small"
#: An answer within batches is worth a word when it lies this many points from the other.
POINTS_APART = 3.0


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
