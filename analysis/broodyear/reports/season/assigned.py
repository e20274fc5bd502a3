"""What came of practices that were assigned at random, or how to draw such a comparison."""

from __future__ import annotations

from broodyear.reports.parts import Section
from broodyear.reports.season.results import SeasonResults
from broodyear.reports.sentences import worded
from broodyear.reports.tables import ReportTable, report_table, shown
from broodyear.reports.wording import bullets, prose
from broodyear.trials import COMPARISON_COLUMNS, TrialComparison, comparison_table, trial_claims

_WORDS = "season/assigned.txt"


def trials_table(compared: tuple[TrialComparison, ...]) -> ReportTable:
    """Every comparison of trials, with its sentence."""
    frame = comparison_table(compared).assign(sentence=list(worded(trial_claims(compared))))
    return report_table("trials", frame, COMPARISON_COLUMNS)


def assigned_section(results: SeasonResults) -> Section:
    """The comparisons as assigned, which outrank every observed one; without any, the line that draws one."""
    title, table = "Practices assigned at random", results.trials
    if not len(table):
        return Section("assigned", title, (prose(_WORDS, "none_yet", season=results.season + 1),))
    return Section("assigned", title, (prose(_WORDS, "intro"), bullets(_WORDS, "compared", table), shown(table)))
