"""Everything the annual review of one season shows, worked out elsewhere and gathered here."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from broodyear.errors import BroodyearError
from broodyear.figures.timeline import TankRecords
from broodyear.reports.numbers import NOTHING, known
from broodyear.reports.sentences import Statements
from broodyear.reports.tables import ReportTable, Traced, report_table
from broodyear.settings import Settings

#: The columns that others read, in their order; a refused table still has them.
EFFECTS = (
    "outcome", "factor", "level", "reference", "tanks", "batches", "odds_ratio", "or_low", "or_high",
    "difference_points", "difference_low", "difference_high", "p_value", "method", "note",
)  # fmt: skip
SETUPS = (
    "season", "tank_id", "site_id", "region", "batch_id", "room_type", "gravel_practice", "outcome", "eggs",
    "survivors", "observed_pct", "expected_pct", "shrunken_pct", "shrunken_low", "shrunken_high",
    "fish_below_expected", "p_value", "q_value", "verdict", "losing_stage", "circumstances",
    "place_verdict",
)  # fmt: skip
PRACTICES = (
    "room_type", "gravel_practice", "outcome", "tanks", "batches", "seasons", "eggs", "adjusted_pct",
    "adjusted_low", "adjusted_high", "difference_points", "difference_low", "difference_high", "note",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class SeasonRecords:
    """Tables of one season's review that wait for no fit, each written to tables/<name>.csv.

    statements: claims of sites and tanks in words, and whom to visit for them; key_figures: name, value, unit,
    meaning, for numbers of the page that stand in no other table;
    timelines: records of the tanks whose season is drawn, by tank.
    """

    season: int
    settings: Settings
    statements: Statements
    visits: ReportTable
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
    """The records of a season with what the fits of all practices say. statements: every claim, in words."""

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
            self.visits, self.statements.table, self.site_seasons, self.key_figures,
            self.accounting, self.not_reported, self.too_many_dead, self.losses, self.stage_survival, self.trend,
            self.setups, self.detectable, self.funnel, self.screen, self.sites, self.practices, self.effects,
            self.methods, self.fits, self.trials, self.changes, self.exposure, self.events, self.batches,
            self.uploads, self.findings, self.tank_practices, self.model_checks, self.residuals, self.influence,
            self.inflation, self.normality,
        )  # fmt: skip


def attempt(work: Callable[[], Any]) -> Any:
    """What `work` gives, or the sentence with which it refused."""
    try:
        return work()
    except BroodyearError as error:
        return str(error)


def found_table(name: str, title: str, found: Any, required: Sequence[str] = ()) -> ReportTable:
    """A report table from a frame, or an empty one with the reason."""
    if isinstance(found, str):
        return report_table(name, title, pd.DataFrame(columns=list(required) or ["note"]), required, found)
    return report_table(name, title, found, required)
