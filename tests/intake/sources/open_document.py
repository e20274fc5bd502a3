"""Workbooks of the open-document kind, written by hand: the smallest text that says what a sheet holds."""

from __future__ import annotations

import datetime as dt
import zipfile
from collections.abc import Collection, Mapping, Sequence
from html import escape
from pathlib import Path

_TYPE = "application/vnd.oasis.opendocument.spreadsheet"
_SPACES = "urn:oasis:names:tc:opendocument:xmlns"
_MANIFEST = (
    f'<manifest:manifest xmlns:manifest="{_SPACES}:manifest:1.0" manifest:version="1.2">'
    f'<manifest:file-entry manifest:full-path="/" manifest:media-type="{_TYPE}"/>'
    '<manifest:file-entry manifest:full-path="content.xml" manifest:media-type="text/xml"/></manifest:manifest>'
)


def write_ods(
    place: Path, sheets: Mapping[str, Sequence[Sequence[object]]], hidden_rows: Collection[int] = ()
) -> None:
    """Write sheets of typed cells; hidden_rows: from 0, of every sheet."""
    tables = "".join(_table(name, rows, hidden_rows) for name, rows in sheets.items())
    spaces = " ".join(f'xmlns:{name}="{_SPACES}:{name}:1.0"' for name in ("office", "table", "text"))
    calc = 'xmlns:calcext="urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0"'
    content = (
        f'<office:document-content {spaces} {calc} office:version="1.2"><office:body><office:spreadsheet>{tables}'
        "</office:spreadsheet></office:body></office:document-content>"
    )
    with zipfile.ZipFile(place, "w") as archive:
        archive.writestr("mimetype", _TYPE)
        archive.writestr("META-INF/manifest.xml", _MANIFEST)
        archive.writestr("content.xml", content)


def _table(name: str, rows: Sequence[Sequence[object]], hidden: Collection[int]) -> str:
    lines = "".join(
        f"<table:table-row{' table:visibility=' + chr(34) + 'collapse' + chr(34) if number in hidden else ''}>"
        f"{''.join(map(_cell, row))}</table:table-row>"
        for number, row in enumerate(rows)
    )
    # As programs write them: a million blank rows at the end.
    end = '<table:table-row table:number-rows-repeated="1048000"><table:table-cell/></table:table-row>'
    return f'<table:table table:name="{escape(name)}">{lines}{end}</table:table>'


def _cell(value: object) -> str:
    if value is None:
        return "<table:table-cell/>"
    kind, shown = _typed(value)
    error = ' calcext:value-type="error"' if isinstance(value, str) and value.startswith("#") else ""
    lines = "".join(f"<text:p>{escape(line)}</text:p>" for line in shown.split("\n"))
    return f"<table:table-cell {kind}{error}>{lines}</table:table-cell>"


def _typed(value: object) -> tuple[str, str]:
    if isinstance(value, bool):
        return f'office:value-type="boolean" office:boolean-value="{str(value).lower()}"', str(value).upper()
    if isinstance(value, int | float):
        return f'office:value-type="float" office:value="{value}"', str(value)
    if isinstance(value, dt.datetime | dt.date):
        return f'office:value-type="date" office:date-value="{value.isoformat()}"', f"{value:%d.%m.%y}"
    if isinstance(value, dt.time):
        return f'office:value-type="time" office:time-value="PT{value:%HH%MM%SS}"', f"{value:%H:%M}"
    return 'office:value-type="string"', str(value)
