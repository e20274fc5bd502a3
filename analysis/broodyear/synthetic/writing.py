"""Uploads on disk: every table of a programme as the CSV files people would send."""

from __future__ import annotations

import gzip
import io
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from broodyear.schemas import Column, table

from .files import PlannedFile, plan_files
from .programme import Programme
from .text import Texts, as_text

PREAMBLE = (
    "Temperature logger export",
    "Serial number,LG-0417",
    "Interval in minutes,{minutes}",
    "Clock,local time",
    "",
)
DELIMITERS = {"semicolons": ";", "tabs": "\t"}


@dataclass(frozen=True)
class WrittenFile:
    """One upload as written: path below the folder, table, rows below the header, shape, and what it
    copies."""

    path: str
    table: str
    rows: int
    quirk: str
    copy_of: str


def write_uploads(programme: Programme, folder: Path | str) -> tuple[WrittenFile, ...]:
    """Write the uploads of a programme under `folder` (made when missing), and say what was written.

    The same programme gives the same files and bytes wherever it is written. The truth is not among them:
    see `write_truth`.
    """
    folder = Path(folder)
    planned = plan_files(programme)
    texts = _all_texts(programme)
    for path in sorted({folder / Path(file.path).parent for file in planned}):
        path.mkdir(parents=True, exist_ok=True)
    for file in planned:
        (folder / file.path).write_bytes(file_bytes(file, texts[file.table], programme))
    return tuple(_written(file) for file in planned)


def write_truth(programme: Programme, path: Path | str) -> None:
    """Write what was planted as JSON: `programme.truth`, and the uploads with the mistakes each one
    carries."""
    truth = {**programme.truth, "files": [_file_truth(file) for file in plan_files(programme)]}
    Path(path).parent.mkdir(parents=True, exist_ok=True)
    Path(path).write_text(truth_json(truth), encoding="utf-8", newline="\n")


def truth_json(truth: dict[str, Any]) -> str:
    """JSON with one line per listed row, so that it can be read and compared."""
    parts = []
    for key, value in truth.items():
        if isinstance(value, list) and value and isinstance(value[0], dict):
            rows = ",\n  ".join(json.dumps(row, ensure_ascii=False) for row in value)
            parts.append(f"{json.dumps(key)}: [\n  {rows}\n ]")
        else:
            parts.append(f"{json.dumps(key)}: {json.dumps(value, ensure_ascii=False)}")
    return "{\n " + ",\n ".join(parts) + "\n}\n"


def _written(file: PlannedFile) -> WrittenFile:
    return WrittenFile(file.path, file.table, len(file.rows), file.quirk, file.copy_of)


def _file_truth(file: PlannedFile) -> dict[str, Any]:
    cells = [{"column": column, "written": text} for _, column, text in file.cells]
    return {
        "path": file.path,
        "table": file.table,
        "rows": len(file.rows),
        "shape": file.quirk,
        "copy_of": file.copy_of,
        "spoiled_cells": cells,
    }


def _all_texts(programme: Programme) -> dict[str, dict[str, Texts]]:
    """Table → column → text of every row."""
    found: dict[str, dict[str, Texts]] = {}
    for name in programme.sent.__dataclass_fields__:
        frame = programme.sent.frame(name)
        found[name] = {c.name: as_text(frame, c) for c in table(name).columns if c.name in frame}
    return found


def file_bytes(file: PlannedFile, texts: dict[str, Texts], programme: Programme) -> bytes:
    """The bytes of one upload. Optional columns blank in every row are left out, as people do."""
    columns = [table(file.table).column(name) for name in texts]
    cells = {column.name: _cells(file, column, texts[column.name]) for column in columns}
    kept = [column for column in columns if column.required or any(cells[column.name])]
    header = [_header(column.name, file.quirk) for column in kept]
    delimiter = DELIMITERS.get(file.quirk, ",")
    body = [
        [_quoted(cell, delimiter) for cell in cells[column.name]]
        if _needs_quotes(column, cells[column.name], delimiter)
        else cells[column.name]
        for column in kept
    ]
    if file.quirk == "quoted":
        header, body = [f'"{name}"' for name in header], [[f'"{cell}"' for cell in column] for column in body]
    lines = [delimiter.join(header), *map(delimiter.join, zip(*body, strict=True))]
    return _encoded(_framed(lines, file.quirk, programme), file.quirk)


def _cells(file: PlannedFile, column: Column, texts: Texts) -> list[str]:
    """The cells of one column of one file, in the words and signs of the file's shape."""
    cells: list[str] = texts[file.rows].tolist()
    cells = _restyled(cells, column, file.quirk)
    for row, name, text in file.cells:
        if name == column.name:
            cells[int(np.flatnonzero(file.rows == row)[0])] = text
    return cells


def _restyled(cells: list[str], column: Column, quirk: str) -> list[str]:
    if quirk == "semicolons" and column.kind == "number":
        return [cell.replace(".", ",") for cell in cells]
    if quirk == "yes_no" and column.kind == "boolean":
        return [{"true": "Yes", "false": "No"}.get(cell, cell) for cell in cells]
    if quirk == "dots_for_blanks" and not column.required:
        return [cell or "." for cell in cells] if any(cells) else cells
    if quirk == "slashes_in_dates" and column.kind in ("date", "moment"):
        return [cell.replace("-", "/").replace("T", " ") for cell in cells]
    if quirk == "capital_headers" and column.allowed:
        return [cell.capitalize() if cell.islower() else cell for cell in cells]
    return cells


def _header(name: str, quirk: str) -> str:
    if quirk == "capital_headers":
        return name.upper()
    return f" {name} " if quirk == "spaced_headers" else name


def _needs_quotes(column: Column, cells: list[str], delimiter: str) -> bool:
    return column.kind in ("code", "text") and any(delimiter in cell or '"' in cell for cell in set(cells))


def _quoted(cell: str, delimiter: str) -> str:
    return '"' + cell.replace('"', '""') + '"' if delimiter in cell or '"' in cell else cell


def _framed(lines: list[str], quirk: str, programme: Programme) -> list[str]:
    """Lines with what surrounds the table: a preamble, or empty columns and lines at the ends."""
    if quirk == "preamble":
        return [*(line.format(minutes=programme.shape.logger_interval_minutes) for line in PREAMBLE), *lines]
    if quirk == "empty_ends":
        return [*(line + ",," for line in lines), "", ",,"]
    return lines


def _encoded(lines: list[str], quirk: str) -> bytes:
    end = "\r\n" if quirk in ("crlf", "windows_1252", "semicolons") else "\n"
    text = end.join(lines) + end
    if quirk == "windows_1252":
        return text.encode("cp1252")
    data = text.encode("utf-8-sig" if quirk == "byte_order_mark" else "utf-8")
    return _compressed(data) if quirk == "compressed" else data


def _compressed(data: bytes) -> bytes:
    """gzip without a file name or time, so that the same data gives the same bytes."""
    buffer = io.BytesIO()
    with gzip.GzipFile(filename="", mode="wb", fileobj=buffer, mtime=0, compresslevel=6) as out:
        out.write(data)
    return buffer.getvalue()
