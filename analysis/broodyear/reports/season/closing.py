"""The end of the review: what the records were like, how the numbers were made, and what to be careful about."""

from __future__ import annotations

from markupsafe import Markup

from broodyear.reports.parts import Block, Bullets, Heading, Section
from broodyear.reports.rendering import said
from broodyear.reports.season.results import SeasonRecords, SeasonResults
from broodyear.reports.tables import ReportTable, shown
from broodyear.reports.wording import CAUTIONS, glossary, prose, refusal

_WORDS = "season/evidence.txt"


def quality_section(records: SeasonRecords) -> Section:
    """Uploads, rejected rows, findings by rule, and what was acknowledged."""
    uploads = records.uploads
    blocks: list[Block] = [
        prose(_WORDS, "loaded", records.key_figures, uploads, figure=records.figure),
        shown(records.findings) if len(records.findings) else prose(_WORDS, "nothing_found"),
    ]
    sent_back = [row for row in range(len(uploads)) if uploads.value(row, "rows_sent_back")]
    blocks += [shown(uploads, sent_back)] if sent_back else []
    return Section("quality", "How good the records are", tuple(blocks))


def method_section(results: SeasonResults) -> Section:
    """How the numbers were made, with rows given, used and left out, and where they end."""
    blocks = (
        Bullets(said("season/method.txt", "methods")),
        Heading(Markup("Rows given, used and left out")),
        _rows_block(results.screen),
        _rows_block(results.fits),
        Heading(Markup("What this page cannot show")),
        Bullets(said("season/method.txt", "limits")),
    )
    return Section("method", "Method and limits", (*blocks, *glossary("season")))


def _rows_block(table: ReportTable) -> Block:
    return shown(table) if len(table) else refusal("No model was fitted here.", table)


def cautions_section() -> Section:
    """Where work can hurt people or fish."""
    return Section("cautions", "Before anyone acts: cautions", CAUTIONS)
