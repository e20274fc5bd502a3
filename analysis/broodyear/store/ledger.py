"""The ledger of uploads: what came from which bytes, what it superseded, and taking an upload back."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import duckdb
import pandas as pd

from broodyear.schemas import Table
from broodyear.settings import Settings
from broodyear.store.layout import LEDGER, key_sql


@dataclass(frozen=True)
class Upload:
    """One file that was loaded. upload: its number; table: its tables, joined by a plus sign; rows_read =
    rows_accepted + rows_rejected; layout: what beside the bytes decided which rows it gave, blank for none."""

    upload: int
    path: str
    table: str
    sha256: str
    lines_read: int
    rows_read: int
    rows_accepted: int
    rows_rejected: int
    notes: tuple[str, ...]
    layout: str = ""


@dataclass(frozen=True)
class Part:
    """What an upload holds for one table. header, separator: of its cells, to write its rows out again; said: the
    declared columns that it has; rows_made = rows_accepted + rows_rejected."""

    table: str
    header: tuple[str, ...]
    separator: str
    said: tuple[str, ...]
    rows_made: int
    rows_accepted: int
    rows_rejected: int


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


def standing(connection: duckdb.DuckDBPyConnection, sha256: str, layout: str = "") -> list[Earlier]:
    """The uploads of exactly these bytes, read by the same layout, that were not withdrawn, in order."""
    query = (
        "SELECT upload, loaded_at FROM uploads WHERE sha256 = ? AND coalesce(layout, '') = ? AND NOT withdrawn "
        "ORDER BY upload"
    )
    return [Earlier(int(row[0]), row[1]) for row in connection.execute(query, [sha256, layout]).fetchall()]


def lacks_codes(connection: duckdb.DuckDBPyConnection, uploads: tuple[int, ...]) -> bool:
    """Whether rows of these uploads were kept out because a tank, site or batch was not known then."""
    listed = ", ".join(map(str, uploads))
    query = f"SELECT count(*) FROM findings WHERE upload IN ({listed}) AND rule LIKE 'unknown_%'"
    row = connection.execute(query).fetchone()
    return bool(row and row[0])


def held_lines(table: Table, uploads: Sequence[int]) -> str:
    """SQL of the spreadsheet lines that some uploads hold."""
    return f"SELECT line FROM received_{table.name} WHERE upload IN ({', '.join(map(str, uploads))})"


def lacks_withdrawn_rows(
    connection: duckdb.DuckDBPyConnection, table: Table, sha256: str, layout: str = ""
) -> bool:
    """Whether a withdrawn upload of these bytes, read by the same layout, held rows that no standing one holds."""
    lines = (
        f"SELECT line FROM received_{table.name} JOIN uploads USING (upload) "
        "WHERE sha256 = $sha256 AND coalesce(layout, '') = $layout"
    )
    query = f"SELECT count(*) FROM ({lines} AND withdrawn EXCEPT {lines} AND NOT withdrawn)"
    row = connection.execute(query, {"sha256": sha256, "layout": layout}).fetchone()
    return bool(row and row[0])


def record(
    connection: duckdb.DuckDBPyConnection, upload: Upload, parts: Sequence[Part], loaded_at: dt.datetime
) -> None:
    """Write one line of the ledger, and one for each table that the upload feeds; nobody was told of it yet."""
    line = (
        upload.upload, upload.path, upload.table, upload.sha256, loaded_at, upload.lines_read, upload.rows_read,
        upload.rows_accepted, upload.rows_rejected, False, None, list(upload.notes), None, upload.layout,
    )  # fmt: skip
    append(connection, "uploads", [line])
    rows = [
        (
            upload.upload, part.table, list(part.header), part.separator, list(part.said),
            part.rows_made, part.rows_accepted, part.rows_rejected,
        )
        for part in parts
    ]  # fmt: skip
    append(connection, "upload_parts", rows)


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


def append(connection: duckdb.DuckDBPyConnection, table: str, rows: Sequence[tuple[object, ...]]) -> None:
    """Add ``rows``, cells in the order in which ``LEDGER`` declares them, to one of the store's own tables."""
    if not rows:
        return
    columns = LEDGER[table]
    frame = pd.DataFrame(rows, columns=list(columns), dtype=object)
    connection.register("appended", frame)
    cast = ", ".join(f'"{name}"::{kind}' for name, kind in columns.items())
    named = ", ".join(f'"{name}"' for name in columns)
    connection.execute(f"INSERT INTO {table} ({named}) SELECT {cast} FROM appended")
    connection.unregister("appended")
