"""Rejected rows that are still to be mended, from every upload: worked out from the ledger whenever it is asked.

A row stays open until a row of its key arrives (under whichever of its joined labels), its mended copy is loaded,
its upload is withdrawn, or somebody dismisses it. Withdrawing what closed a row opens it again.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Sequence

import duckdb

from broodyear.derived import statement
from broodyear.errors import UsageError
from broodyear.schemas import TABLE_NAMES, Table, all_tables
from broodyear.settings import Settings
from broodyear.store.joining import label_sql
from broodyear.store.layout import key_columns, key_sql, sql_type
from broodyear.store.ledger import append


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


def _arrived(table: Table, first: int, settings: Settings) -> str:
    """SQL that takes out the rows whose key has come since, in a later row that stands."""
    kinds = [sql_type(table.column(name)) for name in table.primary_key]
    kinds += ["INTEGER"] if table.key_season_of else []
    parts = zip(key_columns(table), key_sql(table, settings, "n."), kinds, strict=True)
    same = " AND ".join(
        f"{label_sql(part + ('::VARCHAR' if kind == 'VARCHAR' else ''), column, settings)} = "
        f"{label_sql(f'TRY_CAST(w.key[{place}] AS {kind})', column, settings)}"
        for place, (column, part, kind) in enumerate(parts, start=1)
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
    for place in places:
        path, _, line = place.rpartition("#")
        found = []
        if line.isdecimal():
            query = "SELECT DISTINCT upload, line FROM waiting WHERE path = ? AND line = ?"
            found = connection.execute(query, [path, int(line)]).fetchall()
        if not found:
            raise UsageError(
                f"no row is open at {place!r}; write FILE#LINE as `broodyear mend` lists them, for example "
                "records/losses.csv#12"
            )
        closed += [(upload, number, reason, now) for upload, number in found]
    append(connection, "dismissed", closed)
    return len(closed)
