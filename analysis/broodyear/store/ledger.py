"""The ledger of uploads: what came from which bytes, what it superseded; and the rejected rows that are still to
be mended, worked out from it whenever it is asked.

A row stays open until a row of its key arrives (under whichever of its joined labels), its mended copy is loaded,
its upload is withdrawn, or somebody dismisses it. Withdrawing what closed a row opens it again.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterator, Sequence
from typing import Any

import duckdb
import pandas as pd

from broodyear.derived import statement
from broodyear.errors import UsageError
from broodyear.schemas import TABLE_NAMES, Table, all_tables
from broodyear.settings import Settings
from broodyear.store.joining import label_sql
from broodyear.store.layout import LEDGER, key_columns, key_sql, same_key, sql_type

ROWS_PER_PAGE = 50_000


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
        if len(rows) == 1:
            cells = ", ".join(f"?::{kind}" for kind in columns.values())
            connection.execute(f"INSERT INTO {table} ({named}) VALUES ({cells})", rows[0])
            return
        cells = ", ".join(f"unnest(?::{kind}[])" for kind in columns.values())
        by_column = [list(column) for column in zip(*rows, strict=True)]
        connection.execute(f"INSERT INTO {table} ({named}) SELECT {cells}", by_column)
        return
    connection.register("appended", pd.DataFrame(rows, columns=list(columns), dtype=object))
    cast = ", ".join(f'"{name}"::{kind}' for name, kind in columns.items())
    connection.execute(f"INSERT INTO {table} ({named}) SELECT {cast} FROM appended")
    connection.unregister("appended")


def find_open_rows(
    connection: duckdb.DuckDBPyConnection, settings: Settings, tables: Collection[str] = TABLE_NAMES
) -> None:
    """Make the temporary table ``waiting`` of the open rows of ``tables`` (queries/store/waiting.sql)."""
    connection.execute(
        f"CREATE OR REPLACE TEMP TABLE waiting AS {statement('store/waiting')}", {"tables": list(tables)}
    ).fetchall()
    rows = connection.execute("SELECT table_name, min(upload) FROM waiting WHERE key IS NOT NULL GROUP BY ALL")
    first = {str(name): int(upload) for name, upload in rows.fetchall()}
    for table in all_tables():
        if table.name in first:
            connection.execute(_arrived(table, first[table.name], settings)).fetchall()


def kept_out(connection: duckdb.DuckDBPyConnection, settings: Settings) -> pd.DataFrame:
    """The rows of the table ``waiting`` that name a tank, under joined labels (queries/store/kept_out.sql)."""
    rows = f"SELECT * REPLACE ({label_sql('tank_id', 'tank_id', settings)} AS tank_id) "
    start = settings.season_start_month * 100 + settings.season_start_day
    return connection.execute(f"{rows} FROM ({statement('store/kept_out')})", {"season_start": start}).df()


def _arrived(table: Table, first: int, settings: Settings) -> str:
    """SQL that takes out the rows whose key has come since, in a later row that stands."""
    kinds = [sql_type(table.column(name)) for name in table.primary_key]
    kinds += ["INTEGER"] if table.key_season_of else []
    parts = zip(key_columns(table), key_sql(table, settings, "n."), kinds, strict=True)
    same = " AND ".join(
        f"{label_sql(part + ('::VARCHAR' if kind == 'VARCHAR' else ''), column, settings)} = "
        f"{label_sql(f'TRY_CAST(w.key[{position}] AS {kind})', column, settings)}"
        for position, (column, part, kind) in enumerate(parts, start=1)
    )
    return (
        f"DELETE FROM waiting AS w USING received_{table.name} AS n WHERE w.table_name = '{table.name}' "
        f"AND n.upload >= {first} AND (n.upload, n.line) > (w.upload, w.line) AND {same} "
        "AND n.upload NOT IN (SELECT upload FROM uploads WHERE withdrawn)"
    )


def key_as_text(table: Table, settings: Settings, prefix: str = "") -> str:
    """SQL of the key of a row as a list of texts; NULL when a part of it cannot be read."""
    parts = key_sql(table, settings, prefix)
    readable = " AND ".join(f"{part} IS NOT NULL" for part in parts)
    return f"CASE WHEN {readable} THEN [{', '.join(f'{part}::VARCHAR' for part in parts)}] END"


def dismiss(
    connection: duckdb.DuckDBPyConnection, places: Sequence[str], reason: str, settings: Settings, now: dt.datetime
) -> int:
    """Close the open rows at ``places`` (FILE#LINE, the file as the ledger names it); returns how many there were.

    Raises UsageError, and closes nothing, when there is no open row at one of them.
    """
    find_open_rows(connection, settings)
    closed: list[tuple[object, ...]] = []
    for row in places:
        path, _, line = row.rpartition("#")
        found = []
        if line.isdecimal():
            query = "SELECT DISTINCT upload, line FROM waiting WHERE path = ? AND line = ?"
            found = connection.execute(query, [path, int(line)]).fetchall()
        if not found:
            raise UsageError(
                f"no row is open at {row!r}; write FILE#LINE as `broodyear mend` lists them, for example "
                "records/losses.csv#12"
            )
        closed += [(upload, number, reason, now) for upload, number in found]
    append(connection, "dismissed", closed)
    return len(closed)
