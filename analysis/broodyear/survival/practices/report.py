"""The season report's effects: every practice and temperature, for every outcome, decided as one family each."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from broodyear.claims import Claim
from broodyear.errors import NothingToAnalyse
from broodyear.shown import Shows, shown
from broodyear.survival.practices.diagnostics import FitDiagnostics
from broodyear.survival.practices.findings import Finding, claim_of, gated
from broodyear.survival.practices.outcome import (
    DirectAnswer,
    OutcomeReport,
    direct_answer,
    together,
    total_report,
)
from broodyear.survival.practices.tables import effect_rows, fit_rows, method_rows, practice_table
from broodyear.survival.tank_frame import MAIN_OUTCOME, OUTCOMES, prepare

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: The two models of an outcome.
MODELS: dict[str, Callable[[pd.DataFrame, str], OutcomeReport | DirectAnswer]] = {
    "total": total_report,
    "direct": direct_answer,
}
#: What the effects of practices tell and draw: each level against its reference over the whole stay.
PRACTICES_SHOW = Shows(
    "Practices, all in one fit", ("factor", "level"), "difference_points", "difference_low", "difference_high",
    "difference in survival, points", {"outcome": MAIN_OUTCOME},
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class EffectsReport:
    """Everything that effects, practices and changes show.

    effects: rows of effects.csv; methods: the same contrasts by the other methods; fit_notes: one row per outcome
    and model; practices: rows of practices.csv; findings: what was found of every contrast, with its decision;
    diagnostics: of the fit of the whole stay, which stands behind the page.
    """

    effects: pd.DataFrame
    methods: pd.DataFrame
    fit_notes: pd.DataFrame
    practices: pd.DataFrame
    findings: tuple[Finding, ...]
    diagnostics: tuple[FitDiagnostics, ...]

    def summary(self) -> str:
        """The main rows as text."""
        return PRACTICES_SHOW.summary(self.effects)

    def _repr_html_(self) -> str:
        return PRACTICES_SHOW.html(self.effects)

    def plot(self, ax: Axes | None = None) -> Axes:
        """The main estimates with their 95 % limits on ``ax``, or on new matplotlib axes; returns the axes."""
        return shown(self.effects, PRACTICES_SHOW).plot(ax)

    @property
    def claims(self) -> list[Claim]:
        """One claim per contrast of every outcome, made or looked for and not made."""
        return [claim_of(finding) for finding in self.findings]


def effects_report(frame: pd.DataFrame) -> EffectsReport:
    """Effects of practices and temperature on every outcome, from one fit of all practices each.

    For each outcome: a binomial mixed model with site, batch and tank-season (and season, from five on) as random
    intercepts, species, units at delivery and fewer seasons as covariates, and every practice recorded. Total
    effects come from the model without temperature, through which a room or a set point may act; +1 °C and the
    direct effect of a room (`room_type_direct`) from the one with it instead of the set point. All contrasts of an
    outcome are one family; the whole stay is asked before its stages.
    """
    return report_from([outcome_part(frame, outcome, name) for outcome in outcomes_in(frame) for name in MODELS])


def outcomes_in(frame: pd.DataFrame) -> tuple[str, ...]:
    """Outcomes present, in the order of a tank's life."""
    present = {MAIN_OUTCOME} if "outcome" not in frame else set(frame["outcome"].dropna())
    return tuple(outcome for outcome in OUTCOMES if outcome in present)


def outcome_part(frame: pd.DataFrame, outcome: str, model: str) -> OutcomeReport | DirectAnswer:
    """What one of the MODELS says of an outcome, to be put together by `report_from`."""
    rows = prepare(frame).rows
    return MODELS[model](rows[rows["outcome"] == outcome], outcome)


def report_from(found: Sequence[OutcomeReport | DirectAnswer]) -> EffectsReport:
    """The whole report from what both MODELS say of each outcome; the decisions of one may depend on those of the
    whole stay."""
    totals = [one for one in found if isinstance(one, OutcomeReport)]
    directs = [one for one in found if isinstance(one, DirectAnswer)]
    parts = [together(*both) for both in zip(totals, directs, strict=True)]
    if not any(part.used or len(part.levels) for part in parts):
        raise NothingToAnalyse("No tank-season has an outcome, so there are no effects to estimate.")
    findings = gated([finding for part in parts for finding in part.findings], MAIN_OUTCOME)
    own = {part.outcome: [one for one in findings if one.outcome == part.outcome] for part in parts}
    return EffectsReport(
        effects=_stacked([effect_rows(part, own[part.outcome]) for part in parts]),
        methods=_stacked([method_rows(part) for part in parts]),
        fit_notes=_stacked([fit_rows(part) for part in parts]),
        practices=_stacked([practice_table(part) for part in parts]),
        findings=tuple(findings),
        diagnostics=tuple(part.diagnostics for part in parts if part.diagnostics is not None),
    )


def _stacked(tables: Sequence[pd.DataFrame]) -> pd.DataFrame:
    filled = [table for table in tables if len(table)]
    return pd.concat(filled, ignore_index=True) if filled else tables[0].copy()
