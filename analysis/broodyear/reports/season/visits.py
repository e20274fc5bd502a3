"""The list for Monday: which sites to visit, why, what is on record there, and what to check first."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from broodyear.claims import Claim, ClaimKind, Decision
from broodyear.reports.numbers import MAIN_OUTCOME
from broodyear.reports.rendering import plain_phrase, wording
from broodyear.reports.season.results import main_rows, named_sites, named_tanks, unnamed_losses
from broodyear.reports.sentences import Statements, in_short
from broodyear.reports.tables import ReportTable, Row
from broodyear.setups.circumstances import CIRCUMSTANCES, circumstances_of
from broodyear.survival.practices import PRACTICES

VISIT_COLUMNS = (
    "order", "site_id", "region", "tanks", "why", "on_record", "first_check", "caution", "fish_below_expected",
    "in_short",
)  # fmt: skip
_WORDS = "season/visits.txt"

#: What makes a site come first: its seasons, a tank of this one, a tank to watch, a large loss that no claim
#: names, a tank that fell silent, counts that cannot be.
_SITE, _TANK, _WATCH, _LOSS, _SILENT, _COUNTS = range(6)
#: Codes on record that tell of deaths by themselves, and those of deaths within days: what happened then comes
#: first, whatever the set-up.
_OF_DEATHS = frozenset({"incident", "spell", "arrival"})
SUDDEN = frozenset({"incident", "spell"})


@dataclass(frozen=True)
class _Reason:
    """One thing that speaks for a visit. rank: how urgent; why: the claim or record in words."""

    site_id: str
    region: str
    tank_id: str
    rank: int
    why: str
    in_short: str
    on_record: str = ""
    evidence: str = ""
    lost_as: str = ""
    fish: float = 0.0


def visits_table(
    setups: ReportTable,
    not_reported: ReportTable,
    too_many_dead: ReportTable,
    large_losses: ReportTable,
    statements: Statements,
    tank_practices: ReportTable,
    waiting: frozenset[str] = frozenset(),
) -> pd.DataFrame:
    """VISIT_COLUMNS, one row per site to visit, most urgent first: named sites, then tanks, then large losses of
    other tanks, then silent tanks, then tanks whose counts are more than their eggs. tank_practices: tank_id,
    practice and level, as the effects name them; waiting: tanks that owe no word yet on their fish."""
    found_worse, idle = _found_worse(statements, tank_practices), idle_codes(statements)
    reasons = [*_judged(setups, statements), *_lost(large_losses, setups, statements)]
    silent = map(not_reported.row, range(len(not_reported)))
    reasons += [_of_record(row, _SILENT, "silent") for row in silent if row.value("tank_id") not in waiting]
    miscounted = [too_many_dead.row(row) for row in range(len(too_many_dead))]
    in_doubt = ["eggs_or_fish" if row.value("release_contradicted") else "counts" for row in miscounted]
    reasons += [
        _of_record(row, _COUNTS, "counts", evidence=code) for row, code in zip(miscounted, in_doubt, strict=True)
    ]
    by_site: dict[str, list[_Reason]] = {}
    for reason in reasons:
        by_site.setdefault(reason.site_id, []).append(reason)
    visits = [sorted(group, key=lambda one: (one.rank, -one.fish, one.tank_id)) for group in by_site.values()]
    visits.sort(key=lambda group: (group[0].rank, -sum(one.fish for one in group), group[0].site_id))
    rows = [_visit(order, group, found_worse, idle) for order, group in enumerate(visits, start=1)]
    return pd.DataFrame(rows, columns=list(VISIT_COLUMNS))


def _judged(setups: ReportTable, statements: Statements) -> list[_Reason]:
    tanks = named_tanks(statements)
    sites = {statements.claim(row).subject: row for row in named_sites(statements)}
    found = []
    for row in main_rows(setups):
        site, tank = str(setups.value(row, "site_id")), str(setups.value(row, "tank_id"))
        if site in sites:
            found.append(_of_row(setups, row, _SITE, statements, sites[site]))
        if tank in tanks:
            is_clear = statements.claim(tanks[tank]).is_claimed
            found.append(_of_row(setups, row, _TANK if is_clear else _WATCH, statements, tanks[tank]))
    return found


def _of_row(setups: ReportTable, row: int, rank: int, statements: Statements, claim: int) -> _Reason:
    one, why, short = setups.row(row), statements.sentences[claim], in_short(statements.claim(claim))
    names = ("site_id", "region", "tank_id", "circumstances", "evidence", "losing_stage")
    site, region, tank, on_record, evidence, lost_as = (str(one.value(name) or "") for name in names)
    fish = float(one.value("fish_below_expected") or 0.0)
    return _Reason(site, region, tank, rank, why, short, on_record, evidence, lost_as, fish)


def _lost(table: ReportTable, setups: ReportTable, statements: Statements) -> list[_Reason]:
    """Large losses of tanks that no claim names, with what else is on record of them."""
    found = []
    for row in unnamed_losses(table, statements):
        one, own = table.row(row), setups.rows(tank_id=table.value(row, "tank_id"), outcome=MAIN_OUTCOME)
        on_record = {
            name: (setups.row(own[0]).value(name) if own else None) or "" for name in ("circumstances", "evidence")
        }
        evidence = f"{on_record['evidence']} {'spell' if one.value('week_dead') else ''}"
        reason = _of_record(one, _LOSS, "loss", evidence=evidence, file="season/losses.txt")
        found.append(replace(reason, on_record=on_record["circumstances"]))
    return found


def _of_record(row: Row, rank: int, why: str, evidence: str = "", file: str = _WORDS) -> _Reason:
    """A reason that the words of its kind tell from its row, in full and in short."""
    site, region, tank = (str(row.value(name)) for name in ("site_id", "region", "tank_id"))
    full, short = (plain_phrase(file, name, row=row) for name in (f"{why}_why", f"{why}_in_short"))
    return _Reason(site, region, tank, rank, full, short, evidence=evidence)


def _visit(
    order: int, group: list[_Reason], found_worse: Mapping[str, Claim], idle: frozenset[str]
) -> dict[str, Any]:
    tanks = list(dict.fromkeys(one.tank_id for one in group))
    records = {one.tank_id: one.on_record for one in group if one.on_record}
    check, caution = _first_check(group, found_worse, idle)
    fish = {one.tank_id: one.fish for one in group}
    return {
        "order": order,
        "site_id": group[0].site_id,
        "region": group[0].region,
        "tanks": "; ".join(tanks),
        "why": " ".join(dict.fromkeys(one.why for one in group)),
        "on_record": "; ".join(f"{tank}: {text}" if len(records) > 1 else text for tank, text in records.items()),
        "first_check": check,
        "caution": caution,
        "fish_below_expected": sum(fish.values()),
        "in_short": "; ".join(dict.fromkeys(one.in_short for one in group)),
    }


def _found_worse(statements: Statements, tank_practices: ReportTable) -> dict[str, Claim]:
    """By tank, the claim that finds a practice of it worse than another: of the whole stay first, the largest."""
    claims = statements.found(statements.rows(ClaimKind.PRACTICE_DIFFERS, decision=Decision.CLAIMED))
    claims.sort(key=lambda claim: (claim.outcome != MAIN_OUTCOME, -abs(claim.estimate)))
    worse: dict[str, Claim] = {}
    for claim in claims:
        for row in tank_practices.rows(practice=claim.subject, level=claim.sides[0]):
            worse.setdefault(str(tank_practices.value(row, "tank_id")), claim)
    return worse


def on_record_of(row: Row, is_wanted: Callable[[str], bool]) -> str:
    """What is on record of a tank of setups.csv, of the codes wanted; empty where there is none of these."""
    circumstances, evidence = (str(row.value(name) or "") for name in ("circumstances", "evidence"))
    return circumstances_of(circumstances, evidence, is_wanted)


def idle_codes(statements: Statements) -> frozenset[str]:
    """Codes on record of practices that were compared and not found to matter."""
    claims = statements.found(statements.rows(ClaimKind.PRACTICE_DIFFERS, outcome=MAIN_OUTCOME))
    others = {claim.subject for claim in claims if claim.decision is not Decision.NOT_CLAIMED}
    return frozenset(code for name in {claim.subject for claim in claims} - others for code in codes_of(name))


def codes_of(practice: str) -> frozenset[str]:
    """Codes on record that tell of a practice."""
    column = PRACTICES[practice].column if practice in PRACTICES else None
    return frozenset(one.code for one in CIRCUMSTANCES if one.column == column)


def _first_check(group: list[_Reason], found_worse: Mapping[str, Claim], idle: frozenset[str]) -> tuple[str, str]:
    """What to check first, and its caution: a practice found worse, then the first code on record that the words
    know and that is no practice found idle; the other way round where most died within days.

    The caution on unusual deaths is none for fish that nobody counted dead.
    """
    if all(one.rank == _SILENT for one in group):
        silent: tuple[str, str] = wording(_WORDS, "silent")
        return silent
    judged = [one.tank_id for one in group if one.rank <= _WATCH]
    worse = [found_worse[tank] for tank in judged if tank in found_worse]
    of_worse = {
        code for claim in worse[:1] for code in codes_of(claim.subject) if code in wording(_WORDS, "bare_names")
    }
    codes = {code for one in group for code in one.evidence.split()} - idle - of_worse
    checks: dict[str, tuple[str, str]] = wording(_WORDS, "checks")
    fitting = [words for code, words in checks.items() if code in codes]
    otherwise: tuple[str, str] = wording(_WORDS, "otherwise")
    check, caution = fitting[0] if fitting else otherwise
    if worse:
        is_sudden = bool(codes & SUDDEN)
        check = plain_phrase(_WORDS, "worse_first", claim=worse[0], check=check, is_sudden=is_sudden)
    has_deaths = bool(codes & _OF_DEATHS) or any(one.lost_as != "unaccounted" for one in group)
    return check, caution if has_deaths or caution != wording(_WORDS, "health") else otherwise[1]
