"""A sheet per site for the person who looks after the tank: what happened, what to keep, what to change.

Nothing on it compares one site with another.
"""

from __future__ import annotations

from markupsafe import Markup

from broodyear.claims import Claim, ClaimKind, Decision
from broodyear.reports.footing import footer
from broodyear.reports.numbers import known, season_name, words
from broodyear.reports.parts import Block, Bullets, Heading, Page, Prose, Section, say
from broodyear.reports.season.results import SeasonResults
from broodyear.reports.season.urgency import main_rows
from broodyear.reports.tables import ReportTable
from broodyear.reports.wording import SHORT_CAUTIONS

#: Changes that fit a site are named up to this many.
MOST_CHANGES = 3


def site_sheets(results: SeasonResults) -> tuple[Page, ...]:
    """One page per site of the season, in alphabetical order, named sites/site_<n>."""
    codes = sorted({str(results.setups.value(row, "site_id")) for row in range(len(results.setups))})
    return tuple(_sheet(results, code, number) for number, code in enumerate(codes, start=1))


def _sheet(results: SeasonResults, code: str, number: int) -> Page:
    rows = [row for row in main_rows(results.setups) if str(results.setups.value(row, "site_id")) == code]
    rows.sort(key=lambda row: str(results.setups.value(row, "tank_id")))
    sections = (
        Section("happened", "What happened", _happened(results, rows)),
        Section("next", "For next season", _next(results, rows)),
        Section("care", "With care", (Bullets(SHORT_CAUTIONS),)),
    )
    name = season_name(results.season)
    return Page(
        f"sites/site_{number:03d}", f"Site {code}, season {name}", "For the person who looks after the tank",
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
    return tuple(blocks) or (Prose(Markup("There is no record of this season to tell from.")),)


def _when(table: ReportTable, code: str) -> tuple[Markup, ...]:
    """The tank's dated events."""
    rows = table.rows(tank_id=code) if len(table) else []
    return tuple(
        say("{on}: {event}", on=table.at(row, "on", "date"), event=table.at(row, "event", "text")) for row in rows
    )


def _fate(results: SeasonResults, row: int) -> Markup:
    table = results.setups
    if not known(table.value(row, "survivors")):
        return Markup(
            "The records do not tell how many fish were left alive. If you still have the counts, please send"
            " them; a number that arrives late is worth as much as one that arrives on time."
        )
    text = say(
        "Of {eggs} live eggs that arrived, {alive} fish were left alive at the end ({pct}).",
        eggs=table.at(row, "eggs", "whole"),
        alive=table.at(row, "survivors", "whole"),
        pct=table.at(row, "observed_pct", "pct"),
    )
    if known(table.value(row, "expected_pct")):
        text += say(
            " With this batch and this season, about {expected} could be expected; {word}.",
            expected=table.at(row, "expected_pct", "pct"),
            word=_plainly(str(table.value(row, "verdict"))),
        )
    return text


def _plainly(verdict: str) -> str:
    return {
        "below_expected": "fewer lived than the eggs explain, and it is worth looking together at what happened",
        "watch": "somewhat fewer lived than the eggs explain, which may be chance; worth a look together",
        "above_expected": "more lived than the eggs explain, so what you do is worth keeping",
        "as_expected": "the difference is within what chance and ordinary differences between tanks explain",
    }.get(verdict, "there are too few records to say more")


def _next(results: SeasonResults, rows: list[int]) -> tuple[Block, ...]:
    blocks: list[Block] = []
    keep = _keep(results, rows)
    change = _change(results, rows)
    if keep:
        blocks += [Heading(Markup("Keep")), Bullets(keep)]
    if change:
        blocks += [Heading(Markup("Consider, and talk it over with the coordinator first")), Bullets(change)]
    always = (
        Markup("Write a zero when you looked and found none dead, and leave it blank when nobody looked."),
        Markup(
            "For each stage, write the last day you looked and it had not happened, and the first day you saw it."
        ),
        Markup("Count what leaves the tank, and how it was counted."),
    )
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
    """Whether a tank of the site has the practice that did worse, as far as the set-ups table tells."""
    return any(str(results.setups.value(row, change.subject)) == change.reference for row in rows)
