"""The review's page: action first, then evidence, then method, limits and cautions; and its folder."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from broodyear.reports.folder import ReportResult, write_report
from broodyear.reports.footing import footer
from broodyear.reports.letters import letters_folder
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
from broodyear.reports.second_process import SecondProcess
from broodyear.reports.sites import site_sheets


def write_season(
    results: SeasonResults,
    folder: Path,
    uploads: pd.DataFrame,
    *,
    sites: bool = False,
    pdf: bool = False,
    command: str = "",
    beside: SecondProcess | None = None,
) -> ReportResult:
    """Write the review from results already gathered; beside: who draws part of the figures meanwhile."""
    page = season_page(results)
    if beside:
        page = page.drawn_by(beside.ask)
    manifest = Manifest("season", command, results.settings, uploads, {"season": results.season})
    sheets = site_sheets(results) if sites else ()
    letters = letters_folder(results, sheets) if sheets else {}
    pages = tuple(page for _, page in sheets)
    return write_report(folder, page, results.tables, manifest, pages, pdf, letters)


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
