"""Uploads of which nobody was told, because the load that filed them was stopped or killed: the next tells them.

All that is told of an upload stands in the ledger, written in the same transaction as its rows.
"""

from __future__ import annotations

import json
from collections.abc import Sequence

import duckdb

from broodyear.findings import FileReport, Finding
from broodyear.intake.filing import Filed, last_is_text
from broodyear.intake.rejected import Rejected, RejectedRows
from broodyear.schemas import table

_UPLOAD = (
    "SELECT path, table_name, lines_read, rows_read, rows_accepted, rows_rejected, notes, loaded_at "
    "FROM uploads WHERE upload = ?"
)
_FINDINGS = (
    'SELECT path, line, table_name, "column", "value", level, rule, message, advice FROM findings '
    "WHERE upload = ? ORDER BY line IS NULL, line"
)
_REJECTED = "SELECT line, raw, problems, mendable FROM rejected_rows WHERE upload = ? ORDER BY line"
ROWS_PER_PAGE = 50_000


def from_ledger(connection: duckdb.DuckDBPyConnection, uploads: Sequence[int]) -> dict[int, Filed]:
    """What became of ``uploads`` by number, as the load that filed them would have told it."""
    return {upload: _from_ledger(connection, upload) for upload in uploads}


def _from_ledger(connection: duckdb.DuckDBPyConnection, upload: int) -> Filed:
    row = connection.execute(_UPLOAD, [upload]).fetchall()
    path, name, lines, rows, accepted, rejected, notes, loaded_at = row[0]
    late = f"loaded {loaded_at:%Y-%m-%d %H:%M} (UTC) as upload {upload}, by a run that ended before it told of it"
    header, separator = _form(connection, upload)
    return Filed(
        FileReport(path, name, lines, rows, accepted, rejected, (*notes, late)),
        [Finding(*row) for row in connection.execute(_FINDINGS, [upload]).fetchall()],
        _rejected(connection, upload),
        header,
        separator,
        last_is_text(table(name), header),
        upload,
    )


def _form(connection: duckdb.DuckDBPyConnection, upload: int) -> tuple[tuple[str, ...], str]:
    [(header, separator)] = connection.execute(
        "SELECT header, separator FROM upload_parts WHERE upload = ?", [upload]
    ).fetchall()
    return tuple(header), str(separator)


def _rejected(connection: duckdb.DuckDBPyConnection, upload: int) -> RejectedRows:
    rows = RejectedRows()
    found = connection.execute(_REJECTED, [upload])
    while page := found.fetchmany(ROWS_PER_PAGE):
        for line, raw, problems, mendable in page:
            rows.add(Rejected(int(line), tuple(json.loads(raw)), problems, bool(mendable)))
    return rows
