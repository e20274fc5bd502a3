"""Trials as claims: one randomised answer outranks every observed one about the same practice."""

from __future__ import annotations

from collections.abc import Iterable

from broodyear.claims import Claim, ClaimKind
from broodyear.trials.analysis import TrialComparison

#: Id of the section that states them.
SECTION = "assigned"


def trial_claims(comparisons: Iterable[TrialComparison]) -> tuple[Claim, ...]:
    """A claim per comparison: PRACTICE_DIFFERS, with reason ASSIGNED where it is clear."""
    return tuple(
        Claim(
            kind=ClaimKind.PRACTICE_DIFFERS,
            subject=one.factor,
            reason=one.reason,
            level=one.level,
            reference=one.reference,
            outcome=one.outcome,
            estimate=one.difference_points,
            low=one.difference_low,
            high=one.difference_high,
            unit="points",
            p_value=one.p_value,
            p_family=one.p_family,
            comparisons=one.comparisons,
            section=SECTION,
        )
        for one in comparisons
    )
