"""The tables of the development report, worked out from derived tables: of a store, or frozen ones."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from broodyear.errors import BroodyearError
from broodyear.reports.development.results import SCORES, DevelopmentResults
from broodyear.reports.sentences import state
from broodyear.reports.tables import ReportTable, report_table

if TYPE_CHECKING:
    from broodyear.development import DevelopmentAssessment, DevelopmentModel
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


def gather_development(
    records: Records, models: Sequence[DevelopmentModel] = (), beside: SecondProcess | None = None
) -> DevelopmentResults:
    """The tables of the development report, part of them worked out `beside`. models: of one's own, scored beside
    the published ones.

    Raises NothingToAnalyse when no stage of any species can be scored.
    """
    from broodyear.development import assess_development
    from broodyear.development.scoring.held_out_scores import DEFAULT_SEED, done_here

    ask = beside.ask if beside else done_here
    found = assess_development(records, seed=DEFAULT_SEED, models=models, ask=ask)
    curves, pairs = _drawn_curves(found)
    return DevelopmentResults(
        settings=records.settings,
        seed=DEFAULT_SEED,
        scores=report_table("scores", "Scores of every model, scheme and band", found.scores, SCORES),
        claims=state(found.claims),
        curves=curves,
        pairs=pairs,
        fan=report_table("forecast_example", "One tank's forecast", _example_fan(records, found)),
        shown=found.shown,
        **_plain_tables(found),
        **_exact_tables(found, pairs),
    )


def _plain_tables(found: DevelopmentAssessment) -> dict[str, Any]:
    return {
        "statements": report_table("statements", "What these records can and cannot tell", found.statements),
        "thermometers": report_table("thermometers", "Bias by how tanks were read", found.thermometers),
        "comparisons": report_table("comparisons", "Models against each other", found.comparisons),
        "first_seen": report_table("first_seen", "Scoring against first-seen dates", found.first_seen),
        "copied": report_table("copied_dates", "Dates copied from a forecast", found.copied_sheets),
        "suspects": report_table("suspected_dates", "Dates that are probably wrong", found.suspects),
        "left_out": report_table("left_out", "Stages left out, and why", found.left_out),
        "gaps": report_table("long_gaps", "Stages that a few more readings would have kept", found.gaps),
        "disagreements": report_table("disagreements", "Published pairs that disagree", found.disagreements),
        "predictions": report_table("predictions", "Held-out predictions", found.predictions),
        "pit": report_table("pit_histogram", "Where events lay in their predictions", found.pit),
        "calibration": report_table("calibration", "Stated and held shares of intervals", found.calibration),
    }


def _exact_tables(found: DevelopmentAssessment, pairs: ReportTable) -> dict[str, ReportTable]:
    """Constants and covariances, which others compute with, in full; and the works behind what is shown."""
    from broodyear.development.models.sources import references
    from broodyear.development.scoring.constants import OWN_SOURCE

    cited = [source for source in found.coefficients["source"] if source != OWN_SOURCE]
    works = references([*cited, *pairs.frame["source"]])
    return {
        "coefficients": report_table("coefficients", "Constants of models", found.coefficients, exact=True),
        "covariance": report_table("covariance", "Covariances of constants", found.covariance, exact=True),
        "works": report_table("references", "Works that models and values were taken from", works),
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
        report_table("curves", "Days to a stage by temperature", pd.concat(curves, ignore_index=True)),
        report_table("published_pairs", "Published days to a stage", pd.concat(pairs, ignore_index=True)),
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
