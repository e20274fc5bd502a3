"""The ledger of uploads: what came from which bytes, what it superseded, and taking an upload back."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from typing import Any

import duckdb
import pandas as pd

from broodyear.schemas import Table
from broodyear.settings import Settings
from broodyear.store.layout import LEDGER, same_key

ROWS_PER_PAGE = 50_000


def next_number(connection: duckdb.DuckDBPyConnection) -> int:
    """Number of the next upload."""
    row = connection.execute("SELECT coalesce(max(upload), 0) + 1 FROM uploads").fetchone()
    assert row is not None
    return int(row[0])


def standing(connection: duckdb.DuckDBPyConnection, sha256: str, layout: str = "") -> dict[int, dt.datetime]:
    """The uploads of exactly these bytes, read by the same layout, that were not withdrawn, in order, each with
    when it was loaded (UTC)."""
    query = (
        "SELECT upload, loaded_at FROM uploads WHERE sha256 = ? AND coalesce(layout, '') = ? AND NOT withdrawn "
        "ORDER BY upload"
    )
    return dict(connection.execute(query, [sha256, layout]).fetchall())


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


def supersede(connection: duckdb.DuckDBPyConnection, table: Table, upload: int, settings: Settings) -> int:
    """Mark the standing rows of earlier uploads that ``upload`` has again. Returns how many there were."""
    row = connection.execute(
        f"UPDATE received_{table.name} AS r SET superseded_by = {upload} FROM received_{table.name} AS n "
        f"WHERE n.upload = {upload} AND r.upload <> {upload} AND r.superseded_by IS NULL "
        f"AND {same_key(table, settings, 'r.', 'n.')} "
        "AND r.upload NOT IN (SELECT upload FROM uploads WHERE withdrawn)"
    ).fetchone()
    return int(row[0]) if row else 0


def entries(connection: duckdb.DuckDBPyConnection, table: str, upload: int) -> Iterator[dict[str, Any]]:
    """What one of the store's own tables holds of an upload, in the order of lines, each with its cells by
    column. To be gone through before anything else is asked."""
    columns = LEDGER[table]
    named = ", ".join(f'"{name}"' for name in columns)
    order = " ORDER BY line" if "line" in columns else ""
    found = connection.execute(f"SELECT {named} FROM {table} WHERE upload = ?{order}", [upload])
    while page := found.fetchmany(ROWS_PER_PAGE):
        yield from (dict(zip(columns, row, strict=True)) for row in page)


#: Up to so many rows are handed over one by one: a frame takes 3 ms, and gains only from many rows.
_FEW_ROWS = 100


def append(connection: duckdb.DuckDBPyConnection, table: str, rows: Sequence[tuple[object, ...]]) -> None:
    """Add ``rows``, cells in the order in which ``LEDGER`` declares them, to one of the store's own tables."""
    if not rows:
        return
    columns = LEDGER[table]
    named = ", ".join(f'"{name}"' for name in columns)
    if len(rows) <= _FEW_ROWS:
        cells = ", ".join(f"unnest(?::{kind}[])" for kind in columns.values())
        by_column = [list(column) for column in zip(*rows, strict=True)]
        connection.execute(f"INSERT INTO {table} ({named}) SELECT {cells}", by_column)
        return
    connection.register("appended", pd.DataFrame(rows, columns=list(columns), dtype=object))
    cast = ", ".join(f'"{name}"::{kind}' for name, kind in columns.items())
    connection.execute(f"INSERT INTO {table} ({named}) SELECT {cast} FROM appended")
    connection.unregister("appended")
