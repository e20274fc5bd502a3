"""Stores of an earlier version brought up to date: what this version declares is made, and no row is lost."""

from __future__ import annotations

import duckdb

from broodyear.schemas import Table, all_tables
from broodyear.store.catalogue import columns_of, words_of
from broodyear.store.layout import (
    LEDGER,
    STORE_VERSION,
    create_type,
    current_view,
    received_columns,
    received_table,
    words_types,
)


def bring_up_to_date(connection: duckdb.DuckDBPyConnection) -> None:
    """Make the tables, columns and words that an older store lacks, in one transaction.

    Uploads that came before there was a note of it count as told.
    """
    connection.execute("BEGIN")
    try:
        for table in all_tables():
            connection.execute(f"DROP VIEW IF EXISTS {table.name}")
        untold = "told_at" not in columns_of(connection, "uploads")
        for name, columns in LEDGER.items():
            _complete(connection, name, columns)
        if untold:
            connection.execute("UPDATE uploads SET told_at = loaded_at")
        for table in all_tables():
            if not _is_as_declared(connection, table):
                _make_anew(connection, table)
            connection.execute(current_view(table))
        connection.execute("UPDATE meta SET value = ? WHERE key = 'store_version'", [str(STORE_VERSION)])
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise
    connection.execute("CHECKPOINT")


def _complete(connection: duckdb.DuckDBPyConnection, table: str, columns: dict[str, str]) -> None:
    """Create ``table``, or add the columns that it lacks."""
    there = columns_of(connection, table)
    listed = ", ".join(f'"{name}" {kind}' for name, kind in columns.items())
    connection.execute(f"CREATE TABLE IF NOT EXISTS {table} ({listed})")
    for name, kind in columns.items() if there else ():
        connection.execute(f'ALTER TABLE {table} ADD COLUMN IF NOT EXISTS "{name}" {kind}')


def _is_as_declared(connection: duckdb.DuckDBPyConnection, table: Table) -> bool:
    own = f"words_{table.name}_"
    known = {name: words for name, words in words_of(connection).items() if name.startswith(own)}
    there = columns_of(connection, f"received_{table.name}")
    return known == words_types(table) and list(there) == list(received_columns(table))


def _make_anew(connection: duckdb.DuckDBPyConnection, table: Table) -> None:
    """Make the received table of ``table`` as it is declared now, and put its rows back."""
    received = f"received_{table.name}"
    there = columns_of(connection, received)
    if there:
        held = ", ".join(f'"{name}"{_plain(name, kind)}' for name, kind in there.items())
        connection.execute(f"CREATE OR REPLACE TEMP TABLE held AS SELECT {held} FROM {received}")
        connection.execute(f"DROP TABLE {received}")
    for name in words_of(connection):
        if name.startswith(f"words_{table.name}_"):
            connection.execute(f"DROP TYPE {name}")
    for name, allowed in words_types(table).items():
        connection.execute(create_type(name, allowed))
    connection.execute(received_table(table))
    if there:
        connection.execute(f"INSERT INTO {received} BY NAME SELECT * FROM held")
        connection.execute("DROP TABLE held")


def _plain(name: str, kind: str) -> str:
    return f'::VARCHAR AS "{name}"' if kind.startswith("ENUM") else ""
