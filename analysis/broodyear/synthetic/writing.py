"""Uploads on disk: every table of a programme as the CSV files people would send, and the truth beside them."""

from __future__ import annotations

import gzip
import io
import json
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from broodyear.schemas import Column, table

from .files import PlannedFile, plan_files
from .programme import Programme
from .scenario import Dates, Floats, Words

PREAMBLE = (
    "Temperature logger export",
    "Serial number,LG-0417",
    "Interval in minutes,{minutes}",
    "Clock,local time",
    "",
)
DELIMITERS = {"semicolons": ";", "tabs": "\t"}

Texts = dict[str, Words]
"""Column -> (rows,) text of each row; a blank is an empty string."""


def write_uploads(programme: Programme, folder: Path | str) -> None:
    """Write the uploads of a programme under `folder` (made when missing).

    The same programme gives the same files and bytes wherever it is written. The truth is not among them:
    see `write_truth`.
    """
    texts = {part.name: _texts(part.name, programme.sent.frame(part.name)) for part in fields(programme.sent)}
    for file in plan_files(programme):
        path = Path(folder) / file.path
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(file_bytes(file, texts[file.table], programme.shape.logger_interval_minutes))


def write_truth(programme: Programme, path: Path | str) -> None:
    """Write what was planted as JSON: `programme.truth`, and each upload with the mistakes it carries."""
    files = [
        {
            "path": file.path,
            "table": file.table,
            "rows": len(file.rows),
            "shape": file.quirk,
            "copy_of": file.copy_of,
            "spoiled_cells": [{"column": column, "written": text} for _, column, text in file.cells],
        }
        for file in plan_files(programme)
    ]
    Path(path).parent.mkdir(parents=True, exist_ok=True)
    Path(path).write_text(truth_json({**programme.truth, "files": files}), encoding="utf-8", newline="\n")


def truth_json(truth: dict[str, Any]) -> str:
    """JSON with one line per listed row, so that it can be read and compared."""
    parts = []
    for key, value in truth.items():
        text = json.dumps(value, ensure_ascii=False)
        if isinstance(value, list) and value and isinstance(value[0], dict):
            text = "[\n  " + ",\n  ".join(json.dumps(row, ensure_ascii=False) for row in value) + "\n ]"
        parts.append(f"{json.dumps(key)}: {text}")
    return "{\n " + ",\n ".join(parts) + "\n}\n"


def file_bytes(file: PlannedFile, texts: Texts, minutes: int) -> bytes:
    """The bytes of one upload; minutes: between readings, for the preamble of a logger's file.

    Optional columns blank in every row are left out, as people do.
    """
    delimiter, quirk = DELIMITERS.get(file.quirk, ","), file.quirk
    header, body = [], []
    for name, text in texts.items():
        column = table(file.table).column(name)
        cells = _cells(file, column, text)
        if column.required or any(cells):
            header.append({"capital_headers": name.upper(), "spaced_headers": f" {name} "}.get(quirk, name))
            body.append(_quoted(cells, delimiter) if column.kind in ("code", "text") else cells)
    if quirk == "quoted":
        header, *body = ([f'"{cell}"' for cell in cells] for cells in (header, *body))
    lines = [delimiter.join(header), *map(delimiter.join, zip(*body, strict=True))]
    if quirk == "preamble":
        lines = [*(line.format(minutes=minutes) for line in PREAMBLE), *lines]
    if quirk == "empty_ends":
        lines = [*(line + ",," for line in lines), "", ",,"]
    return _encoded(lines, quirk)


def _cells(file: PlannedFile, column: Column, texts: Words) -> list[str]:
    """The cells of one column of one file, in the words and signs of the file's shape."""
    cells = _restyled(texts[file.rows].tolist(), column, file.quirk)
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


def _quoted(cells: list[str], delimiter: str) -> list[str]:
    quoted = {cell: '"' + cell.replace('"', '""') + '"' for cell in set(cells) if delimiter in cell or '"' in cell}
    return [quoted.get(cell, cell) for cell in cells] if quoted else cells


def _encoded(lines: list[str], quirk: str) -> bytes:
    end = "\r\n" if quirk in ("crlf", "windows_1252", "semicolons") else "\n"
    codec = {"windows_1252": "cp1252", "byte_order_mark": "utf-8-sig"}.get(quirk, "utf-8")
    data = (end.join(lines) + end).encode(codec)
    if quirk != "compressed":
        return data
    buffer = io.BytesIO()  # no file name and no time, so that the same data gives the same bytes
    with gzip.GzipFile(filename="", mode="wb", compresslevel=6, fileobj=buffer, mtime=0) as out:
        out.write(data)
    return buffer.getvalue()


def _texts(name: str, frame: pd.DataFrame) -> Texts:
    """The declared columns as people type them: ISO dates, short numbers, blanks for what was not recorded."""
    return {column.name: _as_text(frame, column) for column in table(name).columns if column.name in frame}


def _as_text(frame: pd.DataFrame, column: Column) -> Words:
    values = frame[column.name]
    if column.kind == "date":
        return _dates(values.to_numpy(), "D")
    if column.kind == "moment":
        text, day_only = _dates(values.to_numpy(), "m"), ~frame[f"{column.name}_has_hour"].to_numpy(dtype=bool)
        text[day_only] = _dates(values.to_numpy()[day_only], "D")
        return text
    if column.is_number:
        return _numbers(values.to_numpy(dtype=float, na_value=np.nan))
    if column.kind == "boolean":
        values = values.astype(object).map({True: "true", False: "false"})
    return values.astype(object).where(values.notna(), "").to_numpy()


def _dates(values: Dates, unit: str) -> Words:
    text = np.datetime_as_string(values.astype(f"datetime64[{unit}]")).astype(object)
    text[np.isnat(values)] = ""
    return text


def _numbers(values: Floats) -> Words:
    """Shortest decimal text of each number; whole numbers without a point."""
    distinct, which = np.unique(values, return_inverse=True)
    words = ["" if np.isnan(v) else str(int(v)) if v == int(v) else repr(float(v)) for v in distinct]
    return np.array(words, dtype=object)[which]
