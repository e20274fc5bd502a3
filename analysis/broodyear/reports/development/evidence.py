"""The evidence: one picture per species and stage, and whether intervals hold what they state."""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial
from typing import TYPE_CHECKING

from markupsafe import Markup

from broodyear.figures.development_stage import calibration_figure, stage_figure
from broodyear.reports.development.results import (
    MAIN_SCHEME,
    OF_MODEL,
    WORDS,
    DevelopmentResults,
    named,
    place_rows,
    said_of,
    titled,
)
from broodyear.reports.numbers import words
from broodyear.reports.parts import Block, Drawing, Heading, Notice, Prose, Section, TableBlock, say
from broodyear.reports.rendering import phrase
from broodyear.reports.tables import column, interval_column, table_view
from broodyear.reports.vocabulary import model_words

if TYPE_CHECKING:
    import pandas as pd

    from broodyear.reports.tables import ReportTable


def stages_section(results: DevelopmentResults) -> Section:
    """Curves, predictions and errors for every species and stage that was scored."""
    blocks: list[Block] = []
    for species, stage in results.shown:
        blocks += [Heading(say("{name}", name=titled(species, stage))), _stage(results, species, stage)]
    if not blocks:
        blocks = [Notice("Nothing to draw.", Markup("No stage could be scored."))]
    return Section("stages", "Species by species: curves, predictions and errors", tuple(blocks))


def _stage(results: DevelopmentResults, species: str, stage: str) -> Block:
    name, said = f"stage_{species}_{stage}", named(species, stage)
    models = results.drawn(species, stage)
    curves = _named(place_rows(results.curves, species, stage), None)
    predictions = _named(place_rows(results.predictions, species, stage), models)
    pairs = place_rows(results.pairs, species, stage)
    return Drawing(
        partial(stage_figure, curves, predictions, pairs, name=name, title=titled(species, stage)),
        name=name,
        caption=phrase(WORDS, "stage_caption", words=titled(species, stage)),
        alt=phrase(WORDS, "stage_alt", words=said),
        table=results.predictions,
        wide=True,
    )


def _named(rows: pd.DataFrame, models: tuple[str, ...] | None) -> pd.DataFrame:
    """Rows of some models in their order (None: all), each by its readable name."""
    if "model" not in rows.columns:
        return rows
    chosen = rows if models is None else rows[rows["model"].isin(models)]
    return chosen.assign(model=[model_words(model) for model in chosen["model"]])


def calibration_section(results: DevelopmentResults) -> Section:
    """Where events lay in their predictions, what intervals held, and the scores behind both."""
    blocks: list[Block] = []
    for species in dict.fromkeys(species for species, _ in results.shown):
        blocks.append(_calibration(results, species))
    blocks.append(Prose(phrase(WORDS, "calibration")))
    blocks += said_of(results, "intervals")
    rows = _shown_rows(results, results.calibration, range(len(results.calibration)))
    view = table_view(results.calibration, "Stated and held shares of intervals", CALIBRATION_COLUMNS, rows)
    blocks += [TableBlock(view, folded=True), _scores(results)]
    return Section("calibration", "Do intervals hold what they state?", tuple(blocks))


def _calibration(results: DevelopmentResults, species: str) -> Block:
    bars, held = (_panels(results, table.frame, species) for table in (results.pit, results.calibration))
    said = words(species)
    return Drawing(
        partial(calibration_figure, bars, held, name=f"calibration_{species}", title=f"Calibration: {said}"),
        name=f"calibration_{species}",
        caption=phrase(WORDS, "calibration_caption", words=f"{said[:1].upper()}{said[1:]}"),
        alt=phrase(WORDS, "calibration_alt", words=said),
        table=results.pit,
        wide=True,
    )


def _panels(results: DevelopmentResults, frame: pd.DataFrame, species: str) -> pd.DataFrame:
    """Rows of the drawn models of one species, each with the panel it belongs to."""
    if frame.empty:
        return frame.assign(panel="")
    chosen = frame[
        [
            one == species and (one, stage) in results.shown and model in results.drawn(one, stage)
            for one, stage, model in zip(frame["species"], frame["stage"], frame["model"], strict=True)
        ]
    ]
    panels = [titled(one, stage) for one, stage in zip(chosen["species"], chosen["stage"], strict=True)]
    return _named(chosen, None).assign(panel=panels)


def _shown_rows(results: DevelopmentResults, table: ReportTable, rows: Iterable[int]) -> list[int]:
    """The rows of the models that are shown, and of constant units."""
    shown = {(*place, model) for place in results.shown for model in results.with_constant_units(*place)}
    return [
        row for row in rows if tuple(table.value(row, name) for name in ("species", "stage", "model")) in shown
    ]


def _scores(results: DevelopmentResults) -> Block:
    """Scores of the shown models by band and stock, batches left out."""
    table = results.scores
    rows = _shown_rows(results, table, table.rows(scheme=MAIN_SCHEME))
    note = "Above zero the model is late. Every model, also with sites and seasons left out, is in the file."
    view = table_view(table, "Scores with one batch left out at a time", SCORE_COLUMNS, rows, note=note)
    return TableBlock(view, folded=True)


CALIBRATION_COLUMNS = (
    *OF_MODEL,
    column("band", "mean °C", "band"),
    column("tanks", "tanks", "whole"),
    column("stated_pct", "stated (%)", "pct_bare"),
    column("held_pct", "held (%)", "pct_bare"),
)

SCORE_COLUMNS = (
    *OF_MODEL,
    column("band", "mean °C", "band"),
    column("donor_stock", "donor stock", "id"),
    column("tanks", "tanks", "whole"),
    column("batches", "batches", "whole"),
    column("bias_days", "bias (d)", "points"),
    interval_column("bias_low", "bias_high", "95 % interval (d)", "points"),
    column("mae_days", "mean error (d)", "number"),
    column("coverage_50", "50 % held (%)", "pct_bare"),
    column("coverage_80", "80 % held (%)", "pct_bare"),
    column("coverage_95", "95 % held (%)", "pct_bare"),
    column("log_score", "log score", "number_fine"),
    column("skill_vs_constant", "skill", "number_fine"),
    column("note", "note", "statement"),
)
