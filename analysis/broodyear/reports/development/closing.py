"""Pitfalls, a forecast, what others published, sources, and method: what stands behind the answers."""

from __future__ import annotations

from functools import partial
from urllib.parse import quote

from markupsafe import Markup

from broodyear.figures.development import fan_figure
from broodyear.reports.development.results import OF_MODEL, PLACE, WORDS, DevelopmentResults, folded_table, said_of
from broodyear.reports.parts import Block, Bullets, Drawing, Heading, Notice, Prose, Section, TableBlock, say
from broodyear.reports.rendering import phrase, wording
from broodyear.reports.tables import column, interval_column, table_view
from broodyear.reports.wording import glossary

#: Published pairs shown on the page, the largest disagreements first; the table has all.
MOST_PAIRS = 25


def pitfalls_section(results: DevelopmentResults) -> Section:
    """Scoring against first-seen dates, and dates copied from a forecast."""
    blocks: list[Block] = [Prose(phrase(WORDS, "first_seen")), *said_of(results, "first_seen")]
    blocks += folded_table(results.first_seen, "The same predictions scored both ways", FIRST_SEEN_COLUMNS)
    blocks += [Heading(Markup("Dates copied from a forecast")), Prose(phrase(WORDS, "copied"))]
    blocks += said_of(results, "copied")
    blocks += folded_table(results.copied, "Forecast sheets found in the dates", COPIED_COLUMNS)
    if len(results.suspects):
        blocks += [Heading(Markup("Dates that are probably wrong")), Prose(phrase(WORDS, "suspects"))]
        blocks.append(TableBlock(table_view(results.suspects, "Dates to look into", SUSPECT_COLUMNS)))
    if len(results.gaps):
        view = table_view(results.gaps, "Where a reading was wanting", GAP_COLUMNS)
        title = Markup("Stages that a few more readings would have kept")
        blocks += [Heading(title), Prose(phrase(WORDS, "gaps")), TableBlock(view, folded=True)]
    return Section("pitfalls", "Ways to be fooled", tuple(blocks))


GAP_COLUMNS = (
    *PLACE,
    column("season", "season", "year"),
    column("tank_id", "tank", "id"),
    column("first_seen_on", "first seen", "date"),
    column("not_read_pct", "days not read (%)", "whole"),
    column("gap_se_days", "error (d)", "number"),
    column("would_have_kept", "would have kept it", "text"),
)

SUSPECT_COLUMNS = (
    *PLACE,
    column("season", "season", "year"),
    column("tank_id", "tank", "id"),
    column("last_absent_on", "last absent", "date"),
    column("first_seen_on", "first seen", "date"),
    column("days_off", "off by (d)", "points"),
)

FIRST_SEEN_COLUMNS = (
    *OF_MODEL,
    column("tanks", "tanks", "whole"),
    column("bias_days", "bias, interval (d)", "points"),
    interval_column("bias_low", "bias_high", "95 % interval (d)", "points"),
    column("bias_first_seen_days", "bias, first seen (d)", "points"),
    column("mae_days", "mean error, interval (d)", "number"),
    column("mae_first_seen_days", "mean error, first seen (d)", "number"),
    column("shift_days", "shift (d)", "points"),
)
COPIED_COLUMNS = (
    *PLACE,
    column("units_c_days", "units of the sheet (°C·d)", "whole"),
    column("tanks", "dates without an earlier look", "whole"),
    column("agreeing", "agree exactly", "whole"),
    column("expected_by_chance", "expected by chance", "number"),
    column("left_out", "left out", "whole"),
)


def forecasts_section(results: DevelopmentResults) -> Section:
    """One tank's forecast as an example of how sure one can be, and when."""
    title, table = "What a forecast looks like", results.fan
    caution = Notice(
        "A forecast never replaces looking.", Markup("{}").format(wording(WORDS, "caution")), "caution"
    )
    if not len(table):
        none = Notice("No example.", Markup("{}").format(wording(WORDS, "no_fan")), "note")
        return Section("forecast", title, (none, caution))
    tank, stage = table.at(0, "tank_id", "id"), table.at(0, "stage", "stage")
    figure = Drawing(
        partial(fan_figure, table.frame, name="forecast_example", title="Forecast of one tank"),
        name="forecast_example",
        caption=phrase(WORDS, "fan_caption", tank=tank, stage=stage),
        alt=str(wording(WORDS, "fan_alt")),
        table=table,
    )
    return Section("forecast", title, (figure, caution))


def published_section(results: DevelopmentResults) -> Section:
    """Published values that contradict each other, by size."""
    table = results.disagreements
    rows = list(range(min(len(table), MOST_PAIRS)))
    blocks: list[Block] = [Prose(phrase(WORDS, "published"))]
    if rows:
        caption, note = (
            "Published measurements against published models",
            "The largest come first; all are in the file.",
        )
        blocks.append(TableBlock(table_view(table, caption, PAIR_COLUMNS, rows, note=note), folded=True))
    else:
        blocks.append(Prose(Markup("{}").format(wording(WORDS, "no_disagreement"))))
    return Section("published", "What others published, and where it disagrees", tuple(blocks))


PAIR_COLUMNS = (
    *PLACE,
    column("model", "published model", "model"),
    column("temp_c", "°C", "number"),
    column("published_days", "published (d)", "number"),
    column("predicted_days", "model says (d)", "number"),
    column("error_days", "difference (d)", "points"),
    column("error_pct", "difference (%)", "points"),
    column("is_in_range", "in the tested range", "yes_no"),
    column("is_same_event", "same event", "yes_no"),
    column("is_flagged", "value doubted", "yes_no"),
    column("model_trust", "trust in the model", "text"),
)


def sources_section(results: DevelopmentResults) -> Section:
    """The works behind models and values, and how to make the tables again."""
    blocks: list[Block] = []
    if len(results.works):
        items = tuple(_work(results, row) for row in range(len(results.works)))
        blocks += [Prose(phrase(WORDS, "sources")), Bullets(items, (results.works,), numbered=True)]
        blocks.append(Prose(phrase(WORDS, "bib")))
    blocks += [Heading(Markup("To make these tables again")), Prose(phrase(WORDS, "reproduce"))]
    return Section("sources", "Sources, and how to make this again", tuple(blocks))


def _work(results: DevelopmentResults, row: int) -> Markup:
    """One work: authors, year, title, where it stands, DOI."""
    parts = {name: str(results.works.value(row, name) or "") for name in _WORK}
    who = parts["author"].replace(" and others", " et al.").replace(" and ", "; ")
    volume = parts["volume"] + (f"({parts['issue']})" if parts["issue"] else "")
    where = ", ".join(one for one in (parts["journal"], volume, parts["publisher"]) if one)
    pages = parts["pages"].replace("--", "\u2013")
    said = say(
        "{who}{title}.{where}",
        who=" ".join(one for one in (who, parts["year"]) if one) + ". " if who or parts["year"] else "",
        title=parts["title"].rstrip("."),
        where=f" {where}{f': {pages}' if pages else ''}." if where else "",
    )
    if not parts["doi"]:
        return said
    return said + say(
        ' <a href="https://doi.org/{address}">doi:{doi}</a>', address=quote(parts["doi"]), doi=parts["doi"]
    )


_WORK = ("author", "year", "title", "journal", "volume", "issue", "pages", "publisher", "doi")


def method_section(results: DevelopmentResults) -> Section:
    """How it was done, rows left out, and what these records can and cannot tell."""
    blocks: list[Block] = [Bullets(tuple(wording(WORDS, "method_points")))]
    blocks += folded_table(results.left_out, "Stages left out of the validation", LEFT_OUT_COLUMNS)
    told = [one for topic in ("data", "band", "suspects", "survivors") for one in said_of(results, topic)]
    if told:
        blocks += [Heading(Markup("What these records can and cannot tell")), *told]
    return Section("method", "Method and limits", (*blocks, *glossary("development")))


LEFT_OUT_COLUMNS = (
    *PLACE,
    column("reason", "left out because", "text", long=True),
    column("rows", "stages", "whole"),
)
