"""Pairs of claims of one page that cannot both be true."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from itertools import combinations

from broodyear.claims import Claim, ClaimKind, Decision, Reason

_COMPARED = (ClaimKind.PRACTICE_DIFFERS, ClaimKind.TEMPERATURE_DIFFERS)
MAIN_OUTCOME = "delivered_to_release"


def contradictions(claims: Iterable[Claim], site_of: Mapping[str, str] | None = None) -> Iterator[str]:
    """What no reader could reconcile, in words. site_of: tank -> site, where the page names tanks."""
    made = list(claims)
    yield from _said_twice(made)
    yield from _turned_round(made)
    yield from _changes_without_a_difference(made)
    yield from _tanks(made, site_of or {})
    yield from _regions(made)
    yield from _shortfalls(made)
    for claim in made:
        if claim.is_claimed and not claim.low <= claim.estimate <= claim.high and not math.isnan(claim.high):
            yield f"{_named(claim)}: the estimate lies outside its interval"
        if claim.is_claimed and claim.p_family > 0.05 and claim.kind in (*_COMPARED, ClaimKind.REGION_DIFFERS):
            yield f"{_named(claim)}: claimed at p {claim.p_family}"


def _named(claim: Claim) -> str:
    words = (str(claim.kind), claim.subject, claim.level, claim.reference, claim.outcome)
    return " ".join(word for word in words if word)


def _said_twice(made: list[Claim]) -> Iterator[str]:
    """One question with two answers; a randomised answer may stand beside an observed one to the same side."""
    by_question: dict[str, list[Claim]] = {}
    for claim in made:
        by_question.setdefault(_named(claim), []).append(claim)
    for question, answers in by_question.items():
        for one, other in combinations(answers, 2):
            if one.section == other.section or _opposed(one, other):
                yield f"{question}: {one.reason} and {other.reason}"


def _opposed(one: Claim, other: Claim) -> bool:
    return one.is_claimed and other.is_claimed and one.estimate * other.estimate < 0.0


def _turned_round(made: list[Claim]) -> Iterator[str]:
    """A against B and B against A, claimed to the same side; one model better than another that is better."""
    pairs = {(one.kind, one.subject, one.outcome, one.level, one.reference): one for one in made}
    for (kind, subject, outcome, level, reference), one in pairs.items():
        other = pairs.get((kind, subject, outcome, reference, level))
        if level and other and one.is_claimed and other.is_claimed and one.estimate * other.estimate > 0.0:
            yield f"{_named(one)}: and the other way round"
    better = {(one.level, one.subject, one.reference) for one in made if one.kind is ClaimKind.MODEL_BETTER
              and one.is_claimed}  # fmt: skip
    for one in made:
        if one.kind is ClaimKind.MODEL_BETTER and one.is_claimed and not one.low > 0.0:
            yield f"{_named(one)}: better by less than nothing"
    for level, model, against in better:
        if (level, against, model) in better:
            yield f"{model} is better than {against} and worse"


def _changes_without_a_difference(made: list[Claim]) -> Iterator[str]:
    """A change that is proposed rests on a claimed difference of the same two levels, to the same side."""
    differences = {(one.subject, one.level, one.reference): one for one in made
                   if one.kind in _COMPARED and one.outcome == MAIN_OUTCOME}  # fmt: skip
    for claim in made:
        if claim.kind is not ClaimKind.CHANGE or not claim.is_claimed:
            continue
        straight = differences.get((claim.subject, claim.level, claim.reference))
        turned = differences.get((claim.subject, claim.reference, claim.level))
        gain = straight.estimate if straight else -turned.estimate if turned else math.nan
        basis = straight or turned
        if basis is None or not basis.is_claimed or not gain > 0.0 or not claim.estimate > 0.0:
            yield f"{_named(claim)}: no claimed difference speaks for it"


def _tanks(made: list[Claim], site_of: Mapping[str, str]) -> Iterator[str]:
    kinds = (ClaimKind.TANK_BELOW, ClaimKind.TANK_ABOVE)
    seen: dict[tuple[str, str], Claim] = {}
    places = {(one.subject, one.outcome): one for one in made if one.kind is ClaimKind.PLACE_BELOW}
    for claim in made:
        if claim.kind not in kinds:
            continue
        other = seen.setdefault((claim.subject, claim.outcome), claim)
        if other is not claim:
            yield f"{_named(claim)}: also {other.kind}"
        place = places.get((site_of.get(claim.subject, ""), claim.outcome))
        if claim.reason is Reason.AT_POOR_PLACE and not (place and place.is_claimed):
            yield f"{_named(claim)}: its site is not below expected"
        if claim.reason is Reason.AT_WATCHED_PLACE and not (place and place.reason is Reason.WATCH):
            yield f"{_named(claim)}: its site is not watched"


def _regions(made: list[Claim]) -> Iterator[str]:
    """That regions differ is claimed where a region is said to, and nowhere else."""
    for whole in (one for one in made if one.kind is ClaimKind.REGIONS_DIFFER):
        own = [one for one in made if one.kind is ClaimKind.REGION_DIFFERS and one.outcome == whole.outcome]
        if whole.is_claimed != any(one.is_claimed for one in own):
            yield f"{_named(whole)}: {whole.decision}, its regions {[str(one.decision) for one in own]}"
        if whole.decision is Decision.NOT_CLAIMED and all(one.decision is Decision.CANNOT_TELL for one in own):
            yield f"{_named(whole)}: not claimed where no region can be told"


def _shortfalls(made: list[Claim]) -> Iterator[str]:
    """What its batches are of a region's shortfall is told where the region is; batches named for it are claimed
    to be poor where batches are compared."""
    regions = {(one.subject, one.outcome): one for one in made if one.kind is ClaimKind.REGION_DIFFERS}
    poor = {one.subject for one in made if one.kind is ClaimKind.BATCH_DIFFERS and one.is_claimed
            and one.estimate < 0.0}  # fmt: skip
    for claim in (one for one in made if one.kind is ClaimKind.REGION_BATCHES):
        region = regions.get((claim.subject, claim.outcome))
        untold = [one is not None and one.decision is Decision.CANNOT_TELL for one in (claim, region)]
        if region is None or untold[0] != untold[1]:
            yield f"{_named(claim)}: {claim.decision}, its region {region and str(region.decision)}"
        if claim.outcome == MAIN_OUTCOME and not set(filter(None, claim.level.split(", "))) <= poor:
            yield f"{_named(claim)}: names batches that are not claimed to be poor"
        if claim.is_claimed and not claim.observed < 0.0:
            yield f"{_named(claim)}: part of a shortfall that is none"
