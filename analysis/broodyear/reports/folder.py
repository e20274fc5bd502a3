"""A report's folder: the page, its tables, its figures and the manifest; and what became of each.

The manifest says which records, settings and software made a report: enough to make it again, and nothing that
changes by itself. No clock is read: the same store and settings give the same bytes.
"""

from __future__ import annotations

import hashlib
import json
import platform
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from importlib.metadata import version
from pathlib import Path, PurePath
from typing import Any

import pandas as pd

import broodyear
from broodyear.errors import Refused
from broodyear.outputs import new_folder, require_folder
from broodyear.reports.parts import Page
from broodyear.reports.printing import print_page
from broodyear.reports.rendering import render
from broodyear.reports.tables import ReportTable
from broodyear.settings import Settings

#: Packages whose version can change a number or a picture.
PACKAGES = ("duckdb", "formulaic", "jinja2", "matplotlib", "numpy", "pandas", "scipy")

_UPLOAD_FIELDS = (
    "upload",
    "table",
    "sha256",
    "rows_read",
    "rows_accepted",
    "rows_rejected",
    "rows_to_mend",
    "withdrawn",
)


@dataclass(frozen=True)
class Manifest:
    """What a report was made from.

    report: its name; command: as typed, or empty; settings; uploads: frame of the store's uploads; seed: of the
    random numbers used, None when none were; parameters: of this report, such as its season.
    """

    report: str
    command: str
    settings: Settings
    uploads: pd.DataFrame
    parameters: Mapping[str, Any]
    seed: int | None = None


def manifest_text(manifest: Manifest, written: Mapping[str, bytes], tables: Sequence[ReportTable]) -> str:
    """The manifest as JSON. written: content by file name; tables: for their row counts."""
    content = {
        "report": manifest.report,
        "parameters": dict(manifest.parameters),
        "command": manifest.command,
        "settings": asdict(manifest.settings),
        "seed": manifest.seed,
        "software": {
            "broodyear": broodyear.__version__,
            "python": platform.python_version(),
            **{name: version(name) for name in PACKAGES},
        },
        "generated_from": _uploads(manifest.uploads),
        "rows_to_mend": int(manifest.uploads.get("rows_to_mend", pd.Series(dtype=int)).sum()),
        "rows": {table.name: len(table) for table in tables},
        "refused": {table.name: table.refusal for table in tables if table.refusal},
        "outputs": {name: hashlib.sha256(content).hexdigest() for name, content in sorted(written.items())},
    }
    return json.dumps(content, ensure_ascii=False, indent=1, sort_keys=False) + "\n"


def _uploads(uploads: pd.DataFrame) -> list[dict[str, Any]]:
    """Each upload by file name (never its folder), bytes and rows; when it was loaded is left out on purpose."""
    listed = []
    for row in uploads.to_dict("records"):
        kept = {name: _plain(row[name]) for name in _UPLOAD_FIELDS if name in row}
        listed.append({"file": PurePath(str(row["path"]).replace("\\", "/")).name, **kept})
    return listed


def _plain(value: Any) -> Any:
    return value.item() if hasattr(value, "item") else value


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
