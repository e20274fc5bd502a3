"""What the records already say of the levels that a trial would give to live animals."""

from __future__ import annotations

import pandas as pd

from broodyear.claims import Claim, ClaimKind
from broodyear.errors import BroodyearError
from broodyear.survival.practices import PRACTICES, effects_report
from broodyear.survival.tank_frame import MAIN_OUTCOME

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
