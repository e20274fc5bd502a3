"""The tables of the development report, worked out from derived tables: of a store, or frozen ones."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from broodyear.errors import BroodyearError
from broodyear.reports.development.results import DevelopmentResults, results_of
from broodyear.reports.development.statements import statements_table
from broodyear.reports.sentences import state

if TYPE_CHECKING:
    from broodyear.development import DevelopmentAssessment, DevelopmentModel
    from broodyear.development.scoring.held_out_scores import DevelopmentScores
    from broodyear.reports.second_process import SecondProcess
    from broodyear.settings import Settings
    from broodyear.store import Store

#: The derived tables that everything on the page is worked out from.
FROZEN_TABLES = ("observed_stages", "daily_temperature", "tank_seasons")

#: Days after delivery at which the example of a forecast is made: early enough to have a fan to show.
EXAMPLE_AFTER_DAYS = 21
#: Tanks that are tried for that example.
_TRIED = 5
_FAN = (
    "day", "done_pct", "low_95", "low_80", "high_80", "high_95", "date", "is_recorded", "model", "tank_id",
    "stage",
)  # fmt: skip


@dataclass(frozen=True)
class Records:
    """The derived tables of FROZEN_TABLES by name, read once, and the settings they were made with."""

    frames: Mapping[str, pd.DataFrame]
    settings: Settings

    def result(self, name: str) -> pd.DataFrame:
        """A derived table, as a store gives it."""
        return self.frames[name]


def records_of(store: Store) -> Records:
    """The records of an open store that the report is worked out from."""
    return Records({name: store.result(name) for name in FROZEN_TABLES}, store.settings)


def scored_records(
    records: Records, models: Sequence[DevelopmentModel] = (), beside: SecondProcess | None = None
) -> DevelopmentScores:
    """Models scored on the records, part of them `beside`. models: of one's own, scored beside the published ones.

    Raises NothingToAnalyse when no stage of any species can be scored.
    """
    from broodyear.development.scoring.assessment import compared_scores
    from broodyear.development.scoring.held_out_scores import Scoring, done_here

    ask = beside.ask if beside else done_here
    return compared_scores(records, Scoring(), models=models, ask=ask)


def gather_development(records: Records, scored: DevelopmentScores) -> DevelopmentResults:
    """The tables of the development report, from the scores of its records."""
    from broodyear.development.models.sources import cited_on_page, references
    from broodyear.development.scoring.assessment import assessed
    from broodyear.development.scoring.held_out_scores import DEFAULT_SEED

    found = assessed(scored)
    curves, pairs = _drawn_curves(found)
    frames = {name: value for name, value in vars(found).items() if isinstance(value, pd.DataFrame)}
    works = references(cited_on_page(found.coefficients, pairs, found.disagreements))
    return results_of(
        {
            **frames, "statements": statements_table(found), "copied": found.copied_sheets, "curves": curves,
            "pairs": pairs, "fan": _example_fan(records, found), "works": works,
        },
        settings=records.settings, seed=DEFAULT_SEED, claims=state(found.claims), shown=found.shown,
    )  # fmt: skip


def _drawn_curves(found: DevelopmentAssessment) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Curves and published measurements of every species and stage that was scored."""
    from broodyear.development.forecast.figure_data import curve_data, pairs_data

    curves, pairs = [], []
    for species, stage in found.shown:
        place = {"species": species, "stage": stage}
        curves.append(curve_data(found, species, stage).assign(**place))
        pairs.append(pairs_data(species, stage).assign(**place))
    return pd.concat(curves, ignore_index=True), pd.concat(pairs, ignore_index=True)


def _example_fan(records: Records, found: DevelopmentAssessment) -> pd.DataFrame:
    """The fan of the first tank of the last season that gives one, three weeks after its delivery."""
    from broodyear.development.forecast.figure_data import fan_data

    tanks, predicted = records.result("tank_seasons"), found.predictions
    latest = predicted[predicted["season"] == predicted["season"].max()].sort_values(["tank_id", "stage"])
    for tank_id, stage in latest[["tank_id", "stage"]].drop_duplicates().head(_TRIED).itertuples(index=False):
        one = tanks[(tanks["tank_id"] == tank_id) & (tanks["season"] == latest["season"].iloc[0])]
        if one.empty or pd.isna(one["delivered_on"].iloc[0]):
            continue
        as_of = (pd.Timestamp(one["delivered_on"].iloc[0]) + pd.Timedelta(days=EXAMPLE_AFTER_DAYS)).date()
        try:
            return fan_data(records, int(one["season"].iloc[0]), str(tank_id), str(stage), as_of, found.fits)
        except BroodyearError:
            continue  # this tank has no forecast; the next may have one
    return pd.DataFrame(columns=list(_FAN))
