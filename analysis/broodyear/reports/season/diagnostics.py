"""The checks of the model behind the practices, folded at the end of the page."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import pandas as pd

from broodyear.figures.diagnostics import influence_figure, residuals_figure
from broodyear.reports.parts import Block, Drawing, Folded, Prose, Section, TableBlock, joined
from broodyear.reports.rendering import phrase
from broodyear.reports.season.results import SeasonResults
from broodyear.reports.tables import ReportTable, column, report_table, table_view
from broodyear.reports.vocabulary import MAIN_OUTCOME, factor_words
from broodyear.reports.wording import refusal

if TYPE_CHECKING:
    from broodyear.survival.practices import EffectsReport

_WORDS = "season/diagnostics.txt"
TITLE = "Does the model hold?"
#: Residuals drawn; of a longer table the last, which are those of the latest seasons.
MOST_DOTS = 1500

_TABLES = {
    "model_checks": "Numbers of the model's checks",
    "residuals": "Residuals of every tank-season, delivery to release",
    "influence": "How far estimates move without a site",
    "inflation": "How far practices go together",
    "normality": "Departures of sites and batches against a normal distribution",
}


def diagnostic_tables(effects: EffectsReport | str) -> dict[str, ReportTable]:
    """Tables of the main outcome's checks by name; empty with the reason where no model was fitted."""
    if isinstance(effects, str):
        return _refused(effects)
    found = [one for one in effects.diagnostics if one.outcome == MAIN_OUTCOME]
    if not found:
        return _refused("no model of survival from delivery to release could be fitted")
    checks = {"condition_number": found[0].condition_number, "dispersion": found[0].dispersion}
    frames = {
        "model_checks": pd.DataFrame([checks]),
        "residuals": found[0].residuals,
        "influence": found[0].influence,
        "inflation": found[0].inflation,
        "normality": found[0].normality,
    }
    return {name: report_table(name, _TABLES[name], frame) for name, frame in frames.items()}


def _refused(why: str) -> dict[str, ReportTable]:
    return {
        name: report_table(name, title, pd.DataFrame(columns=["note"]), (), why) for name, title in _TABLES.items()
    }


def diagnostics_section(results: SeasonResults) -> Section:
    """Residuals, influence of single sites, collinearity and normality, with a figure each for the first two."""
    checks, inflation = results.model_checks, results.inflation
    if checks.refusal or not len(checks):
        return Section("diagnostics", TITLE, (refusal("There is no model to check.", checks),))
    blocks: list[Block] = [_residuals(results.residuals), _influence(results.influence)]
    if len(inflation):
        said = phrase(
            _WORDS, "numbers",
            condition=checks.at(0, "condition_number", "number"),
            dispersion=checks.at(0, "dispersion", "number_fine"),
            factor=factor_words(inflation.value(0, "factor")),
            inflation=inflation.at(0, "gvif_per_df", "number"),
        )  # fmt: skip
        blocks.append(Prose(said, (checks, inflation)))
    blocks += [*_normality(results.normality), TableBlock(table_view(inflation, _TABLES["inflation"], INFLATION))]
    folded = Folded("Residuals, influence of single sites, and what goes together", tuple(blocks))
    return Section("diagnostics", TITLE, (Prose(phrase(_WORDS, "intro")), folded))


INFLATION = (
    column("factor", "practice", "factor"),
    column("degrees_of_freedom", "degrees of freedom", "whole"),
    column("gvif_per_df", "inflation per degree of freedom", "number"),
)


def _residuals(table: ReportTable) -> Block:
    shown = table.frame.tail(MOST_DOTS)
    return Drawing(
        partial(residuals_figure, shown, name="residuals", title="Residuals of the model"),
        name="residuals",
        caption="Residuals against fitted survival and against mean water temperature, a dot per tank and season.",
        alt=f"Two scatter plots of {len(shown)} residuals, against fitted survival and against water temperature.",
        table=table,
    )


def _influence(table: ReportTable) -> Block:
    return Drawing(
        partial(influence_figure, table.frame, name="influence", title="Influence of single sites"),
        name="influence",
        caption="The sites without which an estimate would move most, and the practice whose estimate it is.",
        alt="Dots on lines, one per site, at the largest move of an estimate in standard errors.",
        table=table,
    )


def _normality(table: ReportTable) -> list[Block]:
    rows = [row for row in range(len(table)) if table.value(row, "p_value") == table.value(row, "p_value")]
    if not rows:
        return []
    groups = joined(
        [
            phrase(_WORDS, "normality", group=table.at(row, "group", "words"), p=table.at(row, "p_value", "p"))
            for row in rows
        ]
    )
    return [Prose(phrase(_WORDS, "normal", groups=groups), (table,))]
