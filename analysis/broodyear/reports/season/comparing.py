"""What follows from the fits of all practices: effects, changes, and their claims."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd
from threadpoolctl import threadpool_limits

from broodyear.claims import Claim
from broodyear.reports.season.evidence import diagnostic_tables
from broodyear.reports.season.results import SeasonRecords, SeasonResults, attempt, region_of, sites_beside_regions
from broodyear.reports.season.visits import visits_table
from broodyear.reports.tables import ReportTable, declared_first, report_table
from broodyear.setups import change_claims, what_to_change
from broodyear.survival.practices import EffectsReport
from broodyear.trials import trial_claims


@dataclass(frozen=True)
class UnderWay:
    """What the rest of a review is worked out from. known: rows of every tank-season up to this one; effects:
    gives the fits of every outcome; trials: as analysed; regions: gives the claims of regions that are low as a
    whole, where a site is low."""

    known: pd.DataFrame
    effects: Callable[[], EffectsReport]
    trials: pd.DataFrame
    regions: Callable[[], list[Claim]]


def with_practices(records: SeasonRecords, under_way: UnderWay) -> SeasonResults:
    """The whole review: `records`, and what the fits say once they are done."""
    known = under_way.known
    with threadpool_limits(limits=1, user_api="blas"):
        effects = attempt(under_way.effects)
        changes = effects if isinstance(effects, str) else attempt(lambda: what_to_change(known, effects))
    practices = _of_practices(effects, changes, trial_claims(under_way.trials))
    found: dict[str, Any] = {**vars(records), **_from_effects(effects), **diagnostic_tables(effects)}
    regions = attempt(under_way.regions)
    low = [] if isinstance(regions, str) else low_regions_stated(records, regions)
    statements = found["statements"] = records.statements.and_also([*low, *practices])
    visits = visits_table(
        records.setups, records.not_reported, records.too_many_dead, records.large_losses, statements,
        records.tank_practices, records.waiting,
    )  # fmt: skip
    return SeasonResults(
        **found,
        visits=report_table("visits", visits),
        practices=report_table("practices", getattr(effects, "practices", effects)),
        changes=report_table("changes", changes),
    )


def low_regions_stated(records: SeasonRecords, claims: Sequence[Claim]) -> list[Claim]:
    """The claims of low regions, stated where a site of the region is low itself."""
    beside = {region_of(records, site) for site in sites_beside_regions(records.statements)}
    return [replace(claim, section="action" if claim.subject in beside else "") for claim in claims]


def _of_practices(
    effects: EffectsReport | str, changes: pd.DataFrame | str, assigned: Sequence[Claim]
) -> list[Claim]:
    """Claims of practices, temperature and what to change, none where they were refused; where a practice was
    assigned at random, that answer stands in the place of the observed one.
    """
    observed = [] if isinstance(effects, str) else list(effects.claims)
    observed += [] if isinstance(changes, str) else change_claims(changes)
    answered = {(claim.subject, claim.outcome) for claim in assigned}
    return [*assigned, *(claim for claim in observed if (claim.subject, claim.outcome) not in answered)]


def _from_effects(effects: EffectsReport | str) -> dict[str, ReportTable]:
    found: dict[str, Any] = dict.fromkeys(("effects", "methods", "fits"), effects)
    if not isinstance(effects, str):
        shared = [name for name in declared_first("effects") if name in effects.methods.columns]
        together = pd.concat([effects.effects[shared], effects.methods[shared]], ignore_index=True)
        methods = together.sort_values(["outcome", "factor", "level"], kind="stable")
        found = {"effects": effects.effects, "methods": methods, "fits": effects.fit_notes}
    return {name: report_table(name, one) for name, one in found.items()}
