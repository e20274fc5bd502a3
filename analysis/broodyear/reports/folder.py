"""A report's folder: the page, its tables, its figures and the manifest; and what became of each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from broodyear.errors import UsageError
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


def write_report(
    folder: Path,
    page: Page,
    tables: Sequence[ReportTable],
    manifest: Manifest,
    sheets: Sequence[Page] = (),
    pdf: bool = False,
) -> ReportResult:
    """Write everything below `folder`. Raises UsageError where it cannot be written, Refused when there is no
    browser to print with (the page is written all the same)."""
    written: dict[str, bytes] = {f"{page.name}.html": render(page).encode()}
    written |= {table.file: table.csv().encode() for table in tables}
    written |= {figure.file: figure.svg.encode() for one in (page, *sheets) for figure in one.figures}
    written |= {f"{sheet.name}.html": render(sheet).encode() for sheet in sheets}
    written["manifest.json"] = manifest_text(manifest, written, tables).encode()
    for name, content in written.items():
        _write(folder / name, content)
    printed = print_page(folder / f"{page.name}.html") if pdf else None
    return ReportResult(
        page=folder / f"{page.name}.html",
        tables=tuple(folder / table.file for table in tables),
        figures=tuple(folder / figure.file for figure in page.figures),
        manifest=folder / "manifest.json",
        sheets=tuple(folder / f"{sheet.name}.html" for sheet in sheets),
        pdf=printed,
        refusals=tuple(table.refusal for table in tables if table.refusal),
    )


def _write(path: Path, content: bytes) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    except OSError as error:
        raise UsageError(
            f"{path} cannot be written ({error.strerror}); name a folder you may write to with --out"
        ) from None
