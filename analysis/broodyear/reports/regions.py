"""Regions compared fairly: raw, adjusted for batch and within batches side by side; alphabetical, no ranks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from broodyear.errors import BroodyearError, NothingToAnalyse
from broodyear.reports import Tell, tell_nobody
from broodyear.reports.folder import Manifest, ReportResult, require_report_folder, write_report
from broodyear.reports.parts import Page
from broodyear.reports.regions_sections import (
    answer_section,
    batches_section,
    evidence_section,
    method_section,
    on_record,
    on_record_section,
    reporting_section,
)
from broodyear.reports.second_process import WORTH_A_PROCESS_SETUPS, SecondProcess
from broodyear.reports.sentences import Statements, state
from broodyear.reports.tables import ReportTable, report_table

if TYPE_CHECKING:
    from broodyear.claims import Claim
    from broodyear.settings import Settings
    from broodyear.store import Store


@dataclass(frozen=True)
class RegionResults:
    """Tables of the regions report; statements: its claims; sentences: what can be compared, by outcome;
    mixed: tank-seasons with eggs of several batches."""

    settings: Settings
    regions: ReportTable
    heterogeneity: ReportTable
    graph: ReportTable
    batches: ReportTable
    on_record: ReportTable
    statements: Statements
    sentences: dict[str, str]
    seasons: tuple[int, ...]
    mixed: int = 0

    @property
    def tables(self) -> tuple[ReportTable, ...]:
        """Every table, in the order in which the page uses them."""
        return self.statements.table, self.regions, self.heterogeneity, self.graph, self.batches, self.on_record


def report_regions(
    store: Store, folder: Path, *, pdf: bool = False, command: str = "", tell: Tell = tell_nobody
) -> ReportResult:
    """Write the comparison of regions over all seasons below `folder`: regions.html, tables/, figures/, manifest.

    tell: hears how many of how many steps are done, and what is being done.
    Raises NothingToAnalyse when no tank of any season got eggs.
    """
    require_report_folder(folder, "regions")
    is_large = len(store.table("setups")) >= WORTH_A_PROCESS_SETUPS
    with SecondProcess(is_large, "broodyear.regions") as beside:
        results = gather_regions(store, tell, beside.ask)
        tell(2, 3, "drawing and writing")
        page = regions_page(results).drawn_by(beside.leave)
        return write_regions(results, folder, store.uploads(), pdf=pdf, command=command, page=page)


def gather_regions(store: Store, tell: Tell = tell_nobody, ask: Callable[..., Any] = partial) -> RegionResults:
    """The tables of the regions report; tell: hears of the steps; ask: as in ``region_comparison``."""
    tell(0, 3, "reading the records")
    outcomes = store.result("tank_outcomes")
    if outcomes.empty:
        raise NothingToAnalyse(
            "no tank of any season has a delivery of eggs on record, so regions cannot be compared"
        )
    outcomes = outcomes.merge(store.result("tank_evidence"), on=["season", "tank_id"], how="left")
    tell(1, 3, "comparing regions")
    seasons = tuple(sorted(int(season) for season in outcomes["season"].unique()))
    return region_results(outcomes, store.settings, seasons, ask)


def region_results(
    outcomes: pd.DataFrame, settings: Settings, seasons: tuple[int, ...], ask: Callable[..., Any] = partial
) -> RegionResults:
    """The tables from a frame of tank outcomes; a refusal becomes a sentence in the place of its table."""
    from broodyear.regions import region_comparison

    claims: tuple[Claim, ...] = ()
    sentences: dict[str, str] = {}
    rows: dict[str, Any]
    try:
        found = region_comparison(outcomes, ask)
        rows = {"regions": found.rows, "heterogeneity": found.heterogeneity, "connectivity": found.graph}
        rows["batch_survival"] = found.batches
        claims, sentences = found.claims, dict(found.sentences)
    except BroodyearError as error:
        rows = dict.fromkeys(("regions", "heterogeneity", "connectivity", "batch_survival"), str(error))
    regions, heterogeneity, graph, batches = (report_table(name, one) for name, one in rows.items())
    tanks = outcomes.drop_duplicates(["season", "tank_id"])
    mixed = int((tanks["batches"] > 1).sum()) if "batches" in tanks else 0
    return RegionResults(
        settings, regions, heterogeneity, graph, batches, on_record(outcomes), state(claims), sentences, seasons,
        mixed,
    )  # fmt: skip


def write_regions(
    results: RegionResults,
    folder: Path,
    uploads: pd.DataFrame,
    *,
    pdf: bool = False,
    command: str = "",
    page: Page | None = None,
) -> ReportResult:
    """Write the report from results already gathered. page: theirs, where its drawings are under way."""
    manifest = Manifest("regions", command, results.settings, uploads, {"seasons": list(results.seasons)})
    return write_report(folder, page or regions_page(results), results.tables, manifest, pdf=pdf)


def regions_page(results: RegionResults) -> Page:
    """The report as a page: the answer first, then evidence, reporting, method."""
    regions, sentences = results.regions, results.sentences
    sections = (
        answer_section(regions, results.statements, sentences),
        evidence_section(regions, results.heterogeneity),
        on_record_section(results.on_record),
        batches_section(results.graph, results.batches, results.statements, sentences),
        reporting_section(regions),
        method_section(results.mixed),
    )
    return Page("regions", "Regions compared fairly", "Incubation tanks, all seasons on record", sections)
