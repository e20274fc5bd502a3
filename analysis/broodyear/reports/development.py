"""Thermal-unit models against the programme's own records: biased or not, where, and how far they can be"
" trusted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from broodyear.errors import BroodyearError
from broodyear.reports.development_evidence import (
    forecasts_section,
    pitfalls_section,
    published_section,
    stages_section,
)
from broodyear.reports.development_sections import (
    answer_section,
    cold_section,
    method_section,
    scores_section,
    where_section,
)
from broodyear.reports.folder import ReportResult, require_report_folder, write_report
from broodyear.reports.footing import footer
from broodyear.reports.manifest import Manifest
from broodyear.reports.parts import Page
from broodyear.reports.sentences import Statements, state
from broodyear.reports.tables import ReportTable, report_table

if TYPE_CHECKING:
    from broodyear.development import DevelopmentAssessment, DevelopmentModel
    from broodyear.settings import Settings
    from broodyear.store import Store

#: The columns that others read, in their order.
SCORES = (
    "species", "stage", "model", "scheme", "band", "tanks", "batches", "bias_days", "bias_low", "bias_high",
    "mae_days", "coverage_50", "coverage_80", "coverage_95", "log_score", "skill_vs_constant",
    "donor_stock",
)  # fmt: skip

#: Days after delivery at which the example of a forecast is made: early enough to have a fan to show.
EXAMPLE_AFTER_DAYS = 21


@dataclass(frozen=True)
class DevelopmentResults:
    """Tables of the development report.

    curves and pairs: days to a stage by temperature, of models and of published measurements; fan: one tank's
    forecast, empty where none could be made; shown: models shown by (species, stage); seed: of the calibration.
    """

    settings: Settings
    seed: int
    scores: ReportTable
    claims: Statements
    statements: ReportTable
    thermometers: ReportTable
    comparisons: ReportTable
    first_seen: ReportTable
    copied: ReportTable
    suspects: ReportTable
    left_out: ReportTable
    gaps: ReportTable
    disagreements: ReportTable
    coefficients: ReportTable
    predictions: ReportTable
    curves: ReportTable
    pairs: ReportTable
    fan: ReportTable
    shown: Mapping[tuple[str, str], tuple[str, ...]]

    @property
    def tables(self) -> tuple[ReportTable, ...]:
        """Every table, in the order in which the page uses them."""
        return (
            self.scores, self.claims.table, self.statements, self.thermometers, self.comparisons, self.first_seen,
            self.copied, self.suspects, self.left_out, self.gaps, self.disagreements, self.coefficients,
            self.predictions, self.curves, self.pairs, self.fan,
        )  # fmt: skip


def report_development(
    store: Store, folder: Path, *, models: Sequence[DevelopmentModel] = (), pdf: bool = False, command: str = ""
) -> ReportResult:
    """Write the validation of thermal-unit models below `folder`: development.html, tables/, figures/, manifest.

    models: of one's own, scored beside the published ones.

    Raises NothingToAnalyse when no stage of any species can be scored.
    """
    require_report_folder(folder, "development")
    results = gather_development(store, models)
    return write_development(results, folder, store.uploads(), pdf=pdf, command=command)


def gather_development(store: Store, models: Sequence[DevelopmentModel] = ()) -> DevelopmentResults:
    """The tables of the development report, worked out from the store."""
    from broodyear.development import assess_development
    from broodyear.development.scoring.held_out_scores import DEFAULT_SEED

    found = assess_development(store, seed=DEFAULT_SEED, models=models)
    curves, pairs = _drawn_curves(found)
    return DevelopmentResults(
        settings=store.settings,
        seed=DEFAULT_SEED,
        scores=report_table("scores", "Scores of every model, scheme and band", found.scores, SCORES),
        claims=state(found.claims),
        statements=report_table("statements", "What these records can and cannot tell", found.statements),
        thermometers=report_table("thermometers", "Bias by how tanks were read", found.thermometers),
        comparisons=report_table("comparisons", "Models against constant units", found.comparisons),
        first_seen=report_table("first_seen", "Scoring against first-seen dates", found.first_seen),
        copied=report_table("copied_dates", "Dates copied from a forecast", found.copied_sheets),
        suspects=report_table("suspected_dates", "Dates that are probably wrong", found.suspects),
        left_out=report_table("left_out", "Stages left out, and why", found.left_out),
        gaps=report_table("long_gaps", "Stages that a few more readings would have kept", found.gaps),
        disagreements=report_table("disagreements", "Published pairs that disagree", found.disagreements),
        coefficients=report_table("coefficients", "Constants of the own fits", found.coefficients),
        predictions=report_table("predictions", "Held-out predictions", found.predictions),
        curves=curves,
        pairs=pairs,
        fan=report_table("forecast_example", "One tank's forecast", _example_fan(store, found)),
        shown=found.shown,
    )


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


def _example_fan(store: Store, found: DevelopmentAssessment) -> pd.DataFrame:
    """The fan of the first tank of the last season that gives one, three weeks after its delivery."""
    from broodyear.development.forecast.figure_data import fan_data

    tanks = store.result("tank_seasons")
    predicted = found.predictions
    latest = predicted[predicted["season"] == predicted["season"].max()].sort_values(["tank_id", "stage"])
    for tank_id, stage in latest[["tank_id", "stage"]].drop_duplicates().head(5).itertuples(index=False):
        one = tanks[(tanks["tank_id"] == tank_id) & (tanks["season"] == latest["season"].iloc[0])]
        if one.empty or pd.isna(one["delivered_on"].iloc[0]):
            continue
        as_of = (pd.Timestamp(one["delivered_on"].iloc[0]) + pd.Timedelta(days=EXAMPLE_AFTER_DAYS)).date()
        try:
            return fan_data(store, int(one["season"].iloc[0]), str(tank_id), str(stage), as_of, found.fits)
        except BroodyearError:
            continue  # this tank has no forecast; the next may have one
    columns = (
        "day",
        "done_pct",
        "low_95",
        "low_80",
        "high_80",
        "high_95",
        "date",
        "is_recorded",
        "model",
        "tank_id",
    )
    return pd.DataFrame(columns=[*columns, "stage"])


def write_development(
    results: DevelopmentResults, folder: Path, uploads: pd.DataFrame, *, pdf: bool = False, command: str = ""
) -> ReportResult:
    """Write the report from results already gathered."""
    manifest = Manifest("development", command, results.settings, uploads, {}, seed=results.seed)
    return write_report(folder, development_page(results), results.tables, manifest, pdf=pdf)


def development_page(results: DevelopmentResults) -> Page:
    """The report as a page: the answer first, then evidence, pitfalls, what others published, method."""
    sections = (
        answer_section(results),
        where_section(results),
        cold_section(results),
        stages_section(results),
        scores_section(results),
        pitfalls_section(results),
        forecasts_section(results),
        published_section(results),
        method_section(results),
    )
    title = "Thermal-unit models against these records"
    return Page("development", title, "Incubation tanks, all seasons on record", sections, footer())
