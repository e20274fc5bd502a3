"""Uploads of which nobody was told, because the load that filed them was stopped or killed: the next tells them.

All that is told of an upload stands in the ledger, written in the same transaction as its rows.
"""

from __future__ import annotations

from collections.abc import Sequence

import duckdb

from broodyear.findings import FileReport, Finding, TableCount
from broodyear.intake.filing import Filed, FiledPart
from broodyear.intake.rejected import Rejected, RejectedRows

_UPLOAD = (
    "SELECT path, table_name, lines_read, rows_read, rows_accepted, rows_rejected, notes, loaded_at "
    "FROM uploads WHERE upload = ?"
)
_FINDINGS = (
    'SELECT path, line, table_name, "column", "value", level, rule, message, advice, source_column FROM findings '
    "WHERE upload = ? ORDER BY line IS NULL, line"
)
_PARTS = (
    "SELECT table_name, header, separator, coalesce(rows_made, 0), coalesce(rows_accepted, 0), "
    "coalesce(rows_rejected, 0) FROM upload_parts WHERE upload = ?"
)
_REJECTED = (
    "SELECT line, raw, problems, mendable FROM rejected_rows WHERE upload = ? AND table_name = ? ORDER BY line"
)
ROWS_PER_PAGE = 50_000


def from_ledger(connection: duckdb.DuckDBPyConnection, uploads: Sequence[int]) -> dict[int, Filed]:
    """What became of ``uploads`` by number, as the load that filed them would have told it."""
    return {upload: _from_ledger(connection, upload) for upload in uploads}


def _from_ledger(connection: duckdb.DuckDBPyConnection, upload: int) -> Filed:
    row = connection.execute(_UPLOAD, [upload]).fetchall()
    path, name, lines, rows, accepted, rejected, notes, loaded_at = row[0]
    late = f"loaded {loaded_at:%Y-%m-%d %H:%M} (UTC) as upload {upload}, by a run that ended before it told of it"
    parts = connection.execute(_PARTS, [upload]).fetchall()
    counts = tuple(TableCount(table, *made) for table, _, _, *made in parts)
    filed = tuple(
        FiledPart(table, _rejected(connection, upload, table), tuple(header), str(separator))
        for table, header, separator, *_ in parts
    )
    repeated = sum(not row.mendable for part in filed for row in part.rejected)
    return Filed(
        FileReport(path, name, lines, rows, accepted, rejected, (*notes, late), counts, repeated),
        [Finding(*row) for row in connection.execute(_FINDINGS, [upload]).fetchall()],
        filed,
        upload,
    )


def _rejected(connection: duckdb.DuckDBPyConnection, upload: int, table: str) -> RejectedRows:
    rows = RejectedRows()
    found = connection.execute(_REJECTED, [upload, table])
    while page := found.fetchmany(ROWS_PER_PAGE):
        for line, raw, problems, mendable in page:
            rows.add(Rejected(int(line), raw, problems, bool(mendable)))
    return rows
