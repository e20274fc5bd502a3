"""Sections of the regions report, in words that do not let a bad batch pass for a bad region."""

from __future__ import annotations

from functools import partial
from typing import Any

import pandas as pd
from markupsafe import Markup

from broodyear.claims import ClaimKind, Decision
from broodyear.figures.connectivity import connectivity_figure
from broodyear.figures.intervals import Estimate, panels_figure
from broodyear.figures.style import SERIES
from broodyear.reports.numbers import known
from broodyear.reports.parts import Block, Bullets, Drawing, Notice, Prose, Section, TableBlock, say
from broodyear.reports.rendering import phrase, said
from broodyear.reports.sentences import Statements
from broodyear.reports.tables import ReportTable, column, interval_column, table_view
from broodyear.reports.vocabulary import MAIN_OUTCOME, OUTCOMES
from broodyear.reports.wording import glossary, refusal

_WORDS = "regions/sections.txt"
#: Batches in one drawing; with more, the earliest seasons are left to the table.
MOST_BATCHES = 45


def answer_section(regions: ReportTable, statements: Statements, sentences: dict[str, str]) -> Section:
    """Whether any region is shown to differ, what the records say of each, and how batches were held fixed."""
    title = "Is any region worse or better?"
    if regions.refusal or not len(regions):
        return Section("answer", title, (refusal("Regions cannot be compared.", regions),))
    rows = regions.rows(outcome=MAIN_OUTCOME) or list(range(len(regions)))
    outcome = str(regions.value(rows[0], "outcome"))
    blocks: list[Block] = [
        Prose(_said(statements, ClaimKind.REGIONS_DIFFER, outcome=outcome), (statements.table,), lead=True)
    ]
    blocks.append(Notice("Read the raw figures with care.", phrase(_WORDS, "raw_with_care"), "note"))
    items = tuple(_region(regions, row, statements) for row in rows)
    blocks += [Bullets(items, (regions, statements.table)), _figure(regions)]
    if outcome in sentences:
        blocks.append(Prose(say("{what}", what=sentences[outcome])))
    further = tuple(
        say("{what}", what=statements.at(row))
        for row in statements.rows(ClaimKind.REGION_DIFFERS, decision=Decision.CLAIMED)
        if statements.claim(row).outcome != outcome
    )
    if further:
        blocks += [Prose(phrase(_WORDS, "single_stages")), Bullets(further, (statements.table,))]
    return Section("answer", title, tuple(blocks))


def _said(statements: Statements, kind: ClaimKind, **wanted: Any) -> Markup:
    """The sentence of the claim of this kind, as claims.csv has it."""
    return Markup(" ").join(say("{what}", what=statements.at(row)) for row in statements.rows(kind, **wanted))


def _raw(regions: ReportTable, row: int) -> Markup:
    if not known(regions.value(row, "raw_pct")):
        return Markup("no survival known")
    return say("{raw} raw", raw=regions.at(row, "raw_pct", "pct"))


def _region(regions: ReportTable, row: int, statements: Statements) -> Markup:
    """One region: what was counted, and what can be said of it."""
    head = say(
        "{region}: {raw}, from {usable} of {tanks} tank-seasons and {batches}, of which {shared} also went"
        " elsewhere. ",
        region=regions.at(row, "region", "id"),
        raw=_raw(regions, row),
        usable=regions.at(row, "tanks_usable", "whole"),
        tanks=regions.at(row, "tanks", "whole"),
        batches=regions.at(row, "batches", "batches"),
        shared=regions.at(row, "batches_shared", "whole"),
    )
    wanted: dict[str, Any] = {
        "subject": str(regions.value(row, "region")),
        "outcome": str(regions.value(row, "outcome")),
    }
    return head + _said(statements, ClaimKind.REGION_DIFFERS, **wanted)


def evidence_section(regions: ReportTable, heterogeneity: ReportTable) -> Section:
    """The three estimates in figures, and how much regions differ at all."""
    title = "Raw, adjusted and within batches"
    if regions.refusal or not len(regions):
        return Section("evidence", title, (refusal("There is nothing to show.", regions),))
    return Section("evidence", title, (*_region_tables(regions), *_spread(heterogeneity)))


def _figure(regions: ReportTable) -> Drawing:
    rows = regions.rows(outcome=MAIN_OUTCOME)
    panels = (
        Estimate("raw_pct", "", "", "raw", SERIES[3]),
        Estimate("adjusted_pct", "adjusted_low", "adjusted_high", "adjusted for batch", SERIES[0]),
        Estimate("within_batch_pct", "within_batch_low", "within_batch_high", "within batches", SERIES[2]),
    )
    return Drawing(
        partial(
            panels_figure, regions.frame.iloc[rows], name="regions", title="Regions: three estimates",
            label="region", panels=panels, unit="survival (%)",
        ),
        name="regions",
        caption="Delivery to release, regions in alphabetical order. Intervals carry the number of batches.",
        alt="Three panels side by side with one row per region: raw survival, survival adjusted for batch with its"
        " interval, and survival within batches with its interval.",
        table=regions,
    )  # fmt: skip


def _region_tables(regions: ReportTable) -> list[Block]:
    """One table per outcome, the whole stay first."""
    present = [name for name in OUTCOMES if regions.rows(outcome=name)]
    ordered = sorted(present, key=lambda name: name != MAIN_OUTCOME)
    return [
        TableBlock(
            table_view(
                regions,
                f"Regions in alphabetical order, {OUTCOMES[name]}",
                REGION_COLUMNS,
                regions.rows(outcome=name),
                anchor=f"regions-{name}",
            ),
            folded=name != MAIN_OUTCOME,
        )
        for name in ordered
    ]  # fmt: skip


REGION_COLUMNS = (
    column("region", "region", "id"),
    column("tanks_usable", "tank-seasons", "whole"),
    column("batches", "batches", "whole"),
    column("batches_shared", "shared batches", "whole"),
    column("raw_pct", "raw (%)", "pct_bare"),
    column("adjusted_pct", "adjusted (%)", "pct_bare"),
    interval_column("adjusted_low", "adjusted_high", "95 % interval (%)", "pct_bare"),
    column("difference_points", "against others (points)", "points"),
    interval_column("difference_low", "difference_high", "95 % interval", "points"),
    column("within_batch_points", "within batches (points)", "points"),
    interval_column("within_batch_points_low", "within_batch_points_high", "95 % interval", "points"),
    column("separable", "told apart from its batches", "yes_no"),
)


def _spread(table: ReportTable) -> list[Block]:
    if table.refusal or not len(table):
        return [Prose(phrase(_WORDS, "spread_unknown"))]
    columns = (
        column("outcome", "outcome", "outcome"),
        column("regions", "regions", "whole"),
        column("tau_points", "SD between regions, τ (points)", "number"),
        column("i_squared_pct", "I² (%)", "pct_bare"),
        column("p_value", "p of equal regions", "p"),
        interval_column(
            "prediction_low_pct", "prediction_high_pct", "where a new region would lie (%)", "pct_bare"
        ),
    )
    note = "Whether regions differ is said above, after allowing for all regions compared; here τ may be chance."
    return [TableBlock(table_view(table, "How much regions differ within batches", columns, note=note))]


def batches_section(graph: ReportTable, sentences: dict[str, str]) -> Section:
    """Which region received which batch, drawn; only what is joined can be compared."""
    title = "Which region had which batch"
    if graph.refusal or not len(graph):
        return Section("batches", title, (refusal("There is nothing to draw.", graph),))
    rows = graph.rows(outcome=MAIN_OUTCOME)
    frame = _latest(graph.frame.iloc[rows])
    figure = Drawing(
        partial(connectivity_figure, frame, name="connectivity", title="Regions and batches"),
        name="connectivity",
        caption="Each line is a region that had tanks of a batch, thicker with more tanks. Full lines: the batch"
        " also went to another region, which is what makes regions comparable. Dotted: it did not. With very many"
        " batches only the latest seasons are drawn.",
        alt="Regions on the left, batches on the right, joined by a line where a region received a batch;"
        f" {sentences.get(MAIN_OUTCOME, '')}",
        table=graph,
    )
    columns = (
        column("region", "region", "id"),
        column("batch_id", "batch", "id"),
        column("season", "season", "year"),
        column("tanks", "tanks", "whole"),
        column("eggs", "eggs", "whole"),
        column("shared", "also went elsewhere", "yes_no"),
    )
    view = table_view(graph, "Tanks of each region and batch, delivery to release", columns, rows)
    return Section("batches", title, (Prose(phrase(_WORDS, "paths")), figure, TableBlock(view)))


def _latest(graph: pd.DataFrame) -> pd.DataFrame:
    """The latest seasons, as many as keep the drawing readable."""
    chosen = graph
    for season in sorted(graph["season"].unique())[:-1]:
        if chosen["batch_id"].nunique() <= MOST_BATCHES:
            break
        chosen = chosen[chosen["season"] > season]
    return chosen


def reporting_section(regions: ReportTable) -> Section:
    """Who reported, and what the silent tanks could change."""
    title = "How much was reported"
    if regions.refusal or not len(regions):
        return Section("reporting", title, (refusal("There is nothing to show.", regions),))
    columns = (
        column("region", "region", "id"),
        column("tanks", "tank-seasons with eggs", "whole"),
        column("tanks_usable", "usable", "whole"),
        column("reporting_pct", "usable (%)", "pct_bare"),
        column("raw_pct", "raw (%)", "pct_bare"),
        interval_column("bound_low_pct", "bound_high_pct", "bounds (%)", "pct_bare"),
        column("sites", "sites", "whole"),
        column("seasons", "seasons", "whole"),
    )
    rows = regions.rows(outcome=MAIN_OUTCOME)
    view = table_view(regions, "Reporting by region, delivery to release", columns, rows, anchor="reporting")
    return Section("reporting", title, (Prose(phrase(_WORDS, "silent")), TableBlock(view)))


def method_section() -> Section:
    """How the three estimates are made, and what cannot be told."""
    return Section("method", "Method and limits", (Bullets(said(_WORDS, "methods")), *glossary("regions")))
