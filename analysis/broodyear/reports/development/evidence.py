"""The evidence: one picture per species and stage, and whether intervals hold what they state."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from broodyear.figures.development_stage import calibration_figure, stage_figure
from broodyear.reports.development.results import (
    MAIN_SCHEME,
    WORDS,
    DevelopmentResults,
    named,
    place_rows,
    said_of,
    titled,
)
from broodyear.reports.numbers import words
from broodyear.reports.parts import Block, Drawing, Heading, Notice, Section, say
from broodyear.reports.rendering import drawing, phrase, prose
from broodyear.reports.tables import shown
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
        blocks = [Notice("Nothing to draw.", phrase(WORDS, "no_stage"))]
    return Section("stages", "Species by species: curves, predictions and errors", tuple(blocks))


def _stage(results: DevelopmentResults, species: str, stage: str) -> Drawing:
    curves = _named(place_rows(results.curves.frame, species, stage), None)
    predictions = _named(place_rows(results.predictions.frame, species, stage), results.drawn(species, stage))
    pairs = place_rows(results.pairs.frame, species, stage)
    return drawing(
        stage_figure, curves, predictions, pairs, table=results.predictions,
        words={"words": named(species, stage)}, file=f"stage_{species}_{stage}", wide=True,
    )  # fmt: skip


def _named(rows: pd.DataFrame, models: tuple[str, ...] | None) -> pd.DataFrame:
    """Rows of some models in their order (None: all), each by its readable name."""
    if "model" not in rows.columns:
        return rows
    chosen = rows if models is None else rows[rows["model"].isin(models)]
    return chosen.assign(model=[model_words(model) for model in chosen["model"]])


def calibration_section(results: DevelopmentResults) -> Section:
    """Where events lay in their predictions, what intervals held, and the scores behind both."""
    species = dict.fromkeys(species for species, _ in results.shown)
    blocks: list[Block] = [_calibration(results, one) for one in species]
    blocks += [prose(WORDS, "calibration"), *said_of(results, "intervals")]
    for table, rows in (
        (results.calibration, range(len(results.calibration))),
        (results.scores, results.scores.rows(scheme=MAIN_SCHEME)),
    ):
        blocks.append(shown(table, _shown_rows(results, table, rows)))
    return Section("calibration", "Do intervals hold what they state?", tuple(blocks))


def _calibration(results: DevelopmentResults, species: str) -> Drawing:
    bars, held = (_panels(results, table.frame, species) for table in (results.pit, results.calibration))
    return drawing(
        calibration_figure, bars, held, table=results.pit, words={"words": words(species)},
        file=f"calibration_{species}", wide=True,
    )  # fmt: skip


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
