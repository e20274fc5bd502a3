"""The tables of the development report, worked out from derived tables: of a store, or frozen ones."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from broodyear.errors import BroodyearError
from broodyear.reports.development.results import DevelopmentResults
from broodyear.reports.sentences import state
from broodyear.reports.tables import ReportTable, report_table

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
    from broodyear.development.scoring.assessment import assessed
    from broodyear.development.scoring.held_out_scores import DEFAULT_SEED

    found = assessed(scored)
    curves, pairs = _drawn_curves(found)
    return DevelopmentResults(
        settings=records.settings,
        seed=DEFAULT_SEED,
        scores=report_table("scores", found.scores),
        claims=state(found.claims),
        curves=curves,
        pairs=pairs,
        fan=report_table("forecast_example", _example_fan(records, found)),
        shown=found.shown,
        **_plain_tables(found),
        **_exact_tables(found, pairs),
    )


def _plain_tables(found: DevelopmentAssessment) -> dict[str, Any]:
    return {
        "statements": report_table("statements", found.statements),
        "thermometers": report_table("thermometers", found.thermometers),
        "site_offsets": report_table("site_offsets", found.site_offsets),
        "comparisons": report_table("comparisons", found.comparisons),
        "first_seen": report_table("first_seen", found.first_seen),
        "copied": report_table("copied_dates", found.copied_sheets),
        "suspects": report_table("suspected_dates", found.suspects),
        "left_out": report_table("left_out", found.left_out),
        "gaps": report_table("long_gaps", found.gaps),
        "disagreements": report_table("disagreements", found.disagreements),
        "predictions": report_table("predictions", found.predictions),
        "pit": report_table("pit_histogram", found.pit),
        "calibration": report_table("calibration", found.calibration),
    }


def _exact_tables(found: DevelopmentAssessment, pairs: ReportTable) -> dict[str, ReportTable]:
    """Constants and covariances, which others compute with, in full; and the works behind what is shown."""
    from broodyear.development.models.sources import cited_on_page, references

    works = references(cited_on_page(found.coefficients, pairs.frame, found.disagreements))
    return {
        "coefficients": report_table("coefficients", found.coefficients, exact=True),
        "covariance": report_table("covariance", found.covariance, exact=True),
        "works": report_table("references", works),
    }


def _drawn_curves(found: DevelopmentAssessment) -> tuple[ReportTable, ReportTable]:
    """Curves and published measurements of every species and stage that was scored."""
    from broodyear.development.forecast.figure_data import curve_data, pairs_data

    curves, pairs = [], []
    for species, stage in found.shown:
        place = {"species": species, "stage": stage}
        curves.append(curve_data(found, species, stage).assign(**place))
        pairs.append(pairs_data(species, stage).assign(**place))
    return (
        report_table("curves", pd.concat(curves, ignore_index=True)),
        report_table("published_pairs", pd.concat(pairs, ignore_index=True)),
    )


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
