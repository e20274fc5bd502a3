"""A report's folder: the page, its tables, its figures and the manifest; and what became of each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from broodyear.errors import Refused
from broodyear.outputs import new_folder, require_folder
from broodyear.reports.manifest import Manifest, manifest_text
from broodyear.reports.parts import Page
from broodyear.reports.printing import print_page
from broodyear.reports.rendering import render
from broodyear.reports.tables import ReportTable


@dataclass(frozen=True)
class ReportResult:
    """What a report wrote. page: what to open first; sheets: site sheets; summary: its first sentences, plain."""

    page: Path
    tables: tuple[Path, ...]
    figures: tuple[Path, ...]
    manifest: Path
    sheets: tuple[Path, ...] = ()
    pdf: Path | None = None
    refusals: tuple[str, ...] = ()


def require_report_folder(folder: Path, report: str) -> None:
    """Raise UsageError, before any work, when the report may not be put in the place of `folder`."""
    require_folder(folder, f"report {report}", _own(report))


def _own(report: str) -> tuple[str, ...]:
    names = (f"{report}.html", f"{report}.pdf", "tables", "figures", "sites", "manifest.json")
    return (*names, "references.bib", "reproduce") if report == "development" else names


def write_report(
    folder: Path,
    page: Page,
    tables: Sequence[ReportTable],
    manifest: Manifest,
    sheets: Sequence[Page] = (),
    pdf: bool = False,
    beside: Mapping[str, bytes] | None = None,
) -> ReportResult:
    """Put the report in the place of `folder`, whole. Raises UsageError where that may not be written, and Refused
    when the disk is full or there is no browser to print with (then the page is written all the same)."""
    written: dict[str, bytes] = {table.file: table.csv().encode() for table in tables}
    written |= {f"{sheet.name}.html": render(sheet).encode() for sheet in sheets}
    written |= beside or {}
    page = page.drawn()
    written |= {figure.file: figure.svg.encode() for figure in page.figures}
    written[f"{page.name}.html"] = render(page).encode()
    written["manifest.json"] = manifest_text(manifest, written, tables).encode()
    with new_folder(folder, f"report {manifest.report}", _own(manifest.report)) as staged:
        for name, content in written.items():
            (staged / name).parent.mkdir(parents=True, exist_ok=True)
            (staged / name).write_bytes(content)
        not_printed = _print(staged / f"{page.name}.html") if pdf else None
    if not_printed:
        raise not_printed
    return ReportResult(
        page=folder / f"{page.name}.html",
        tables=tuple(folder / table.file for table in tables),
        figures=tuple(folder / figure.file for figure in page.figures),
        manifest=folder / "manifest.json",
        sheets=tuple(folder / f"{sheet.name}.html" for sheet in sheets),
        pdf=folder / f"{page.name}.pdf" if pdf else None,
        refusals=tuple(table.refusal for table in tables if table.refusal),
    )


def _print(page: Path) -> Refused | None:
    """Print the page to PDF beside it; the reason where that cannot be done, to be raised when the page stands."""
    try:
        print_page(page)
    except Refused as refused:
        return refused
    return None
