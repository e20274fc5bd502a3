"""Pitfalls, a forecast, what others published, sources, and method: what stands behind the answers."""

from __future__ import annotations

from urllib.parse import quote

from markupsafe import Markup

from broodyear.development.models.published import held_out_studies
from broodyear.figures.development import fan_figure
from broodyear.reports.development.results import WORDS, DevelopmentResults, said_of, shown_if_any
from broodyear.reports.parts import Block, Bullets, Heading, Notice, Section
from broodyear.reports.rendering import drawing, glossary, phrase, prose, said
from broodyear.reports.tables import shown

#: Published pairs shown on the page, the largest disagreements first; the table has all.
MOST_PAIRS = 25


def pitfalls_section(results: DevelopmentResults) -> Section:
    """Scoring against first-seen dates, and dates copied from a forecast."""
    blocks: list[Block] = [prose(WORDS, "first_seen"), *said_of(results, "first_seen")]
    blocks += shown_if_any(results.first_seen)
    blocks += [Heading(Markup("Dates copied from a forecast")), prose(WORDS, "copied")]
    blocks += [*said_of(results, "copied"), *shown_if_any(results.copied)]
    further = {
        "Dates that are probably wrong": ("suspects", results.suspects),
        "Stages that a few more readings would have kept": ("gaps", results.gaps),
    }
    for title, (words, table) in further.items():
        if len(table):
            blocks += [Heading(Markup(title)), prose(WORDS, words), shown(table)]
    return Section("pitfalls", "Ways to be fooled", tuple(blocks))


def forecasts_section(results: DevelopmentResults) -> Section:
    """One tank's forecast as an example of how sure one can be, and when."""
    title, table = "What a forecast looks like", results.fan
    caution = Notice("A forecast never replaces looking.", phrase(WORDS, "caution"), "caution")
    if not len(table):
        return Section("forecast", title, (Notice("No example.", phrase(WORDS, "no_fan"), "note"), caution))
    words = {"row": table.row(0)}
    return Section(
        "forecast", title, (drawing(fan_figure, table.frame, table=table, words=words, file=table.name), caution)
    )


def published_section(results: DevelopmentResults) -> Section:
    """Published values that contradict each other, by size, and whether intervals of published models hold."""
    table = results.disagreements
    rows = range(min(len(table), MOST_PAIRS))
    pairs = shown(table, rows) if rows else prose(WORDS, "no_disagreement")
    title = "What others published, and where it disagrees"
    held = prose(WORDS, "held_out", studies=held_out_studies().to_dict("records"))
    return Section("published", title, (prose(WORDS, "published"), pairs, held))


def sources_section(results: DevelopmentResults) -> Section:
    """The works behind models and values, and how to make the tables again."""
    works, blocks = results.works, list[Block]()
    if len(works):
        items = tuple(_work(results, row) for row in range(len(works)))
        blocks += [prose(WORDS, "sources"), Bullets(items, (works,), numbered=True), prose(WORDS, "bib")]
    blocks += [Heading(Markup("To make these tables again")), prose(WORDS, "reproduce")]
    return Section("sources", "Sources, and how to make this again", tuple(blocks))


def _work(results: DevelopmentResults, row: int) -> Markup:
    """One work: authors, year, title, where it stands, DOI."""
    names = ("author", "year", "title", "journal", "volume", "issue", "pages", "publisher", "doi")
    parts = {name: str(results.works.value(row, name) or "") for name in names}
    return phrase(WORDS, "work", **parts, address=quote(parts["doi"]))


def method_section(results: DevelopmentResults) -> Section:
    """How it was done, rows left out, and what these records can and cannot tell."""
    blocks: list[Block] = [Bullets(said(WORDS, "method_points")), *shown_if_any(results.left_out)]
    told = [one for topic in ("data", "band", "suspects", "survivors") for one in said_of(results, topic)]
    if told:
        blocks += [Heading(Markup("What these records can and cannot tell")), *told]
    return Section("method", "Method and limits", (*blocks, *glossary("development")))
