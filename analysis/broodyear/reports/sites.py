"""A sheet per site for the person who looks after the tank: what happened, what to keep, what to change.

Nothing on it compares one site with another.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from markupsafe import Markup

from broodyear.claims import Claim, ClaimKind, Decision
from broodyear.reports.footing import footer
from broodyear.reports.numbers import known, season_name, words
from broodyear.reports.parts import Block, Bullets, Heading, Page, Prose, Section, say
from broodyear.reports.rendering import phrase, wording
from broodyear.reports.season.results import SeasonResults
from broodyear.reports.season.urgency import main_rows
from broodyear.reports.tables import ReportTable
from broodyear.reports.wording import SHORT_CAUTIONS

#: Changes that fit a site are named up to this many.
MOST_CHANGES = 2
_WORDS = "season/sheet.txt"
_UNSAFE = re.compile(r"[^A-Za-z0-9._-]+")
_LONGEST_NAME = 60


def site_sheets(results: SeasonResults) -> tuple[tuple[str, Page], ...]:
    """Each site of the season with its page, in alphabetical order, the file named by the site."""
    codes = sorted({str(results.setups.value(row, "site_id")) for row in range(len(results.setups))})
    names = file_names(codes)
    rows_of: dict[str, list[int]] = {code: [] for code in codes}
    for row in main_rows(results.setups):
        rows_of[str(results.setups.value(row, "site_id"))].append(row)
    return tuple(
        (code, _sheet(results, code, name, rows_of[code])) for code, name in zip(codes, names, strict=True)
    )


def file_names(codes: Sequence[str]) -> list[str]:
    """A file name per site that every system takes, like the site's own; a number tells likes apart."""
    taken: set[str] = {"index"}
    names = []
    for code in codes:
        plain = (_UNSAFE.sub("-", code).strip("-.") or "site")[:_LONGEST_NAME]
        name, number = plain, 1
        while name.lower() in taken:
            number += 1
            name = f"{plain}-{number}"
        taken.add(name.lower())
        names.append(name)
    return names


def _sheet(results: SeasonResults, code: str, name: str, rows: list[int]) -> Page:
    rows = sorted(rows, key=lambda row: str(results.setups.value(row, "tank_id")))
    sections = (
        Section("happened", "What happened", _happened(results, rows)),
        Section("next", "For next season", _next(results, rows)),
        Section("care", "With care", (Bullets(SHORT_CAUTIONS), Prose(phrase(_WORDS, "kind")))),
    )
    season = season_name(results.season)
    return Page(
        f"sites/{name}", f"Site {code}, season {season}", "For the person who looks after the tank",
        sections, footer("../"), contents=False, root="../",
    )  # fmt: skip


def _happened(results: SeasonResults, rows: list[int]) -> tuple[Block, ...]:
    blocks: list[Block] = []
    for row in rows:
        table = results.setups
        blocks.append(Heading(say("Tank {code}", code=str(table.value(row, "tank_id")))))
        blocks.append(Prose(_fate(results, row), (table,)))
        when = _when(results.events, str(table.value(row, "tank_id")))
        if when:
            blocks.append(Prose(Markup("; ").join(when) + Markup("."), (results.events,)))
    if not blocks:
        return (Prose(phrase(_WORDS, "no_record")),)
    if any(str(results.setups.value(row, "place_verdict")) == "below_expected" for row in rows):
        blocks.append(Prose(phrase(_WORDS, "over_seasons"), (results.sites,)))
    return tuple(blocks)


def _when(table: ReportTable, code: str) -> tuple[Markup, ...]:
    """The tank's dated events."""
    rows = table.rows(tank_id=code) if len(table) else []
    return tuple(
        say("{on}: {event}", on=table.at(row, "on", "date"), event=table.at(row, "event", "text")) for row in rows
    )


def _fate(results: SeasonResults, row: int) -> Markup:
    table = results.setups
    if not known(table.value(row, "survivors")):
        return phrase(_WORDS, "fate_untold")
    text = phrase(
        _WORDS, "fate",
        eggs=table.at(row, "eggs", "whole"),
        alive=table.at(row, "survivors", "whole"),
        pct=table.at(row, "observed_pct", "pct"),
    )  # fmt: skip
    if known(table.value(row, "expected_pct")):
        verdict = str(table.value(row, "verdict"))
        text += Markup(" ") + phrase(_WORDS, "expected", pct=table.at(row, "expected_pct", "pct"), verdict=verdict)
    if known(table.value(row, "evidence")) and str(table.value(row, "evidence")):
        text += Markup(" ") + phrase(_WORDS, "on_record", what=table.at(row, "circumstances", "text"))
    return text


def _next(results: SeasonResults, rows: list[int]) -> tuple[Block, ...]:
    blocks: list[Block] = []
    keep = _keep(results, rows)
    change = _change(results, rows)
    if keep:
        blocks += [Heading(Markup("Keep")), Bullets(keep)]
    if change:
        blocks += [Heading(Markup("Consider, and talk it over with the coordinator first")), Bullets(change)]
    always = tuple(Markup(line) for line in wording(_WORDS, "records"))
    return (*blocks, Heading(Markup("Records that help most")), Bullets(always))


def _keep(results: SeasonResults, rows: list[int]) -> tuple[Markup, ...]:
    """What did well and is on no list of changes: gravel and room of tanks that are not flagged."""
    table = results.setups
    good = [row for row in rows if str(table.value(row, "verdict")) in ("above_expected", "as_expected")]
    said = []
    for row in good:
        kept = [
            words(table.value(row, practice))
            for practice in ("gravel_practice", "room_type")
            if known(table.value(row, practice))
            and not _is_on_the_list(results, practice, table.value(row, practice))
        ]
        if kept:
            said.append(say("Tank {code}: {what}.", code=str(table.value(row, "tank_id")), what=", ".join(kept)))
    return tuple(said)


def _is_on_the_list(results: SeasonResults, practice: str, level: object) -> bool:
    """Whether the review claims that something else than this level did better."""
    wanted = {"subject": practice, "reference": str(level)}
    return bool(results.statements.rows(ClaimKind.CHANGE, decision=Decision.CLAIMED, **wanted))


def _change(results: SeasonResults, rows: list[int]) -> tuple[Markup, ...]:
    """Changes that the review claims and whose present practice this site's tanks have."""
    statements = results.statements
    fitting = [
        row
        for row in statements.rows(ClaimKind.CHANGE, decision=Decision.CLAIMED)
        if _fits(results, statements.claim(row), rows)
    ]
    return tuple(say("{it}", it=statements.at(row)) for row in fitting[:MOST_CHANGES])


def _fits(results: SeasonResults, change: Claim, rows: list[int]) -> bool:
    """Whether a tank of the site has the practice that did worse."""
    tanks = {str(results.setups.value(row, "tank_id")) for row in rows}
    with_it = results.tank_practices.rows(practice=change.subject, level=change.reference)
    return any(str(results.tank_practices.value(row, "tank_id")) in tanks for row in with_it)
