"""Taking an upload back: everything then reads as if it had never come."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import duckdb

from broodyear.derived import transaction
from broodyear.errors import UsageError
from broodyear.schemas import Column, Table, all_tables
from broodyear.settings import Settings
from broodyear.store.changes_under_way import UnderWay, begin, end
from broodyear.store.layout import merged_values, same_key, unsaid_columns, unsaid_values


def withdraw(connection: duckdb.DuckDBPyConnection, upload: int, now: dt.datetime, settings: Settings) -> str:
    """Take one upload back. Returns a sentence about it.

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
    with transaction(connection):
        connection.execute("UPDATE uploads SET withdrawn = true, withdrawn_at = ? WHERE upload = ?", [now, upload])
        for table in all_tables():
            if table.name in row[0].split("+"):
                _give_back(connection, table, upload, settings)
                _settle_again(connection, table, upload, settings)
        end(connection)
    rows = f"{row[3]:,} {'row' if row[3] == 1 else 'rows'}"
    return f"upload {upload} ({row[2]}, {row[0]}, {rows}) is withdrawn; load the file again to bring it back"


def _give_back(connection: duckdb.DuckDBPyConnection, table: Table, upload: int, settings: Settings) -> None:
    same = same_key(table, settings, "r.", "n.")
    connection.execute(
        f"UPDATE received_{table.name} AS r SET superseded_by = n.superseded_by FROM received_{table.name} AS n "
        f"WHERE n.upload = {upload} AND r.superseded_by = {upload} AND {same}"
    )


def _settle_again(connection: duckdb.DuckDBPyConnection, table: Table, upload: int, settings: Settings) -> None:
    """Work out anew what later files left as it was: it may have come from the upload that is gone."""
    later = connection.execute(
        "SELECT upload, said FROM upload_parts JOIN uploads USING (upload) WHERE upload > ? "
        "AND upload_parts.table_name = ? AND NOT withdrawn AND said IS NOT NULL ORDER BY upload",
        [upload, table.name],
    ).fetchall()
    for number, given in later:
        unsaid = unsaid_columns(table, given)
        if unsaid:
            _settle(connection, table, upload, int(number), unsaid, settings)


def _settle(
    connection: duckdb.DuckDBPyConnection,
    table: Table,
    gone: int,
    upload: int,
    unsaid: Sequence[Column],
    settings: Settings,
) -> None:
    """Give the rows of ``upload`` that have a key of the upload ``gone`` what their predecessors hold now."""
    received = f"received_{table.name}"
    concerned = f"n.upload = {upload} AND {same_key(table, settings, 'n.', 'g.')}"
    connection.execute(
        f"UPDATE {received} AS n SET {unsaid_values(table, unsaid)} FROM {received} AS g "
        f"WHERE g.upload = {gone} AND {concerned}"
    )
    connection.execute(
        f"UPDATE {received} AS n SET {merged_values(table, unsaid)} FROM {received} AS e JOIN {received} AS g "
        f"ON {same_key(table, settings, 'e.', 'g.')} WHERE g.upload = {gone} AND e.superseded_by = {upload} "
        f"AND e.upload NOT IN (SELECT upload FROM uploads WHERE withdrawn) AND {concerned}"
    )
