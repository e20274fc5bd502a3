"""Taking an upload back: everything then reads as if it had never come."""

from __future__ import annotations

import datetime as dt

import duckdb

from broodyear.errors import UsageError
from broodyear.schemas import Table, all_tables
from broodyear.settings import Settings
from broodyear.store.changes_under_way import UnderWay, begin, end
from broodyear.store.layout import key_sql


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
    begin(connection, UnderWay(now, withdrawing=upload))
    connection.execute("BEGIN")
    try:
        for table in all_tables():
            if table.name in row[0].split("+"):
                _give_back(connection, table, upload, settings)
        connection.execute("UPDATE uploads SET withdrawn = true, withdrawn_at = ? WHERE upload = ?", [now, upload])
        end(connection)
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
