"""Findings as typed values: what was looked for, what the records say of it, and why.

Numerical modules decide and make claims; reports word them, one sentence a claim, and decide nothing. A page and
its ``tables/claims.csv`` are written from the same rows, so that no two of its sentences contradict each other.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from enum import StrEnum
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

#: Claims of a family are made at this adjusted p-value or below, and only where the one without the tank that
#: speaks loudest for it stays at the second: a lost tank more or less among few makes much of nothing.
CLAIMED_AT, CLAIMED_WITHOUT_ONE_AT = 0.05, 0.10

CLAIM_COLUMNS = (
    "claim", "subject", "level", "reference", "outcome", "estimate", "low", "high", "unit", "p_value", "p_family",
    "comparisons", "decision", "reason", "section", "sentence",
)  # fmt: skip


class ClaimKind(StrEnum):
    """What is stated, or was looked for."""

    TANK_BELOW = "tank_below"
    TANK_ABOVE = "tank_above"
    PLACE_BELOW = "place_below"
    PRACTICE_DIFFERS = "practice_differs"
    TEMPERATURE_DIFFERS = "temperature_differs"
    CHANGE = "change"
    REGION_DIFFERS = "region_differs"
    REGIONS_DIFFER = "regions_differ"
    REGION_BATCHES = "region_batches"
    BATCH_DIFFERS = "batch_differs"
    MODEL_BIASED = "model_biased"
    MODEL_BETTER = "model_better"
    STOCKS_DIFFER = "stocks_differ"
    THERMOMETER = "thermometer"


class Decision(StrEnum):
    """claimed: stated as a finding; not_claimed: looked for, not clear; cannot_tell: the records cannot say."""

    CLAIMED = "claimed"
    NOT_CLAIMED = "not_claimed"
    CANNOT_TELL = "cannot_tell"


_YES, _NO, _UNKNOWN = Decision.CLAIMED, Decision.NOT_CLAIMED, Decision.CANNOT_TELL


class Reason(StrEnum):
    """Why a claim was decided as it was. decision: the one it goes with; meaning: as the data dictionary of the
    reports prints it."""

    decision: Decision
    meaning: str

    def __new__(cls, value: str, decision: Decision = Decision.CANNOT_TELL, meaning: str = "") -> Reason:
        made = str.__new__(cls, value)
        made._value_, made.decision, made.meaning = value, decision, meaning
        return made

    CLEAR = "clear", _YES, "clear after allowing for everything compared beside it"
    ASSIGNED = "assigned", _YES, "tanks were assigned at random, and the comparison is clear"
    COUNTED_AT_MOST = (
        "counted_at_most",
        _YES,
        "nobody counted what was left, and even the most that the dead counted leave is clearly below",
    )
    NOT_CLEAR = "not_clear", _NO, "not clear after allowing for everything compared beside it"
    HOUR_OF_LOOKING = (
        "hour_of_looking",
        _NO,
        "no more than the hour of looking can make, as dates count to the end of their day",
    )
    WATCH = "watch", _NO, "unusual by itself, not clear among all that were looked at"
    AT_POOR_PLACE = "at_poor_place", _NO, "low, at a site that is below expected over its seasons"
    AT_WATCHED_PLACE = "at_watched_place", _NO, "low, at a site whose seasons together are worth watching"
    DEPENDS_ON_SILENT = (
        "depends_on_silent",
        _NO,
        "would not stand if the tanks that fell silent had fared otherwise",
    )
    HANGS_ON_ONE_TANK = "hangs_on_one_tank", _NO, "would not be clear without one of the tanks"
    BATCHES_DISAGREE = (
        "batches_disagree",
        _NO,
        "between batches and within batches the records say different things",
    )
    AGAINST_CARE = "against_care", _NO, "never proposed: it would mean less care for the animals"
    OWN_FIT = "own_fit", _NO, "a model fitted to these records is near zero on them by construction"
    TOO_FEW_EGGS = "too_few_eggs", _UNKNOWN, "too few eggs"
    TOO_FEW_TANKS = "too_few_tanks", _UNKNOWN, "too few tanks"
    TOO_FEW_BATCHES = "too_few_batches", _UNKNOWN, "too few egg batches"
    TOO_FEW_SITES = "too_few_sites", _UNKNOWN, "too few sites"
    TOO_FEW_SEASONS = "too_few_seasons", _UNKNOWN, "too few seasons"
    ONE_LEVEL = "one_level", _UNKNOWN, "nothing to compare with: every tank is alike in this"
    NEVER_SHARE_BATCH = "never_share_batch", _UNKNOWN, "no batch was shared by those compared"
    TOO_FEW_COUNTED = "too_few_counted", _UNKNOWN, "too few of those compared have a usable count yet"
    CONFOUNDED = "confounded", _UNKNOWN, "goes together with something else and cannot be separated from it"
    SEPARATED = "separated", _UNKNOWN, "every fish lived or every fish died, so that no size can be given"
    NOT_CONVERGED = "not_converged", _UNKNOWN, "the model found no stable answer"
    NO_INTERVAL = "no_interval", _UNKNOWN, "the error of the estimate is not known"
    SPREADS_UNKNOWN = "spreads_unknown", _UNKNOWN, "the spreads between batches and sites could not be estimated"
    LOOKS_TOO_FAR_APART = (
        "looks_too_far_apart",
        _UNKNOWN,
        "people looked too seldom, or wrote down no last day without it: one shift fits every date",
    )
    NO_RECORDS = "no_records", _UNKNOWN, "what it needs was not recorded"
    COUNTS_DISAGREE = "counts_disagree", _UNKNOWN, "the dead counted and the survivors are more than the eggs"
    NO_TANKS = "no_tanks", _UNKNOWN, "no tank on record has such a date that can be used"
    COUNTED_FROM_HATCH = (
        "counted_from_hatch",
        _UNKNOWN,
        "the model counts days from hatch, and only days from fertilisation are scored",
    )
    OUTSIDE_TESTED = "outside_tested", _UNKNOWN, "outside the temperatures the model was tested at"
    STOCKS_DIFFER = (
        "stocks_differ",
        _UNKNOWN,
        "right on average over stocks for which it is wrong in opposite directions",
    )


@dataclass(frozen=True)
class Claim:
    """One statement that a page makes, or looked for and does not make.

    subject: tank_id, site_id, factor, region, batch_id, donor stock or model; level and reference where there are
    such; outcome: hatch, hatch_to_release or delivered_to_release, or empty; estimate, low and high in unit
    ("points", "fish", "days"), nan where unknown; p_family: adjusted over the ``comparisons`` of its family, nan
    where no test was made; section: id of the page section that states it; observed: the difference of the plain
    counts, where estimate allows for chance. The decision follows from the reason.
    """

    kind: ClaimKind
    subject: str
    reason: Reason
    level: str = ""
    reference: str = ""
    outcome: str = ""
    estimate: float = math.nan
    low: float = math.nan
    high: float = math.nan
    unit: str = ""
    p_value: float = math.nan
    p_family: float = math.nan
    comparisons: int = 0
    section: str = ""
    observed: float = math.nan

    @property
    def decision(self) -> Decision:
        return self.reason.decision

    @property
    def is_claimed(self) -> bool:
        return self.decision is Decision.CLAIMED

    @property
    def sides(self) -> tuple[str, str]:
        """The worse and the better of level and reference, by the estimate."""
        return (self.level, self.reference) if self.estimate < 0.0 else (self.reference, self.level)


def excludes_zero(low: float, high: float) -> bool:
    """Whether an interval lies on one side of zero; an interval that is not known does not."""
    return low > 0.0 or high < 0.0


def clear_or_not(p_family: float, p_without_one: float = 0.0) -> Reason:
    """CLEAR at CLAIMED_AT or below, NO_INTERVAL where no p-value could be worked out, NOT_CLEAR otherwise.

    p_without_one: without the tank that speaks loudest for it, where that was worked out.
    """
    if math.isnan(p_family):
        return Reason.NO_INTERVAL
    if p_family > CLAIMED_AT:
        return Reason.NOT_CLEAR
    return Reason.HANGS_ON_ONE_TANK if p_without_one > CLAIMED_WITHOUT_ONE_AT else Reason.CLEAR


#: What a cell of a table becomes as a field of a claim; text where nothing is named.
_FIELDS = {"kind": ClaimKind, "reason": Reason, "comparisons": int} | dict.fromkeys(
    ("estimate", "low", "high", "p_value", "p_family", "observed"), float
)


def claims_from(rows: pd.DataFrame, columns: Mapping[str, str], **same: object) -> list[Claim]:
    """One claim per row of a table, in their order.

    columns: the column a field stands in where it has another name (field -> column); same: fields that are alike
    in all rows. Fields of which there is neither keep their default.

    >>> import pandas as pd
    >>> tanks = pd.DataFrame({"tank_id": ["T1"], "reason": ["clear"], "points": [-9.0]})
    >>> claims_from(tanks, {"subject": "tank_id", "estimate": "points"}, kind=ClaimKind.TANK_BELOW)[0].estimate
    -9.0
    """
    made: dict[str, list[Any]] = {}
    for name in (field.name for field in fields(Claim)):
        column, make = columns.get(name, name), _FIELDS.get(name, str)
        if name in same or column in rows:
            made[name] = [make(cell) for cell in ([same[name]] * len(rows) if name in same else rows[column])]
    return [Claim(**dict(zip(made, row, strict=True))) for row in zip(*made.values(), strict=True)]


def claims_table(claims: Iterable[Claim], sentences: Iterable[str]) -> pd.DataFrame:
    """Rows of claims.csv: one per claim with the sentence of the page, empty where the page says nothing."""
    rows = [
        {
            "claim": str(claim.kind),
            **{name: getattr(claim, name) for name in CLAIM_COLUMNS if hasattr(claim, name)},
            "decision": str(claim.decision),
            "reason": str(claim.reason),
            "sentence": sentence,
        }
        for claim, sentence in zip(claims, sentences, strict=True)
    ]
    import pandas as pd

    return pd.DataFrame(rows, columns=list(CLAIM_COLUMNS))
