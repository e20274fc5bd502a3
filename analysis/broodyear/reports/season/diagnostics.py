"""The checks of the model behind the practices, folded at the end of the page."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from broodyear.figures.diagnostics import influence_figure, residuals_figure
from broodyear.reports.numbers import known
from broodyear.reports.parts import Block, Folded, Section, joined
from broodyear.reports.rendering import phrase
from broodyear.reports.season.results import SeasonResults
from broodyear.reports.tables import ReportTable, report_table, shown
from broodyear.reports.vocabulary import MAIN_OUTCOME
from broodyear.reports.wording import drawing, prose, refusal

if TYPE_CHECKING:
    from broodyear.survival.practices import EffectsReport

_WORDS = "season/diagnostics.txt"
#: Residuals drawn; of a longer table the last, which are those of the latest seasons.
MOST_DOTS = 1500


def diagnostic_tables(effects: EffectsReport | str) -> dict[str, ReportTable]:
    """Tables of the main outcome's checks by name; empty with the reason where no model was fitted."""
    names = ("model_checks", "residuals", "influence", "inflation", "normality")
    found = [] if isinstance(effects, str) else [one for one in effects.diagnostics if one.outcome == MAIN_OUTCOME]
    frames: dict[str, pd.DataFrame | str] = dict.fromkeys(names, _why_none(effects))
    if found:
        one = found[0]
        checks = pd.DataFrame([{"condition_number": one.condition_number, "dispersion": one.dispersion}])
        frames = {"model_checks": checks, **{name: getattr(one, name) for name in names[1:]}}
    return {name: report_table(name, frame) for name, frame in frames.items()}


def _why_none(effects: EffectsReport | str) -> str:
    fitted_none = "no model of survival from delivery to release could be fitted"
    return effects if isinstance(effects, str) else fitted_none


def diagnostics_section(results: SeasonResults) -> Section:
    """Residuals, influence of single sites, collinearity and normality, with a figure each for the first two."""
    title, checks, inflation = "Does the model hold?", results.model_checks, results.inflation
    if not len(checks):
        return Section("diagnostics", title, (refusal("There is no model to check.", checks),))
    residuals = results.residuals.frame.tail(MOST_DOTS)
    blocks: list[Block] = [
        drawing(residuals_figure, residuals, table=results.residuals, words={"tanks": len(residuals)}),
        drawing(influence_figure, results.influence.frame, table=results.influence),
    ]
    if len(inflation):
        rows: dict[str, Any] = {"checks": checks.row(0), "inflation": inflation.row(0)}
        blocks.append(prose(_WORDS, "numbers", checks, inflation, **rows))
    blocks += [*_normality(results.normality), shown(inflation)]
    folded = Folded("Residuals, influence of single sites, and what goes together", tuple(blocks))
    return Section("diagnostics", title, (prose(_WORDS, "intro"), folded))


def _normality(table: ReportTable) -> list[Block]:
    rows = [row for row in range(len(table)) if known(table.value(row, "p_value"))]
    groups = joined([phrase(_WORDS, "normality", row=table.row(row)) for row in rows])
    return [prose(_WORDS, "normal", table, groups=groups)] if rows else []
