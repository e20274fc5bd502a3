"""What the ledger holds of earlier uploads: the rejected rows still to be mended, as the command ``mend`` prints
them and the desk shows them, and uploads of which nobody was told yet."""

from __future__ import annotations

import csv
import io
import json
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import duckdb

from broodyear.findings import FileReport, Finding, TableCount
from broodyear.formulas import guarded
from broodyear.intake.rejected import (
    Filed,
    FiledPart,
    Rejected,
    RejectedRows,
    cells_as_json,
    require_copies,
    write_rejects,
)
from broodyear.intake.rendering import printable
from broodyear.store import Store, ledger
from broodyear.store.handle import utc_now
from broodyear.store.open_rows import dismiss, find_open_rows
from broodyear.store.opening import in_plain_words

_COUNTS = ("rows_made", "rows_accepted", "rows_rejected")
_ROWS = (
    "SELECT upload, path, strftime(loaded_at, '%Y-%m-%dT%H:%M:%S'), line, table_name, raw, problems FROM waiting "
    "ORDER BY upload, line, table_name"
)


@dataclass(frozen=True)
class OpenRow:
    """A rejected row still to be mended. upload, path, loaded_at: how it came (UTC); line: in that file;
    cells: as received; problems: what is wrong with it, and what to do."""

    upload: int
    path: str
    loaded_at: str
    line: int
    table: str
    cells: tuple[str, ...]
    problems: str

    @property
    def place(self) -> str:
        """The row as it is named to dismiss it."""
        return f"{self.path}#{self.line}"


def open_rows(store: Store) -> list[OpenRow]:
    """The rejected rows still open, by upload and line. Raises StoreUnavailable when the store cannot be read."""
    with in_plain_words(store.path), store.session() as session:
        find_open_rows(session, store.settings)
        rows = session.execute(_ROWS).fetchall()
    return [
        OpenRow(int(upload), path, loaded_at, int(line), name, tuple(json.loads(raw)), problems)
        for upload, path, loaded_at, line, name, raw, problems in rows
    ]


def dismiss_rows(store: Store, places: Sequence[str], reason: str) -> int:
    """Close the open rows at ``places`` (FILE#LINE) for good, with a reason; returns how many there were.

    The store must be open for changes. Raises UsageError when no row is open at one of the places.
    """
    with in_plain_words(store.path), store.session() as session:
        return dismiss(session, places, reason, store.settings, utc_now())


def write_copies(store: Store, rows: Sequence[OpenRow], folder: Path) -> list[Path]:
    """Write the open rows, a CSV file per upload and table, to be mended and loaded; returns the files written."""
    return write_rejects(folder, _all_filed(store, rows), "--out")


def require_room_for(store: Store, folder: Path) -> None:
    """Raise UsageError unless copies of the open rows may be written to ``folder``."""
    require_copies(folder, _all_filed(store, open_rows(store)), "--out")


def _all_filed(store: Store, rows: Sequence[OpenRow]) -> list[Filed]:
    uploads: dict[int, list[OpenRow]] = {}
    for row in rows:
        uploads.setdefault(row.upload, []).append(row)
    return [_filed(store, those) for those in uploads.values()]


def _filed(store: Store, rows: Sequence[OpenRow]) -> Filed:
    report = FileReport(rows[0].path, rows[0].table, 0, len(rows), 0, len(rows))
    with store.session() as session:
        said = list(ledger.entries(session, "upload_parts", rows[0].upload))
    parts = [(part["table_name"], part["header"], part["separator"]) for part in said] or [
        (rows[0].table, (), ",")
    ]
    filed = tuple(FiledPart(name, _rejected(rows, name), tuple(header), sign) for name, header, sign in parts)
    return Filed(report, [], filed, rows[0].upload)


def _rejected(rows: Sequence[OpenRow], table: str) -> RejectedRows:
    rejected = RejectedRows()
    for row in rows:
        if row.table == table:
            rejected.add(Rejected(row.line, cells_as_json(row.cells), row.problems))
    return rejected


def from_ledger(connection: duckdb.DuckDBPyConnection, upload: int) -> Filed:
    """What became of an upload of which nobody was told, because the load that filed it was stopped or killed: all
    of it stands in the ledger, written in the same transaction as its rows."""
    [said] = ledger.entries(connection, "uploads", upload)
    late = (
        f"loaded {said['loaded_at']:%Y-%m-%d %H:%M} (UTC) as upload {upload}, by a run that ended before it told"
    )
    rejected: defaultdict[str, RejectedRows] = defaultdict(RejectedRows)
    for row in ledger.entries(connection, "rejected_rows", upload):
        rejected[row["table_name"]].add(Rejected(row["line"], row["raw"], row["problems"], row["mendable"]))
    parts = list(ledger.entries(connection, "upload_parts", upload))
    report = FileReport(
        said["path"], said["table_name"], said["lines_read"], said["rows_read"], said["rows_accepted"],
        said["rows_rejected"], (*said["notes"], f"{late} of it"),
        tuple(TableCount(part["table_name"], *(part[name] or 0 for name in _COUNTS)) for part in parts),
        sum(not row.mendable for rows in rejected.values() for row in rows),
    )  # fmt: skip
    return Filed(
        report,
        [Finding(*list(row.values())[1:]) for row in ledger.entries(connection, "findings", upload)],
        tuple(
            FiledPart(part["table_name"], rejected[part["table_name"]], tuple(part["header"]), part["separator"])
            for part in parts
        ),
        upload,
    )


def rendered(rows: Sequence[OpenRow], format: str) -> str:
    """The list as text for people, as CSV, or as JSON."""
    if format == "json":
        return json.dumps([_as_dict(row) for row in rows], ensure_ascii=False, indent=1) + "\n"
    if format == "csv":
        out = io.StringIO()
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(["upload", "path", "loaded_at", "line", "table", "cells", "problems"])
        for row in rows:
            cells = [row.upload, row.path, row.loaded_at, row.line, row.table, " | ".join(row.cells), row.problems]
            writer.writerow([guarded(str(cell)) for cell in cells])
        return out.getvalue()
    lines = [f"{printable(row.place)} ({row.table}, upload {row.upload}): {row.problems}" for row in rows]
    return "\n".join([*lines, _total(len(rows))])


def _as_dict(row: OpenRow) -> dict[str, Any]:
    return {**asdict(row), "cells": list(row.cells)}


def _total(count: int) -> str:
    if not count:
        return "No rejected row is open.\n"
    are = "1 rejected row is" if count == 1 else f"{count:,} rejected rows are"
    return (
        f"{are} still open. Mend them in the copies that `broodyear mend --out DIR` writes and load those, or "
        "dismiss one: `broodyear mend --dismiss FILE#LINE --reason TEXT`.\n"
    )
