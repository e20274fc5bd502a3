"""What came of practices that were assigned at random, or how to draw such a comparison."""

from __future__ import annotations

from markupsafe import Markup

from broodyear.reports.numbers import known
from broodyear.reports.parts import Block, Bullets, Prose, Section, TableBlock, say
from broodyear.reports.season.results import SeasonResults
from broodyear.reports.sentences import worded
from broodyear.reports.tables import ReportTable, column, interval_column, report_table, table_view
from broodyear.trials import COMPARISON_COLUMNS, TrialComparison, comparison_table, trial_claims

TITLE = "Practices assigned at random"

COLUMNS = (
    column("factor", "practice", "factor"),
    column("level", "level", "words"),
    column("reference", "compared with", "words"),
    column("outcome", "outcome", "outcome"),
    column("seasons", "seasons", "text"),
    column("tanks", "tanks", "whole"),
    column("reference_tanks", "tanks compared with", "whole"),
    column("silent", "without a count", "whole"),
    column("followed_pct", "did as assigned (%)", "pct"),
    column("difference_points", "difference (points)", "points"),
    interval_column("difference_low", "difference_high", "95 % interval", "points"),
    column("p_value", "p", "p"),
    interval_column("bound_low_points", "bound_high_points", "silent tanks at their worst", "points"),
    column("mixed_points", "mixed model (points)", "points"),
    interval_column("mixed_low", "mixed_high", "95 % interval", "points"),
    column("note", "note", "text", long=True),
)


def trials_table(compared: tuple[TrialComparison, ...]) -> ReportTable:
    """Every comparison of trials, with its sentence."""
    frame = comparison_table(compared).assign(sentence=list(worded(trial_claims(compared))))
    return report_table("trials", TITLE, frame, COMPARISON_COLUMNS)


def assigned_section(results: SeasonResults) -> Section:
    """The comparisons as assigned, which outrank every observed one; without any, the line that draws one."""
    table = results.trials
    if not len(table):
        return Section("assigned", TITLE, (Prose(say(_NONE, season=str(results.season + 1))),))
    rows = range(len(table))
    blocks: list[Block] = [
        Prose(_WORDS),
        Bullets(tuple(_sentence(table, row) for row in rows), (table,)),
        TableBlock(table_view(table, "Every comparison, as assigned", COLUMNS, list(rows))),
    ]
    return Section("assigned", TITLE, tuple(blocks))


_WORDS = Markup(
    "Chance decided which tank did what, so a clear difference here is the practice's own doing, and it outranks"
    " whatever other tables show of the same practice. Every tank counts as it was assigned, also where something"
    " else was done; tanks are compared within their egg batch and region only."
)

_NONE = (
    "No practice was assigned at random so far. What goes together in these records need not be cause; a"
    " comparison that can show it is drawn with <code>broodyear trial --factor gravel_practice --levels"
    " gravel,bare --season {season} --out trial.csv</code>, which also says what it could find."
)


def _sentence(table: ReportTable, row: int) -> Markup:
    text = say(
        "{said} {tanks} compared with {others}",
        said=table.at(row, "sentence", "text"),
        tanks=table.at(row, "tanks", "tanks"),
        others=table.at(row, "reference_tanks", "tanks"),
    )
    if known(table.value(row, "followed_pct")):
        text += say(", {share} did as assigned", share=table.at(row, "followed_pct", "pct"))
    if int(table.value(row, "silent")):
        text += say(
            "; {silent} without a count, which could move the difference to anything from {low} to {high} points",
            silent=table.at(row, "silent", "tanks"),
            low=table.at(row, "bound_low_points", "points"),
            high=table.at(row, "bound_high_points", "points"),
        )
    return text + Markup(".")
