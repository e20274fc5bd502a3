"""Everything the annual review of one season shows, worked out elsewhere and gathered here."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from broodyear.errors import BroodyearError
from broodyear.figures.timeline import TankRecords
from broodyear.reports.numbers import NOTHING, known
from broodyear.reports.sentences import Statements
from broodyear.reports.tables import ReportTable, Traced
from broodyear.reports.vocabulary import MAIN_OUTCOME
from broodyear.settings import Settings

#: Verdicts that ask for attention, the most urgent first.
_URGENCY = {"below_expected": 0, "watch": 1}


@dataclass(frozen=True, kw_only=True)
class SeasonRecords:
    """Tables of one season's review that wait for no fit, each written to tables/<name>.csv.

    statements: claims of sites and tanks in words; key_figures: name, value, unit,
    meaning, for numbers of the page that stand in no other table;
    timelines: records of the tanks whose season is drawn, by tank; running_to: last record of a season taken to be
    running still, else None.
    """

    season: int
    settings: Settings
    statements: Statements
    setups: ReportTable
    sites: ReportTable
    site_seasons: ReportTable
    tank_practices: ReportTable
    stage_survival: ReportTable
    losses: ReportTable
    trend: ReportTable
    batches: ReportTable
    accounting: ReportTable
    not_reported: ReportTable
    taken_as_lost: ReportTable
    too_many_dead: ReportTable
    exposure: ReportTable
    events: ReportTable
    uploads: ReportTable
    findings: ReportTable
    detectable: ReportTable
    funnel: ReportTable
    screen: ReportTable
    key_figures: ReportTable
    trials: ReportTable
    timelines: Mapping[str, TankRecords] = field(default_factory=dict)
    running_to: dt.date | None = None

    def figure(self, name: str, kind: str) -> Traced | str:
        """A key figure in the words of `kind`; a dash when it is not known."""
        found = self.key_figures.rows(name=name)
        return self.key_figures.at(found[0], "value", kind) if found else NOTHING

    def bare(self, name: str) -> float:
        """A key figure as a number, for choosing; 0 when it is not known."""
        found = self.key_figures.rows(name=name)
        return float(self.key_figures.value(found[0], "value")) if found else 0.0

    def has_figure(self, name: str) -> bool:
        """Whether a key figure is known."""
        found = self.key_figures.rows(name=name)
        return bool(found) and known(self.key_figures.value(found[0], "value"))


@dataclass(frozen=True, kw_only=True)
class SeasonResults(SeasonRecords):
    """The records of a season with what the fits of all practices say. statements: every claim, in words; visits:
    whom to visit for them."""

    visits: ReportTable
    effects: ReportTable
    methods: ReportTable
    practices: ReportTable
    changes: ReportTable
    fits: ReportTable
    model_checks: ReportTable
    residuals: ReportTable
    influence: ReportTable
    inflation: ReportTable
    normality: ReportTable

    @property
    def tables(self) -> tuple[ReportTable, ...]:
        """Every table, in the order in which the page uses them."""
        return (
            self.visits, self.statements.table, self.site_seasons, self.key_figures, self.accounting,
            self.not_reported, self.taken_as_lost, self.too_many_dead, self.losses, self.stage_survival,
            self.trend, self.setups, self.detectable, self.funnel, self.screen, self.sites, self.practices,
            self.effects, self.methods, self.fits, self.trials, self.changes, self.exposure, self.events,
            self.batches, self.uploads, self.findings, self.tank_practices, self.model_checks, self.residuals,
            self.influence, self.inflation, self.normality,
        )  # fmt: skip


def attempt(work: Callable[[], Any]) -> Any:
    """What `work` gives, or the sentence with which it refused."""
    try:
        return work()
    except BroodyearError as error:
        return str(error)


def is_flagged(setups: ReportTable, row: int) -> bool:
    """Whether a row's verdict asks for attention."""
    return str(setups.value(row, "verdict")) in _URGENCY


def main_rows(setups: ReportTable) -> list[int]:
    """Rows that judge the whole stay, from delivery to release."""
    return setups.rows(outcome=MAIN_OUTCOME) if len(setups) else []


def visiting_order(setups: ReportTable) -> list[int]:
    """Rows of judged tanks, most urgent first."""

    def urgency(row: int) -> tuple[Any, ...]:
        fish = setups.value(row, "fish_below_expected")
        lost = -float(fish) if known(fish) else 0.0
        return _URGENCY.get(str(setups.value(row, "verdict")), 2), lost, str(setups.value(row, "tank_id"))

    judged = [row for row in main_rows(setups) if str(setups.value(row, "verdict")) != "too_few_records"]
    return sorted(judged, key=urgency)


def flagged_rows(setups: ReportTable) -> list[int]:
    """Rows of tanks below expected or to watch, most urgent first."""
    return [row for row in visiting_order(setups) if is_flagged(setups, row)]
