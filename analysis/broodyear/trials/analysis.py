"""What came of trials: every tank as it was assigned, whatever was done in it; and that as claims. And what the
records already say of the levels that a trial would give to live animals.

One randomised answer outranks every observed one about the same practice.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from broodyear.claims import CLAIMED_AT, Claim, ClaimKind, Reason, claims_from, excludes_zero
from broodyear.errors import BroodyearError
from broodyear.statistics.multiplicity import holm
from broodyear.survival import fit_survival
from broodyear.survival.practices import PRACTICES, effects_report
from broodyear.survival.tank_frame import MAIN_OUTCOME
from broodyear.trials.randomisation import difference, randomised

#: Fewest tanks of a level for an answer (common practice, no source).
FEWEST_PER_LEVEL = 5
#: Seed of the permutations: the same records give the same interval.
SEED = 20_250_801
OUTCOMES = ("hatch", "hatch_to_release", "delivered_to_release")

COMPARISON_COLUMNS = (
    "factor", "outcome", "level", "reference", "seasons", "tanks", "reference_tanks", "silent", "blocks",
    "followed_pct", "difference_points", "difference_low", "difference_high", "p_value", "p_family", "comparisons",
    "bound_low_points", "bound_high_points", "mixed_points", "mixed_low", "mixed_high", "decision", "reason",
    "note",
)  # fmt: skip


def analyse_trials(rows: pd.DataFrame, season: int | None = None) -> pd.DataFrame:
    """Every comparison of every trial up to ``season`` (default: all), factor by factor and outcome by outcome.

    rows: the derived table trial_outcomes. Blocks of different seasons are different blocks. The reference is the
    first level in alphabetical order, "bare", "false" or "none" before all others.

    Returns COMPARISON_COLUMNS, one row per level against the reference for one outcome, as assigned; differences
    in percentage points. tanks, reference_tanks: with a usable count, in blocks where both levels are; silent:
    assigned to either level but without a count; followed_pct: share of both that did as assigned, of those of
    which it is known; p_family: Holm over the levels compared for one outcome; bound_low_points,
    bound_high_points: the difference had every silent tank of this level lost all and every one of the reference
    kept all, and the reverse; mixed_*: the mixed model beside it, blocks as random intercepts.
    """
    known = rows if season is None else rows[rows["season"] <= season]
    found: list[dict[str, Any]] = []
    for factor, of_factor in known.groupby("factor", sort=True):
        reference, *others = sorted(of_factor["level"].unique(), key=_reference_first)
        for outcome in OUTCOMES:
            of_outcome = of_factor[of_factor["outcome"] == outcome]
            if of_outcome["usable"].any():
                found += _family(str(factor), outcome, of_outcome, reference, others)
    return pd.DataFrame(found, columns=list(COMPARISON_COLUMNS))


def _reference_first(level: str) -> tuple[bool, str]:
    return level not in {"bare", "false", "none"}, level


def _family(
    factor: str, outcome: str, rows: pd.DataFrame, reference: str, others: list[str]
) -> list[dict[str, Any]]:
    compared = [_compare(factor, outcome, rows, level, reference) for level in others]
    adjusted = holm([one["p_value"] for one in compared])
    reasons = [reason_of(one, float(p)) for one, p in zip(compared, adjusted, strict=True)]
    of_family = {"comparisons": len(compared)}
    return [
        {**one, **of_family, "p_family": float(p), "reason": str(why), "decision": str(why.decision)}
        for one, p, why in zip(compared, adjusted, reasons, strict=True)
    ]


def reason_of(one: Mapping[str, Any], p_family: float) -> Reason:
    """Whether an answer is claimed, and why not; one: its tanks, reference_tanks and interval; p_family: its p
    value among the levels compared beside it."""
    if min(one["tanks"], one["reference_tanks"]) < FEWEST_PER_LEVEL or not math.isfinite(one["difference_low"]):
        return Reason.TOO_FEW_TANKS
    clear = p_family <= CLAIMED_AT and excludes_zero(one["difference_low"], one["difference_high"])
    return Reason.ASSIGNED if clear else Reason.NOT_CLEAR


def _compare(factor: str, outcome: str, rows: pd.DataFrame, level: str, reference: str) -> dict[str, Any]:
    pair = rows[rows["level"].isin([level, reference])]
    block = pd.factorize(pair["season"].astype(str) + " " + pair["block"].astype(str))[0]
    treated = (pair["level"] == level).to_numpy(dtype=bool)
    usable = pair["usable"].to_numpy(dtype=bool)
    survivors, eggs = (pair[name].to_numpy(dtype=float, na_value=np.nan) for name in ("survivors", "eggs"))
    pct = np.where(usable, 100.0 * survivors / np.where(usable, eggs, 1.0), np.nan)
    answer = randomised(pct[usable], treated[usable], block[usable], seed=SEED)
    low, high = (_bound(pct, treated, block, worst) for worst in (True, False))
    mixed, note = _mixed(pair[usable].assign(block=block[usable]), level, reference)
    followed = pair["followed"].dropna().astype(bool)
    return {
        "factor": factor, "outcome": outcome, "level": level, "reference": reference,
        "seasons": ", ".join(map(str, sorted(pair["season"].unique()))),
        "tanks": answer.tanks[1], "reference_tanks": answer.tanks[0],
        "silent": int((~usable).sum()), "blocks": answer.blocks,
        "followed_pct": 100.0 * float(followed.mean()) if len(followed) else math.nan,
        "difference_points": answer.difference, "difference_low": answer.low, "difference_high": answer.high,
        "p_value": answer.p_value, "bound_low_points": low, "bound_high_points": high,
        "mixed_points": mixed[0], "mixed_low": mixed[1], "mixed_high": mixed[2], "note": note,
    }  # fmt: skip


def _bound(pct: np.ndarray, treated: np.ndarray, block: np.ndarray, worst: bool) -> float:
    """The difference with silent tanks filled in: all lost at the level and none at the reference, or reversed."""
    filled = np.where(np.isnan(pct), np.where(treated == worst, 0.0, 100.0), pct)
    return difference(filled, treated, block)


def _mixed(rows: pd.DataFrame, level: str, reference: str) -> tuple[tuple[float, float, float], str]:
    """Difference and interval of the mixed model in points, and a note: why there is none, or what to know."""
    frame = pd.DataFrame(
        {
            "level": pd.Categorical(rows["level"], [reference, level]),
            "block": rows["block"].astype(str),
            "tank": rows["season"].astype(str) + " " + rows["tank_id"].astype(str),
            "survivors": rows["survivors"].astype(float),
            "eggs": rows["eggs"].astype(float),
        }
    )
    try:
        fit = fit_survival(
            frame, "level", survived="survivors", trials="eggs", groups=("block", "tank"), small_sample=True
        )
        found = fit.contrast("level", reference).iloc[0]
    except BroodyearError as error:
        return (math.nan, math.nan, math.nan), f"no mixed model beside it: {error}"
    return tuple(float(found[f"difference_{name}"]) for name in ("points", "low", "high")), ""  # type: ignore[return-value]


#: Id of the section that states them.
SECTION = "assigned"


def trial_claims(compared: pd.DataFrame) -> list[Claim]:
    """A claim per comparison: PRACTICE_DIFFERS, with reason ASSIGNED where it is clear."""
    limits = {name: f"difference_{name}" for name in ("low", "high")}
    columns = {"subject": "factor", "estimate": "difference_points", **limits}
    return claims_from(compared, columns, kind=ClaimKind.PRACTICE_DIFFERS, unit="points", section=SECTION)


#: Levels of yes/no practices, as the set-ups hold them.
_STORED = {"true": True, "false": False}


def found_worse(outcomes: pd.DataFrame, factor: str, levels: tuple[str, ...]) -> tuple[Claim, ...]:
    """Claims that one of the levels of a factor is worse than another level: one a level, of the whole stay first.

    outcomes: the derived table tank_outcomes; levels: as the set-ups write them. None where the records carry no
    comparison of practices.
    """
    practices = [one for one in PRACTICES.values() if one.column == factor]
    try:
        claims = effects_report(outcomes).claims if practices else ()
    except BroodyearError:
        return ()
    values = pd.DataFrame({factor: [_STORED.get(level, level) for level in levels]})
    levels_given = {(practice.name, level) for practice in practices for level in practice.make(values)}
    found = [claim for claim in claims if claim.kind is ClaimKind.PRACTICE_DIFFERS and claim.is_claimed]
    found.sort(key=lambda claim: (claim.outcome != MAIN_OUTCOME, -abs(claim.estimate)))
    worst: dict[str, Claim] = {}
    for claim in found:
        if (claim.subject, claim.sides[0]) in levels_given:
            worst.setdefault(claim.sides[0], claim)
    return tuple(worst.values())
