"""The ledger of uploads: what came from which bytes, what it superseded, and taking an upload back."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import duckdb
import pandas as pd

from broodyear.errors import UsageError
from broodyear.schemas import Table, all_tables
from broodyear.settings import Settings
from broodyear.store.layout import key_sql


@dataclass(frozen=True)
class Upload:
    """One file that was loaded. upload: its number; rows_read = rows_accepted + rows_rejected."""

    upload: int
    path: str
    table: str
    sha256: str
    lines_read: int
    rows_read: int
    rows_accepted: int
    rows_rejected: int
    notes: tuple[str, ...]


def next_number(connection: duckdb.DuckDBPyConnection) -> int:
    """Number of the next upload."""
    row = connection.execute("SELECT coalesce(max(upload), 0) + 1 FROM uploads").fetchone()
    assert row is not None
    return int(row[0])


@dataclass(frozen=True)
class Earlier:
    """A standing upload: its number, and when it was loaded (UTC)."""

    upload: int
    loaded_at: dt.datetime


def standing(connection: duckdb.DuckDBPyConnection, sha256: str) -> list[Earlier]:
    """The uploads of exactly these bytes that were not withdrawn, in order."""
    query = "SELECT upload, loaded_at FROM uploads WHERE sha256 = ? AND NOT withdrawn ORDER BY upload"
    return [Earlier(int(row[0]), row[1]) for row in connection.execute(query, [sha256]).fetchall()]


def lacks_codes(connection: duckdb.DuckDBPyConnection, uploads: tuple[int, ...]) -> bool:
    """Whether rows of these uploads were kept out because a tank, site or batch was not known then."""
    listed = ", ".join(map(str, uploads))
    query = f"SELECT count(*) FROM findings WHERE upload IN ({listed}) AND rule LIKE 'unknown_%'"
    row = connection.execute(query).fetchone()
    return bool(row and row[0])


def held_lines(table: Table, uploads: Sequence[int]) -> str:
    """SQL of the spreadsheet lines that some uploads hold."""
    return f"SELECT line FROM received_{table.name} WHERE upload IN ({', '.join(map(str, uploads))})"


def lacks_withdrawn_rows(connection: duckdb.DuckDBPyConnection, table: Table, sha256: str) -> bool:
    """Whether a withdrawn upload of these bytes held rows that no standing one holds."""
    lines = f"SELECT line FROM received_{table.name} JOIN uploads USING (upload) WHERE sha256 = $sha256"
    query = f"SELECT count(*) FROM ({lines} AND withdrawn EXCEPT {lines} AND NOT withdrawn)"
    row = connection.execute(query, {"sha256": sha256}).fetchone()
    return bool(row and row[0])


def record(connection: duckdb.DuckDBPyConnection, upload: Upload, loaded_at: dt.datetime) -> None:
    """Write one line of the ledger."""
    connection.execute(
        "INSERT INTO uploads VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, false, NULL, ?)",
        [
            upload.upload, upload.path, upload.table, upload.sha256, loaded_at, upload.lines_read,
            upload.rows_read, upload.rows_accepted, upload.rows_rejected, list(upload.notes),
        ],
    )  # fmt: skip


def supersede(connection: duckdb.DuckDBPyConnection, table: Table, upload: int, settings: Settings) -> int:
    """Mark the standing rows of earlier uploads that ``upload`` has again. Returns how many there were."""
    old, new = key_sql(table, settings, "r."), key_sql(table, settings, "n.")
    same = " AND ".join(f"{left} = {right}" for left, right in zip(old, new, strict=True))
    row = connection.execute(
        f"UPDATE received_{table.name} AS r SET superseded_by = {upload} FROM received_{table.name} AS n "
        f"WHERE n.upload = {upload} AND r.upload <> {upload} AND r.superseded_by IS NULL AND {same} "
        "AND r.upload NOT IN (SELECT upload FROM uploads WHERE withdrawn)"
    ).fetchone()
    return int(row[0]) if row else 0


def withdraw(connection: duckdb.DuckDBPyConnection, upload: int, now: dt.datetime, settings: Settings) -> str:
    """Take one upload back: everything then reads as if it had never come. Returns a sentence about it.

    Rows it superseded stand again, or fall to the later upload that superseded its own row.
    Raises UsageError when there is no such upload, or it is withdrawn already.
    """
    query = "SELECT table_name, withdrawn, path, rows_accepted FROM uploads WHERE upload = ?"
    row = connection.execute(query, [upload]).fetchone()
    if row is None:
        raise UsageError(f"there is no upload {upload}; see the numbers with: broodyear uploads")
    if row[1]:
        raise UsageError(f"upload {upload} is withdrawn already")
    table = next(table for table in all_tables() if table.name == row[0])
    connection.execute("BEGIN")
    try:
        _give_back(connection, table, upload, settings)
        connection.execute("UPDATE uploads SET withdrawn = true, withdrawn_at = ? WHERE upload = ?", [now, upload])
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise
    rows = f"{row[3]:,} {'row' if row[3] == 1 else 'rows'}"
    return f"upload {upload} ({row[2]}, {row[0]}, {rows}) is withdrawn; load the file again to bring it back"


def _give_back(connection: duckdb.DuckDBPyConnection, table: Table, upload: int, settings: Settings) -> None:
    old, new = key_sql(table, settings, "r."), key_sql(table, settings, "n.")
    same = " AND ".join(f"{left} = {right}" for left, right in zip(old, new, strict=True))
    connection.execute(
        f"UPDATE received_{table.name} AS r SET superseded_by = n.superseded_by FROM received_{table.name} AS n "
        f"WHERE n.upload = {upload} AND r.superseded_by = {upload} AND {same}"
    )


def append(connection: duckdb.DuckDBPyConnection, table: str, rows: Sequence[tuple[object, ...]]) -> None:
    """Add ``rows`` to one of the store's own tables, set-wise."""
    if not rows:
        return
    names = [
        str(row[0]) for row in connection.execute(f"SELECT name FROM pragma_table_info('{table}')").fetchall()
    ]
    frame = pd.DataFrame(rows, columns=names, dtype=object)
    connection.register("appended", frame)
    connection.execute(f"INSERT INTO {table} SELECT * FROM appended")
    connection.unregister("appended")
