"""Sections of the regions report, in words that do not let a bad batch pass for a bad region."""

from __future__ import annotations

import pandas as pd
from markupsafe import Markup

from broodyear.figures.connectivity import connectivity_figure
from broodyear.figures.intervals import Estimate, panels_figure
from broodyear.figures.style import SERIES
from broodyear.reports.numbers import known
from broodyear.reports.parts import Block, Bullets, Notice, Prose, Section, TableBlock, joined, say
from broodyear.reports.showing import drawn
from broodyear.reports.tables import ReportTable, column, interval_column, table_view
from broodyear.reports.vocabulary import MAIN_OUTCOME, OUTCOMES
from broodyear.reports.wording import refusal

#: Batches in one drawing; with more, the earliest seasons are left to the table.
MOST_BATCHES = 45


def answer_section(regions: ReportTable, sentences: dict[str, str]) -> Section:
    """Whether any region is shown to differ, and what its raw figure does not mean."""
    title = "Is any region worse or better?"
    if regions.refusal or not len(regions):
        return Section("answer", title, (refusal("Regions cannot be compared.", regions),))
    rows = regions.rows(outcome=MAIN_OUTCOME)
    lower = [row for row in rows if verdict_of(regions, row) == "lower"]
    higher = [row for row in rows if verdict_of(regions, row) == "higher"]
    blocks: list[Block] = [Prose(_answer(regions, rows, lower, higher), (regions,), lead=True)]
    blocks.append(Notice("Read the raw figures with care.", _WARNING, "note"))
    blocks.append(Bullets(tuple(region_sentence(regions, row) for row in rows), (regions,)))
    if MAIN_OUTCOME in sentences:
        blocks.append(Prose(say("{what}", what=sentences[MAIN_OUTCOME])))
    return Section("answer", title, tuple(blocks))


_WARNING = Markup(
    "A region’s raw survival is mostly that of the batches it happened to get. Compare only what was grown from"
    " the same eggs: within shared batches."
)


#: A difference is claimed only below this, by both answers, p-values being adjusted over the regions.
CLAIM_P = 0.05


def verdict_of(regions: ReportTable, row: int) -> str:
    """lower or higher (both answers clear, on the same side), alike (no difference shown), or not separable."""
    points = [regions.value(row, name) for name in ("difference_points", "within_batch_points")]
    p_values = [regions.value(row, name) for name in ("p_value", "within_batch_p_value")]
    if not bool(regions.value(row, "separable")) or not known(points[0]):
        return "not separable"
    if not all(known(value) for value in (*points, *p_values)) or max(map(float, p_values)) > CLAIM_P:
        return "alike"
    if all(float(value) < 0 for value in points):
        return "lower"
    return "higher" if all(float(value) > 0 for value in points) else "alike"


def _answer(regions: ReportTable, rows: list[int], lower: list[int], higher: list[int]) -> Markup:
    if not lower and not higher:
        return say(
            "No region is shown to do better or worse than its eggs explain: raw survival from delivery to"
            " release runs from {least} to {most}, and where batches were shared the difference between regions"
            " may be chance.",
            **_range(regions, rows),
        )
    said = [
        say(
            "{regions} did {word} than the others from the same batches",
            regions=joined([regions.at(row, "region", "id") for row in chosen]),
            word=word,
        )
        for chosen, word in ((lower, "worse"), (higher, "better"))
        if chosen
    ]
    return say("{what}, beyond what batches and chance explain; why, these records do not say.", what=joined(said))


def _range(regions: ReportTable, rows: list[int]) -> dict[str, object]:
    known_rows = [row for row in rows if known(regions.value(row, "raw_pct"))]
    if not known_rows:
        return {"least": "–", "most": "–"}
    ordered = sorted(known_rows, key=lambda row: float(regions.value(row, "raw_pct")))
    return {"least": regions.at(ordered[0], "raw_pct", "pct"), "most": regions.at(ordered[-1], "raw_pct", "pct")}


def region_sentence(regions: ReportTable, row: int) -> Markup:
    """One region in words: raw, then what can be said of the region itself."""
    head = say(
        "{region}: {raw} raw, from {tanks} and {batches}, of which {shared} also went elsewhere. ",
        region=regions.at(row, "region", "id"),
        raw=regions.at(row, "raw_pct", "pct"),
        tanks=regions.at(row, "tanks", "tanks"),
        batches=regions.at(row, "batches", "batches"),
        shared=regions.at(row, "batches_shared", "whole"),
    )
    return head + _meaning(regions, row)


def _meaning(regions: ReportTable, row: int) -> Markup:
    verdict = verdict_of(regions, row)
    if verdict == "not separable":
        return Markup(
            "<strong>Not separable:</strong> region and batches cannot be told apart, so the raw figure says"
            " nothing about the region."
        )
    adjusted = _difference(regions, row, "difference_points", "difference_low", "difference_high")
    within = _difference(
        regions, row, "within_batch_points", "within_batch_points_low", "within_batch_points_high"
    )
    head = say("Adjusted for batch it lies {adjusted} from the others", adjusted=adjusted)
    if within:
        head += say(", within batches {within}", within=within)
    note = say(": {note}.", note=regions.at(row, "note", "statement"))
    return head + note


def _difference(regions: ReportTable, row: int, point: str, low: str, high: str) -> Markup:
    if not known(regions.value(row, point)):
        return Markup("")
    return say(
        "{points} (95 % interval {low} to {high})",
        points=regions.at(row, point, "points_words"),
        low=regions.at(row, low, "points"),
        high=regions.at(row, high, "points"),
    )


def evidence_section(regions: ReportTable, heterogeneity: ReportTable) -> Section:
    """The three estimates beside each other, and how much regions differ at all."""
    title = "Raw, adjusted and within batches"
    if regions.refusal or not len(regions):
        return Section("evidence", title, (refusal("There is nothing to show.", regions),))
    rows = regions.rows(outcome=MAIN_OUTCOME)
    panels = (
        Estimate("raw_pct", "", "", "raw", SERIES[3]),
        Estimate("adjusted_pct", "adjusted_low", "adjusted_high", "adjusted for batch", SERIES[0]),
        Estimate("within_batch_pct", "within_batch_low", "within_batch_high", "within batches", SERIES[2]),
    )
    figure = drawn(
        lambda: panels_figure(
            regions.frame.iloc[rows], name="regions", title="Regions: three estimates", label="region",
            panels=panels, unit="survival (%)",
        ),
        name="regions",
        caption="Delivery to release, regions in alphabetical order. Intervals carry the number of batches.",
        alt="Three panels side by side with one row per region: raw survival, survival adjusted for batch with its"
        " interval, and survival within batches with its interval.",
        table=regions,
    )  # fmt: skip
    return Section("evidence", title, (figure, *_region_tables(regions), *_spread(heterogeneity)))


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
            )
        )
        for name in ordered
    ]  # fmt: skip


REGION_COLUMNS = (
    column("region", "region", "id"),
    column("tanks", "tanks", "whole"),
    column("batches", "batches", "whole"),
    column("batches_shared", "shared batches", "whole"),
    column("raw_pct", "raw (%)", "pct_bare"),
    column("adjusted_pct", "adjusted (%)", "pct_bare"),
    interval_column("adjusted_low", "adjusted_high", "95 % interval (%)", "pct_bare"),
    column("difference_points", "against others (points)", "points"),
    interval_column("difference_low", "difference_high", "95 % interval", "points"),
    column("within_batch_points", "within batches (points)", "points"),
    interval_column("within_batch_points_low", "within_batch_points_high", "95 % interval", "points"),
    column("separable", "separable from batch", "yes_no"),
)


def _spread(table: ReportTable) -> list[Block]:
    if table.refusal or not len(table):
        return [Prose(Markup("How much regions differ in general cannot be estimated from these records."))]
    columns = (
        column("outcome", "outcome", "outcome"),
        column("regions", "regions", "whole"),
        column("tau_points", "SD between regions, τ (points)", "number"),
        column("i_squared_pct", "I² (%)", "pct_bare"),
        column("p_value", "p of equal regions", "p"),
        interval_column(
            "prediction_low_pct", "prediction_high_pct", "where a new region would lie (%)", "pct_bare"
        ),
        column("sentence", "in words", "text", long=True),
    )
    return [TableBlock(table_view(table, "How much regions differ once batch is allowed for", columns))]


def batches_section(graph: ReportTable, sentences: dict[str, str]) -> Section:
    """Which region received which batch, drawn; only what is joined can be compared."""
    title = "Which region had which batch"
    if graph.refusal or not len(graph):
        return Section("batches", title, (refusal("There is nothing to draw.", graph),))
    rows = graph.rows(outcome=MAIN_OUTCOME)
    frame = _latest(graph.frame.iloc[rows]).rename(columns={"is_shared": "shared"})
    figure = drawn(
        lambda: connectivity_figure(frame, name="connectivity", title="Regions and batches"),
        name="connectivity",
        caption="Each line is a region that had tanks of a batch, thicker with more tanks. Full lines: the batch"
        " also went to another region, which is what makes regions comparable. Dotted: it did not. With very many"
        " batches only the latest seasons are drawn.",
        alt="Regions on the left, batches on the right, joined by a line where a region received a batch;"
        f" {sentences.get(MAIN_OUTCOME, '')}",
        table=graph,
    )
    words = Markup("Two regions can be compared when a path of shared batches leads from one to the other.")
    columns = (
        column("region", "region", "id"),
        column("batch_id", "batch", "id"),
        column("season", "season", "year"),
        column("tanks", "tanks", "whole"),
        column("eggs", "eggs", "whole"),
        column("is_shared", "also went elsewhere", "yes_no"),
    )
    view = table_view(graph, "Tanks of each region and batch, delivery to release", columns, rows)
    return Section("batches", title, (Prose(words), figure, TableBlock(view)))


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
    words = Markup(
        "A tank that stopped reporting is neither a survivor nor a loss. The bounds are the region’s survival"
        " if every egg in such tanks died, and if every one lived; where they are wide, no comparison is worth"
        " much."
    )
    columns = (
        column("region", "region", "id"),
        column("tanks", "tanks with eggs", "whole"),
        column("tanks_usable", "usable", "whole"),
        column("reporting_pct", "usable (%)", "pct_bare"),
        column("raw_pct", "raw (%)", "pct_bare"),
        interval_column("bound_low_pct", "bound_high_pct", "bounds (%)", "pct_bare"),
        column("sites", "sites", "whole"),
        column("seasons", "seasons", "whole"),
    )
    rows = regions.rows(outcome=MAIN_OUTCOME)
    view = table_view(regions, "Reporting by region, delivery to release", columns, rows, anchor="reporting")
    return Section("reporting", title, (Prose(words), TableBlock(view)))


def method_section() -> Section:
    """How the three estimates are made, and what cannot be told."""
    items = (
        Markup(
            "Raw: survivors over eggs of all usable tanks. It mixes region, batch, season and everything else."
        ),
        Markup(
            "Adjusted for batch: a binomial mixed model with batch as a random intercept. It draws poor batches"
            " towards the mean, so a region served by poor batches season after season still looks worse than"
            " it is."
        ),
        Markup(
            "Within batches: the same model with each batch’s regional shares in it, so that only tanks of the"
            " same batch speak. Where the two answers differ, the second is the fairer and both are shown."
        ),
        Markup(
            "Not separable: a region whose batches never went elsewhere gets no estimate, however many tanks it"
            " has."
        ),
        Markup(
            "Confounders that go with every comparison: lot and transit, delivery date, thermal units at"
            " delivery, age of the chiller, seasons of the site, logger present, weekend access. None of them"
            " is shown to be equal."
        ),
        Markup("No ranks: the order is that of the alphabet, here and in the tables."),
    )
    return Section("method", "Method and limits", (Bullets(items),))
