"""The claims of the season's page: which are stated where, and in which order."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from broodyear.claims import Claim, ClaimKind, Decision, Reason
from broodyear.reports.sentences import Statements, state
from broodyear.reports.vocabulary import MAIN_OUTCOME

#: Reasons for which a tank is named on the page.
_NAMED = (Reason.CLEAR, Reason.COUNTED_AT_MOST, Reason.WATCH, Reason.AT_POOR_PLACE, Reason.AT_WATCHED_PLACE)
COMPARED = (ClaimKind.PRACTICE_DIFFERS, ClaimKind.TEMPERATURE_DIFFERS)


def stated(places: Iterable[Claim], tanks: Iterable[Claim]) -> Statements:
    """The claims of sites, then of tanks; the page states the named and the watched sites, the named tanks, and
    whatever else is claimed: tanks that did better, and single stages."""
    return state(
        [
            *(_placed(claim, "action", claim.reason is Reason.WATCH) for claim in places),
            *(_placed(claim, "tanks", claim.reason in _NAMED) for claim in tanks),
        ]
    )


def _placed(claim: Claim, section: str, is_named: bool) -> Claim:
    if claim.outcome == MAIN_OUTCOME and (is_named or claim.is_claimed):
        return replace(claim, section=section)
    return replace(claim, section="tanks") if claim.is_claimed else claim


def clear_besides(statements: Statements) -> list[int]:
    """Rows of what is claimed of tanks and sites beside the tanks and sites that are below over the whole stay."""
    found = statements.rows(ClaimKind.PLACE_BELOW, ClaimKind.TANK_BELOW, ClaimKind.TANK_ABOVE)
    return [row for row in found if _is_besides(statements.claim(row))]


def _is_besides(claim: Claim) -> bool:
    return claim.is_claimed and (claim.outcome != MAIN_OUTCOME or claim.kind is ClaimKind.TANK_ABOVE)


def named_sites(statements: Statements) -> list[int]:
    """Rows of the sites that are below expected over their seasons."""
    found = statements.rows(ClaimKind.PLACE_BELOW, outcome=MAIN_OUTCOME)
    return [row for row in found if statements.claim(row).is_claimed]


def watched_sites(statements: Statements) -> list[int]:
    """Rows of the sites that are low over their seasons without being clear among all."""
    return statements.rows(ClaimKind.PLACE_BELOW, outcome=MAIN_OUTCOME, reason=Reason.WATCH)


def sites_judged(statements: Statements) -> int:
    """How many sites were compared over their seasons."""
    found = statements.rows(ClaimKind.PLACE_BELOW, outcome=MAIN_OUTCOME)
    return max((statements.claim(row).comparisons for row in found), default=0)


def sites_of_several_seasons(statements: Statements) -> int:
    """How many sites have seasons enough to be judged, where there are too few such sites to judge any."""
    return len(statements.rows(ClaimKind.PLACE_BELOW, outcome=MAIN_OUTCOME, reason=Reason.TOO_FEW_SITES))


def named_tanks(statements: Statements) -> dict[str, int]:
    """Row of the claim of each tank that the page names, by tank."""
    found = statements.rows(ClaimKind.TANK_BELOW, outcome=MAIN_OUTCOME)
    return {statements.claim(row).subject: row for row in found if statements.claim(row).reason in _NAMED}


def comparisons(statements: Statements) -> tuple[int, list[int]]:
    """How many contrasts of practices and temperature were compared for the whole stay, and the rows claimed."""
    found = statements.rows(*COMPARED, outcome=MAIN_OUTCOME)
    compared = max((statements.claim(row).comparisons for row in found), default=0)
    return compared, [row for row in found if statements.claim(row).is_claimed]


def worth_a_trial(statements: Statements) -> Claim | None:
    """The contrast of gravel practices that a split delivery would tell most about: the least unclear one, of none
    that is found the worse in any outcome."""
    found = statements.rows(ClaimKind.PRACTICE_DIFFERS, subject="gravel_practice")
    claims = [statements.claim(row) for row in found]
    worse = {claim.level if claim.estimate < 0.0 else claim.reference for claim in claims if claim.is_claimed}
    open_ones = [
        claim
        for claim in claims
        if claim.outcome == MAIN_OUTCOME
        and claim.reason is Reason.NOT_CLEAR
        and not worse & {claim.level, claim.reference}
    ]
    return min(open_ones, key=lambda claim: claim.p_value, default=None)


def single_stages(statements: Statements) -> list[int]:
    """Rows of the sites that are below expected at a stage and not over the whole stay."""
    whole = {statements.claim(row).subject for row in named_sites(statements)}
    found = statements.rows(ClaimKind.PLACE_BELOW, decision=Decision.CLAIMED)
    return [row for row in found if statements.claim(row).subject not in whole]
