"""A sheet per site for the person who looks after the tank: what happened, what to keep, what to change.

Nothing on it compares one site with another. The sheets come ready to send: an index with search, a table for any
mail program, and drafts without a recipient. Nothing is ever sent from here: who a sheet goes to is known to the
programme, not to the records.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from email.message import EmailMessage
from email.policy import SMTP

import pandas as pd
from markupsafe import Markup

from broodyear.claims import Claim, ClaimKind, Decision
from broodyear.reports.numbers import known, season_name, site_word, tank_word, words
from broodyear.reports.parts import Block, Bullets, Heading, Links, Page, Prose, Section, say
from broodyear.reports.rendering import SHORT_CAUTIONS, bullets, listed, phrase, prose, render
from broodyear.reports.season.results import SeasonResults, main_rows
from broodyear.reports.season.visits import idle_codes, on_record_of
from broodyear.reports.tables import ReportTable, Row, cell_text

#: Changes that fit a site are named up to this many.
MOST_CHANGES = 2
_WORDS = "season/sheet.txt"
_UNSAFE = re.compile(r"[^A-Za-z0-9._-]+")
_LONGEST_NAME = 60


def site_sheets(results: SeasonResults) -> tuple[tuple[str, Page], ...]:
    """Each site of the season with its page, in alphabetical order, the file named by the site; a site that a tank
    was moved from has one as well."""
    now = {str(results.setups.value(row, "site_id")) for row in range(len(results.setups))}
    before = (results.moved.row(row).value("from_site_id") for row in range(len(results.moved)))
    codes = sorted(now.union(filter(None, before)))
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
        Section("happened", "What happened", _happened(results, code, rows)),
        Section("next", "For next season", _next(results, rows)),
        Section("care", "With care", (Bullets(SHORT_CAUTIONS), prose(_WORDS, "kind"))),
    )
    season = season_name(results.season)
    return Page(
        f"sites/{name}", f"{site_word(code)}{code}, season {season}", "For the person who looks after the tank",
        sections, contents=False, root="../",
    )  # fmt: skip


def _happened(results: SeasonResults, site: str, rows: list[int]) -> tuple[Block, ...]:
    table, moved, idle = results.setups, results.moved, idle_codes(results.statements)
    blocks: list[Block] = []
    for row in rows:
        blocks += _tank_happened(results, table.row(row), idle)
    left = [row for row in moved.rows(from_site_id=site) if moved.value(row, "site_id") != site]
    blocks += [prose(_WORDS, "moved_away", moved, row=moved.row(row)) for row in left]
    if not blocks:
        return (prose(_WORDS, "no_record"),)
    if any(str(table.value(row, "place_verdict")) == "below_expected" for row in rows):
        blocks.append(prose(_WORDS, "over_seasons", results.sites))
    return tuple(blocks)


def _tank_happened(results: SeasonResults, row: Row, idle: frozenset[str]) -> list[Block]:
    """What the records say of one tank; of practices, without those (idle) that were found not to matter."""
    code = str(row.value("tank_id"))
    moved, counts, losses, events = results.moved, results.too_many_dead, results.large_losses, results.events
    lost, miscounted, happened = (one.rows(tank_id=code) if len(one) else [] for one in (losses, counts, events))
    on_record = on_record_of(row, lambda code: code not in idle)
    blocks: list[Block] = [Heading(say("{word}{code}", word=tank_word(code), code=code))]
    # Where the counts contradict each other, what they are is all that can be said of the tank's fate.
    is_told = not any(counts.value(one, "release_contradicted") for one in miscounted)
    sent, unread = _kept_out(results.kept_out, code, is_asked=is_told and row.value("survivors") is None)
    if is_told:
        waiting = code in results.waiting
        facts = {"row": row, "is_waiting": waiting, "lost": bool(lost), "on_record": on_record, "sent": sent}
        blocks.append(Prose(phrase(_WORDS, "fate", **facts), (results.setups,)))
    blocks += [prose(_WORDS, "kept_out", results.kept_out, rows=unread)] if unread else []
    blocks += [prose(_WORDS, "moved", moved, row=moved.row(one)) for one in moved.rows(tank_id=code)]
    blocks += [prose(_WORDS, "miscounted", counts, row=counts.row(one)) for one in miscounted]
    blocks += [prose(_WORDS, "large_loss", losses, row=losses.row(one)) for one in lost]
    if happened:
        dated = Markup("; ").join(bullets(_WORDS, "event", events, happened).items)
        blocks.append(Prose(dated + Markup("."), (events,)))
    return blocks


def _kept_out(table: ReportTable, code: str, *, is_asked: bool) -> tuple[list[Row], list[Row]]:
    """Rows of a tank to be mended: of fish that left, where their number would be asked for, and others."""
    rows = [table.row(one) for one in table.rows(tank_id=code)] if len(table) else []
    asked = "exits" if is_asked else None
    return (
        [row for row in rows if row.value("table_name") == asked],
        [row for row in rows if row.value("table_name") != asked],
    )


def _next(results: SeasonResults, rows: list[int]) -> tuple[Block, ...]:
    keep, change = _keep(results, rows), _change(results, rows)
    blocks: list[Block] = []
    if keep:
        blocks += [Heading(Markup("Keep")), Bullets(keep)]
    if change:
        blocks += [Heading(Markup("Consider, and talk it over with the coordinator first")), Bullets(change)]
    return (*blocks, Heading(Markup("Records that help most")), Bullets(listed(_WORDS, "records")))


def _keep(results: SeasonResults, rows: list[int]) -> tuple[Markup, ...]:
    """What did well and is on no list of changes: gravel and room of tanks that did no worse than expected."""
    table = results.setups
    found = []
    for row in rows:
        is_well = str(table.value(row, "verdict")) in ("above_expected", "as_expected")
        observed, expected = (table.row(row).value(name) for name in ("observed_pct", "expected_pct"))
        if not is_well or observed is None or observed < expected:
            continue
        kept = [
            words(table.value(row, practice))
            for practice in ("gravel_practice", "room_type")
            if known(table.value(row, practice))
            and not _is_on_the_list(results, practice, table.value(row, practice))
        ]
        if kept:
            code = str(table.value(row, "tank_id"))
            found.append(say("{word}{code}: {what}.", word=tank_word(code), code=code, what=", ".join(kept)))
    return tuple(found)


def _is_on_the_list(results: SeasonResults, practice: str, level: object) -> bool:
    """Whether the review claims that something else than this level did better."""
    wanted = {"subject": practice, "reference": str(level)}
    return bool(results.statements.rows(ClaimKind.CHANGE, decision=Decision.CLAIMED, **wanted))


def _change(results: SeasonResults, rows: list[int]) -> tuple[Markup, ...]:
    """Changes that the review claims and whose present practice this site's tanks have."""
    statements = results.statements
    claimed = statements.found(statements.rows(ClaimKind.CHANGE, decision=Decision.CLAIMED))
    fitting = [claim for claim in claimed if _fits(results, claim, rows)]
    # The fish that the review expects of it are those of all tanks of the programme.
    return tuple(phrase(_WORDS, "change", claim=claim) for claim in fitting[:MOST_CHANGES])


def _fits(results: SeasonResults, change: Claim, rows: list[int]) -> bool:
    """Whether a tank of the site has the practice that did worse."""
    tanks = {str(results.setups.value(row, "tank_id")) for row in rows}
    with_it = results.tank_practices.rows(practice=change.subject, level=change.reference)
    return any(str(results.tank_practices.value(row, "tank_id")) in tanks for row in with_it)


LETTER_COLUMNS = ("site_id", "file", "subject", "text")


def letters_folder(results: SeasonResults, sheets: Sequence[tuple[str, Page]]) -> dict[str, bytes]:
    """Files beside the sheets: sites/index.html, sites/letters.csv and one sites/<name>.eml each.

    sheets: site and its page. The letters say what the sheets say, as plain text.
    """
    rows = pd.DataFrame(
        [(site, f"{page.name}.html", page.title, plain_text(page)) for site, page in sheets],
        columns=list(LETTER_COLUMNS),
    )
    files = {"sites/index.html": render(_index(results, sheets)).encode()}
    files["sites/letters.csv"] = rows.map(cell_text).to_csv(index=False, lineterminator="\n").encode()
    for (_, page), text in zip(sheets, rows["text"], strict=True):
        files[f"{page.name}.eml"] = _draft(page.title, text)
    return files


def plain_text(page: Page) -> str:
    """What a sheet says, without its look."""
    lines: list[str] = []
    for section in page.sections:
        lines += ["", section.title.upper()]
        for block in section.blocks:
            if isinstance(block, Heading):
                lines += ["", Markup(block.title).striptags()]
            elif isinstance(block, Prose):
                lines.append(block.text.striptags())
            elif isinstance(block, Bullets):
                lines += [f"- {item.striptags()}" for item in block.items]
    return "\n".join(lines).strip() + "\n"


def _draft(subject: str, text: str) -> bytes:
    """A draft that a mail program opens for writing on: no recipient, no sender, no date."""
    message = EmailMessage(policy=SMTP)
    message["Subject"] = " ".join(subject.split())
    message["X-Unsent"] = "1"
    message.set_content(text, cte="quoted-printable")
    return message.as_bytes()


def _index(results: SeasonResults, sheets: Sequence[tuple[str, Page]]) -> Page:
    items = tuple((site, f"{page.name.removeprefix('sites/')}.html") for site, page in sheets)
    section = Section("sheets", "Sheets by site", (prose(_WORDS, "letters"), Links(items)))
    title = f"Sheets for the sites, season {season_name(results.season)}"
    return Page("sites/index", title, "For the programme", (section,), contents=False, root="../")
