"""The review's page: action first, then evidence, then method, limits and cautions; and its folder."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from broodyear.reports.folder import Manifest, ReportResult, write_report
from broodyear.reports.numbers import season_name
from broodyear.reports.parts import Ask, Page, Section
from broodyear.reports.season.action import action_section
from broodyear.reports.season.evidence import (
    accounting_section,
    batches_section,
    cautions_section,
    diagnostics_section,
    exposure_section,
    method_section,
    quality_section,
    stages_section,
    tanks_section,
)
from broodyear.reports.season.practices import assigned_section, changes_section, practices_section
from broodyear.reports.season.results import SeasonRecords, SeasonResults
from broodyear.reports.sites import site_sheets

#: Sections in reading order, by their anchors.
ORDER = (
    "action", "accounting", "stages", "tanks", "assigned", "practices", "changes", "temperature", "batches",
    "quality", "method", "cautions", "diagnostics",
)  # fmt: skip


def write_season(
    results: SeasonResults,
    folder: Path,
    uploads: pd.DataFrame,
    *,
    sites: bool = False,
    pdf: bool = False,
    command: str = "",
    page: Page | None = None,
) -> ReportResult:
    """Write the review from results already gathered; page: theirs, where its drawings are under way."""
    manifest = Manifest("season", command, results.settings, uploads, {"season": results.season})
    sheets = site_sheets(results) if sites else ()
    letters = _letters(results, sheets) if sheets else {}
    pages = tuple(sheet for _, sheet in sheets)
    return write_report(folder, page or season_page(results), results.tables, manifest, pages, pdf, letters)


def _letters(results: SeasonResults, sheets: Sequence[tuple[str, Page]]) -> dict[str, bytes]:
    from broodyear.reports.sites import letters_folder

    return letters_folder(results, sheets)


def record_sections(records: SeasonRecords) -> tuple[Section, ...]:
    """The sections that wait for no fit, in reading order, so that their drawings can be begun first."""
    return (
        accounting_section(records),
        stages_section(records),
        tanks_section(records),
        exposure_section(records),
        batches_section(records),
        quality_section(records),
    )


def season_page(results: SeasonResults, ask: Ask | None = None, begun: Sequence[Section] = ()) -> Page:
    """The review as a page: action first, then evidence, then method, limits and cautions.

    ask: who is to draw; begun: the sections of the records, where they stand already.
    """
    name = season_name(results.season)
    compared: tuple[Section, ...] = (
        action_section(results),
        assigned_section(results),
        practices_section(results),
        changes_section(results),
        method_section(results),
        cautions_section(),
        diagnostics_section(results),
    )
    if ask:
        compared = tuple(section.drawn_by(ask) for section in compared)
    by_anchor = {section.anchor: section for section in (*compared, *(begun or record_sections(results)))}
    sections = tuple(by_anchor[anchor] for anchor in ORDER)
    return Page("season", f"Season {name}: annual review", "Incubation tanks, eggs to release", sections)
