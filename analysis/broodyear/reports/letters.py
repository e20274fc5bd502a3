"""The sheets ready to send: an index with search, a table for any mail program, and drafts without a recipient.

Nothing is ever sent from here: who a sheet goes to is known to the programme, not to the records.
"""

from __future__ import annotations

from collections.abc import Sequence
from email.message import EmailMessage
from email.policy import SMTP

import pandas as pd
from markupsafe import Markup

from broodyear.reports.numbers import season_name
from broodyear.reports.parts import Bullets, Heading, Links, Page, Prose, Section
from broodyear.reports.rendering import render
from broodyear.reports.season.results import SeasonResults
from broodyear.reports.tables import cell_text
from broodyear.reports.wording import prose

_WORDS = "season/sheet.txt"
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
