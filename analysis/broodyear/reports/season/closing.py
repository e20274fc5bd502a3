"""The end of the review: what the records were like, how the numbers were made, and what to be careful about."""

from __future__ import annotations

from markupsafe import Markup

from broodyear.reports.parts import Block, Bullets, Heading, Prose, Section, TableBlock, say
from broodyear.reports.rendering import phrase, wording
from broodyear.reports.season.results import SeasonResults
from broodyear.reports.tables import Column, ReportTable, column, table_view
from broodyear.reports.wording import CAUTIONS, refusal


def quality_section(results: SeasonResults) -> Section:
    """Uploads, rejected rows, findings by rule, and what was acknowledged."""
    findings = results.findings
    blocks: list[Block] = [
        Prose(
            say(
                "{files} files were loaded: {accepted} rows were taken in and {rejected} sent back with their"
                " reason, of which {to_mend} are still to be mended. Nothing was changed"
                " silently; a suspicion lets the row in and is counted here as long as it holds.",
                files=results.figure("files_loaded", "whole"),
                accepted=results.figure("rows_accepted", "whole"),
                rejected=results.figure("rows_rejected", "whole"),
                to_mend=results.figure("rows_to_mend", "whole"),
            ),
            (results.key_figures, results.uploads),
        )
    ]
    if len(findings):
        blocks.append(
            TableBlock(
                table_view(findings, "What still holds of what the checks found, by rule", FINDING_COLUMNS),
                folded=True,
            )
        )
    else:
        blocks.append(Prose(Markup("The checks found nothing to report.")))
    sent_back = [row for row in range(len(results.uploads)) if results.uploads.value(row, "rows_rejected")]
    if sent_back:
        view = table_view(results.uploads, "Files with rows sent back", UPLOAD_COLUMNS, sent_back, note=_ALL_FILES)
        blocks.append(TableBlock(view, folded=True))
    return Section("quality", "How good the records are", tuple(blocks))


_ALL_FILES = "Every file that was loaded is in the table."

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
    column("rows_accepted", "rows taken in", "whole"),
    column("rows_rejected", "sent back", "whole"),
    column("rows_to_mend", "still to mend", "whole"),
    column("withdrawn", "withdrawn", "yes_no"),
)


def method_section(results: SeasonResults) -> Section:
    """How the numbers were made, with rows given, used and left out, and where they end."""
    items = [_METHODS[key] for key in ("unit", "expected", "verdict", "effects", "temperature")]
    blocks: list[Block] = [Bullets(tuple(items)), Heading(Markup("Rows given, used and left out"))]
    blocks += [
        _rows_block(
            results.screen, SCREEN_COLUMNS, "Rows behind the screen of set-ups, all seasons up to this one"
        )
    ]
    blocks += [_rows_block(results.fits, FIT_COLUMNS, "Rows behind the effects of practices and temperature")]
    blocks += [Heading(Markup("What this page cannot show")), Bullets(_LIMITS)]
    terms = tuple(phrase(_GLOSSARY, "term", word=word, meaning=meaning) for word, meaning in _terms())
    blocks += [Heading(Markup("Words on this page")), Bullets(terms)]
    return Section("method", "Method and limits", tuple(blocks))


_GLOSSARY = "season/glossary.txt"


def _terms() -> list[tuple[str, str]]:
    terms: list[tuple[str, str]] = wording(_GLOSSARY, "terms")
    return terms


def _rows_block(table: ReportTable, columns: tuple[Column, ...], caption: str) -> Block:
    if table.refusal or not len(table):
        return refusal("No model was fitted here.", table)
    return TableBlock(table_view(table, caption, columns), folded=True)


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


_METHODS = {
    "unit": Markup(
        "The unit of analysis is one tank in one season, never the egg: eggs in one tank share a fate."
        " Survivors are fish released, transferred out, retained or euthanised as surplus, less those"
        " transferred in."
    ),
    "expected": Markup(
        "What is expected of a tank comes from a binomial model with the tank’s batch, species, season and thermal"
        " units at delivery; other tanks teach it, and the tank being judged does not."
    ),
    "verdict": Markup(
        "Verdicts use limits that allow for ordinary variation between tanks. Below expected: so far out that, of"
        " all tanks of the season called so, at most one in ten would be ordinary (Benjamini and Hochberg 1995)."
        " Watch: beyond the limits that hold 95 in 100 ordinary tanks."
    ),
    "effects": Markup(
        "Effects come from a binomial mixed model with random intercepts for site and batch, with other methods"
        " beside it; a practice that never shares a batch or a room with its reference gets no number, because"
        " the records cannot tell the two apart."
    ),
    "temperature": Markup(
        "Temperature is the mean of daily means over a window bounded by thermal units. Hand readings are one"
        " hour of a day; a thermometer that reads half a degree high shifts everything that rests on it."
    ),
}

_LIMITS = (
    Markup("Causes. Records that fit a cause also fit others; “consistent with” is as far as they go."),
    Markup("Tanks that did not report. They are listed and bounded, never guessed."),
    Markup(
        "Whether the programme improved. Seasons differ in their batches, and one batch set a year cannot tell."
    ),
    Markup(
        "Dead fish nobody found. Under stones they stay hidden until the tank is taken down; see both estimates."
    ),
)
