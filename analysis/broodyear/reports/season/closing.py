"""The end of the review: what the records were like, how the numbers were made, and what to be careful about."""

from __future__ import annotations

from markupsafe import Markup

from broodyear.reports.parts import Block, Bullets, Heading, Prose, Section, folded_table
from broodyear.reports.rendering import phrase, said
from broodyear.reports.season.results import SeasonRecords, SeasonResults
from broodyear.reports.tables import Column, ReportTable, column
from broodyear.reports.wording import CAUTIONS, glossary, refusal


def quality_section(records: SeasonRecords) -> Section:
    """Uploads, rejected rows, findings by rule, and what was acknowledged."""
    findings = records.findings
    blocks: list[Block] = [
        Prose(
            phrase(
                "season/evidence.txt",
                "loaded",
                files=records.figure("files_loaded", "whole"),
                accepted=records.figure("rows_accepted", "whole"),
                rejected=records.figure("rows_sent_back", "whole"),
                to_mend=records.figure("rows_to_mend", "whole"),
            ),
            (records.key_figures, records.uploads),
        )
    ]
    if len(findings):
        caption = "What still holds of what the checks found, by rule"
        blocks.append(folded_table(findings, caption, FINDING_COLUMNS))
    else:
        blocks.append(Prose(phrase("season/evidence.txt", "nothing_found")))
    sent_back = [row for row in range(len(records.uploads)) if records.uploads.value(row, "rows_sent_back")]
    if sent_back:
        note = "Every file that was loaded is in the table."
        blocks.append(
            folded_table(records.uploads, "Files with rows sent back", UPLOAD_COLUMNS, sent_back, note=note)
        )
    return Section("quality", "How good the records are", tuple(blocks))


FINDING_COLUMNS = (
    column("rule", "rule", "words"),
    column("level", "kind", "words"),
    column("table_name", "table", "words"),
    column("findings", "findings", "whole"),
    column("acknowledged", "looked into", "whole"),
)

UPLOAD_COLUMNS = (
    column("upload", "upload", "whole"),
    column("file", "file", "id"),
    column("table_name", "table", "words"),
    column("rows_accepted", "lines taken in", "whole"),
    column("rows_sent_back", "sent back", "whole"),
    column("rows_to_mend", "still to mend", "whole"),
    column("withdrawn", "withdrawn", "yes_no"),
)


def method_section(results: SeasonResults) -> Section:
    """How the numbers were made, with rows given, used and left out, and where they end."""
    blocks: list[Block] = [Bullets(said("season/method.txt", "methods"))]
    blocks += [Heading(Markup("Rows given, used and left out"))]
    blocks += [
        _rows_block(
            results.screen, SCREEN_COLUMNS, "Rows behind the screen of set-ups, all seasons up to this one"
        )
    ]
    blocks += [_rows_block(results.fits, FIT_COLUMNS, "Rows behind the effects of practices and temperature")]
    blocks += [Heading(Markup("What this page cannot show")), Bullets(said("season/method.txt", "limits"))]
    return Section("method", "Method and limits", (*blocks, *glossary("season")))


def _rows_block(table: ReportTable, columns: tuple[Column, ...], caption: str) -> Block:
    if table.refusal or not len(table):
        return refusal("No model was fitted here.", table)
    return folded_table(table, caption, columns)


SCREEN_COLUMNS = (
    column("outcome", "outcome", "outcome"),
    column("rows_given", "given", "whole"),
    column("rows_used", "used", "whole"),
    column("left_out", "left out", "text", long=True),
    column("tank_sd", "SD between tanks (logit)", "number_fine"),
    column("site_sd", "of it between sites", "number_fine"),
    column("batch_sd", "between batches", "number_fine"),
    column("season_sd", "between seasons", "number_fine"),
)

FIT_COLUMNS = (
    column("outcome", "outcome", "outcome"),
    column("model", "model", "words"),
    column("rows_given", "given", "whole"),
    column("rows_used", "used", "whole"),
    column("left_out", "left out", "text", long=True),
    column("note", "what the fit said", "text", long=True),
)


def cautions_section() -> Section:
    """Where work can hurt people or fish."""
    return Section("cautions", "Before anyone acts: cautions", CAUTIONS)
