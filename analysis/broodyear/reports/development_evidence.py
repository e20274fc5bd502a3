"""The evidence of the development report: figures by species and stage, pitfalls, a forecast, published values."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from markupsafe import Markup

from broodyear.figures.development import bias_figure, curves_figure, fan_figure, predicted_figure
from broodyear.reports.development_sections import MAIN_SCHEME, named
from broodyear.reports.parts import Block, Bullets, Drawing, Heading, Notice, Prose, Section, TableBlock, say
from broodyear.reports.tables import ReportTable, column, interval_column, table_view
from broodyear.reports.vocabulary import model_words

if TYPE_CHECKING:
    import pandas as pd

    from broodyear.reports.development import DevelopmentResults

#: Published pairs shown on the page, the largest disagreements first; the table has all.
MOST_PAIRS = 25


def stages_section(results: DevelopmentResults) -> Section:
    """Curves, predictions and bias by band for every species and stage that was scored."""
    blocks: list[Block] = []
    for species, stage in results.shown:
        blocks.append(Heading(say("{name}", name=named(species, stage).capitalize())))
        blocks += _figures(results, species, stage)
    if not blocks:
        blocks = [Notice("Nothing to draw.", Markup("No stage could be scored."))]
    return Section("stages", "Species by species: where it is off, curves, predictions", tuple(blocks))


def _figures(results: DevelopmentResults, species: str, stage: str) -> list[Block]:
    name, words = f"{species}_{stage}", named(species, stage)
    predictions = _of(results.predictions, species, stage)
    shown = results.shown[(species, stage)]
    observed = predictions[predictions["model"] == shown[0]] if shown and len(predictions) else predictions
    cells = _of(results.scores, species, stage)
    cells = cells[(cells["scheme"] == MAIN_SCHEME) & cells["model"].isin([*shown, "own_constant_units"])]
    curves, pairs = _of(results.curves, species, stage), _of(results.pairs, species, stage)
    curves, predictions, cells = (_in_words(frame) for frame in (curves, predictions, cells))
    return [
        Drawing(
            partial(
                curves_figure, curves, observed, pairs, name=f"curves_{name}", title=f"Days to stage: {words}"
            ),
            name=f"curves_{name}",
            caption=f"Days from fertilisation to {words}, by temperature. Bars: what was observed, brought to the"
            " tank’s mean temperature; points: published measurements.",
            alt=f"Curves of days to stage by temperature for {words}, with observed intervals as bars.",
            table=results.curves,
        ),
        Drawing(
            partial(predicted_figure, predictions, name=f"predicted_{name}", title=f"Prediction: {words}"),
            name=f"predicted_{name}",
            caption="Each bar runs from the last look without the stage to the first with it; arrows: the tank"
            " ended before. On the line the prediction was right.",
            alt=f"Observed intervals against predicted days for {words}, one panel per model.",
            table=results.predictions,
        ),
        Drawing(
            partial(bias_figure, cells, name=f"bias_{name}", title=f"Bias by temperature: {words}"),
            name=f"bias_{name}",
            caption="Bias by mean temperature, with 95 % intervals; above zero the model is late.",
            alt=f"Bias in days by band of temperature for {words}, one mark with interval per model and band.",
            table=results.scores,
        ),
    ]


def _in_words(frame: pd.DataFrame) -> pd.DataFrame:
    """The frame with models as people say them, for the legends of drawings."""
    return frame.assign(model=frame["model"].map(model_words)) if "model" in frame else frame


def _of(table: ReportTable, species: str, stage: str) -> pd.DataFrame:
    frame = table.frame
    if not {"species", "stage"} <= set(frame.columns):
        return frame
    return frame[(frame["species"] == species) & (frame["stage"] == stage)].reset_index(drop=True)


def pitfalls_section(results: DevelopmentResults) -> Section:
    """Scoring against first-seen dates, and dates copied from a forecast."""
    blocks: list[Block] = [Prose(_FIRST_SEEN)]
    blocks += _said(results, "first_seen")
    if len(results.first_seen):
        view = table_view(results.first_seen, "The same predictions scored both ways", FIRST_SEEN_COLUMNS)
        blocks.append(TableBlock(view))
    blocks += [Heading(Markup("Dates copied from a forecast")), Prose(_COPIED), *_said(results, "copied")]
    if len(results.copied):
        blocks.append(TableBlock(table_view(results.copied, "Forecast sheets found in the dates", COPIED_COLUMNS)))
    if len(results.suspects):
        blocks += [Heading(Markup("Dates that are probably wrong")), Prose(_SUSPECTS)]
        blocks.append(TableBlock(table_view(results.suspects, "Dates to look into", SUSPECT_COLUMNS)))
    if len(results.gaps):
        blocks += [Heading(Markup("Stages that a few more readings would have kept")), Prose(_GAPS)]
        blocks.append(TableBlock(table_view(results.gaps, "Where a reading was wanting", GAP_COLUMNS)))
    return Section("pitfalls", "Ways to be fooled", tuple(blocks))


def _said(results: DevelopmentResults, topic: str) -> list[Block]:
    table = results.statements
    items = tuple(say("{said}", said=table.at(row, "sentence", "statement")) for row in table.rows(topic=topic))
    return [Bullets(items, (table,))] if items else []


_FIRST_SEEN = Markup(
    "Nobody looks on every day, so a stage is first seen after it came about. A model without any bias looks"
    " about a day early when it is scored against first-seen dates, and a week early around a holiday."
)
_COPIED = Markup(
    "A date copied from a forecast agrees with it by construction. Such dates make any model look exact, so"
    " they are left out, both those marked as copied and those that give themselves away together."
)

_SUSPECTS = Markup(
    "These dates lie further from all others than tanks differ: day and month swapped, another week, units in °F."
    " They are scored like the rest; the table of scores gives bias and error with and without them."
)

_GAPS = Markup(
    "Water that was not read for long is modelled from the days on either side and the set point. Where the error"
    " of that could move the date by more than two days or so, the stage is left out."
)

GAP_COLUMNS = (
    column("species", "species", "words"),
    column("stage", "stage", "stage"),
    column("season", "season", "year"),
    column("tank_id", "tank", "id"),
    column("first_seen_on", "first seen", "date"),
    column("not_read_pct", "days not read (%)", "whole"),
    column("gap_se_days", "error (d)", "number"),
    column("would_have_kept", "would have kept it", "text"),
)

SUSPECT_COLUMNS = (
    column("species", "species", "words"),
    column("stage", "stage", "stage"),
    column("season", "season", "year"),
    column("tank_id", "tank", "id"),
    column("last_absent_on", "last absent", "date"),
    column("first_seen_on", "first seen", "date"),
    column("days_off", "off by (d)", "points"),
)

FIRST_SEEN_COLUMNS = (
    column("species", "species", "words"),
    column("stage", "stage", "stage"),
    column("model", "model", "model"),
    column("tanks", "tanks", "whole"),
    column("bias_days", "bias, interval (d)", "points"),
    interval_column("bias_low", "bias_high", "95 % interval (d)", "points"),
    column("bias_first_seen_days", "bias, first seen (d)", "points"),
    column("mae_days", "mean error, interval (d)", "number"),
    column("mae_first_seen_days", "mean error, first seen (d)", "number"),
    column("shift_days", "shift (d)", "points"),
)

COPIED_COLUMNS = (
    column("species", "species", "words"),
    column("stage", "stage", "stage"),
    column("units_c_days", "units of the sheet (°C·d)", "whole"),
    column("tanks", "dates without an earlier look", "whole"),
    column("agreeing", "agree exactly", "whole"),
    column("expected_by_chance", "expected by chance", "number"),
    column("left_out", "left out", "whole"),
)


def forecasts_section(results: DevelopmentResults) -> Section:
    """What a forecast looks like for one tank; and that it never replaces looking."""
    table = results.fan
    caution = Notice(
        "A forecast never replaces looking.",
        Markup("Release only where, when and as the permit says, whatever the date on this page."),
        "caution",
    )
    if not len(table):
        none = Notice("No example.", Markup("No tank of the last season has what a forecast needs."), "note")
        return Section("forecast", "What a forecast looks like", (none, caution))
    figure = Drawing(
        partial(fan_figure, table.frame, name="forecast_example", title="Forecast of one tank"),
        name="forecast_example",
        caption=say(
            "Development of tank {tank} towards {stage} as it could be foretold three weeks after delivery:"
            " what was read by then, and the fan of 80 and 95 % limits after it.",
            tank=table.at(0, "tank_id", "id"),
            stage=table.at(0, "stage", "stage"),
        ),
        alt="Share of development done by date for one tank, with a fan of 80 and 95 % limits for days to come.",
        table=table,
    )
    return Section("forecast", "What a forecast looks like", (figure, caution))


def published_section(results: DevelopmentResults) -> Section:
    """Published values that contradict each other, by size; and the constants fitted here."""
    table = results.disagreements
    rows = list(range(min(len(table), MOST_PAIRS)))
    columns = (
        column("species", "species", "words"),
        column("stage", "stage", "stage"),
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
    note = "The largest come first; all are in the file."
    blocks: list[Block] = [Prose(_PUBLISHED)]
    if rows:
        caption = "Published measurements against published models"
        blocks.append(TableBlock(table_view(table, caption, columns, rows, note=note)))
    else:
        blocks.append(Prose(Markup("No published pair disagrees with a published model by more than 3 %.")))
    if len(results.coefficients):
        caption = "Constants fitted to these records"
        blocks.append(TableBlock(table_view(results.coefficients, caption, COEFFICIENT_COLUMNS)))
    return Section("published", "What others published, and where it disagrees", tuple(blocks))


_PUBLISHED = Markup(
    "Published sources contradict each other, some because they mean another event by the same word, some"
    " because a value was read far from the temperatures a model was tested at. No default rests on a value"
    " that is doubted."
)

COEFFICIENT_COLUMNS = (
    column("species", "species", "words"),
    column("stage", "stage", "stage"),
    column("model", "model", "model"),
    column("constant", "constant", "text"),
    column("estimate", "estimate", "number_fine"),
    column("std_error", "standard error", "number_fine"),
    column("tanks", "tanks", "whole"),
    column("batches", "batches", "whole"),
    column("tested_low_c", "from °C", "number"),
    column("tested_high_c", "to °C", "number"),
    column("note", "note", "text", long=True),
)
