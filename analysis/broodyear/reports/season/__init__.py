"""The annual review of one season: one page, its tables, its figures, its manifest."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from broodyear.reports.folder import ReportResult, require_report_folder, write_report
from broodyear.reports.footing import footer
from broodyear.reports.manifest import Manifest
from broodyear.reports.numbers import season_name
from broodyear.reports.parts import Page
from broodyear.reports.season.action import action_section
from broodyear.reports.season.assigned import assigned_section
from broodyear.reports.season.closing import cautions_section, method_section, quality_section
from broodyear.reports.season.diagnostics import diagnostics_section
from broodyear.reports.season.evidence import (
    accounting_section,
    batches_section,
    exposure_section,
    stages_section,
)
from broodyear.reports.season.practices import changes_section, practices_section
from broodyear.reports.season.results import SeasonResults
from broodyear.reports.season.tanks import tanks_section

if TYPE_CHECKING:
    import pandas as pd

    from broodyear.store import Store

__all__ = ["report_season", "season_page", "write_season"]


def report_season(
    store: Store, season: int, folder: Path, *, sites: bool = False, pdf: bool = False, command: str = ""
) -> ReportResult:
    """Write the review of `season` (2023 = 2023/24) below `folder`: season.html, tables/, figures/, manifest.json.

    sites: also one sheet per site, in sites/; pdf: also season.pdf; command: as typed, for the manifest.
    Raises NothingToAnalyse when the season has no set-up, naming the seasons there are.
    """
    from broodyear.reports.season.gathering import gather

    require_report_folder(folder, "season")
    results = gather(store, season)
    return write_season(results, folder, store.uploads(), sites=sites, pdf=pdf, command=command)


def write_season(
    results: SeasonResults,
    folder: Path,
    uploads: pd.DataFrame,
    *,
    sites: bool = False,
    pdf: bool = False,
    command: str = "",
) -> ReportResult:
    """Write the review from results already gathered."""
    from broodyear.reports.letters import letters_folder
    from broodyear.reports.sites import site_sheets

    manifest = Manifest("season", command, results.settings, uploads, {"season": results.season})
    sheets = site_sheets(results) if sites else ()
    letters = letters_folder(results, sheets) if sheets else {}
    pages = tuple(page for _, page in sheets)
    return write_report(folder, season_page(results), results.tables, manifest, pages, pdf, letters)


def season_page(results: SeasonResults) -> Page:
    """The review as a page: action first, then evidence, then method, limits and cautions."""
    name = season_name(results.season)
    sections = (
        action_section(results),
        accounting_section(results),
        stages_section(results),
        tanks_section(results),
        assigned_section(results),
        practices_section(results),
        changes_section(results),
        exposure_section(results),
        batches_section(results),
        quality_section(results),
        method_section(results),
        cautions_section(),
        diagnostics_section(results),
    )
    return Page("season", f"Season {name}: annual review", "Incubation tanks, eggs to release", sections, footer())
