"""What a database holds besides rows: a store is opened only when that is what broodyear itself would make, of
this version or of an earlier one, which is brought up to date without losing a row.

A database file can carry views, macros, defaults and triggers, which run when it is read or written. A store has
the views of its own tables and nothing else of the kind.
"""

from __future__ import annotations

from functools import cache

import duckdb

from broodyear.derived import statement, transaction
from broodyear.schemas import TABLE_NAMES, Table, all_tables
from broodyear.store.layout import (
    LEDGER,
    STORE_VERSION,
    create_layout,
    create_type,
    current_view,
    received_columns,
    received_table,
    words_types,
)

_HERE = "database_name = current_database() AND NOT internal"
_COLUMNS = (
    "SELECT table_name, column_name, data_type, is_nullable, column_default FROM duckdb_columns() "
    f"WHERE {_HERE} AND schema_name = 'main'"
)
_VIEWS = f"SELECT view_name, sql FROM duckdb_views() WHERE {_HERE} AND NOT temporary"


def foreign_part(connection: duckdb.DuckDBPyConnection, *, same_version: bool = True) -> str | None:
    """What the database holds that a store does not, or lacks, in words; None when it is broodyear's own.

    same_version: it should be exactly what this version makes; otherwise only what no version makes is looked for.
    """
    strange = connection.execute(statement("store/foreign_objects")).fetchone()
    if strange is not None:
        return f"the {strange[0]} {str(strange[1])[:60]}"
    views = dict(connection.execute(_VIEWS).fetchall())
    unknown = sorted(views.keys() - set(TABLE_NAMES))
    if unknown:
        return f"the view {unknown[0][:60]}"
    return _difference(connection, views) if same_version else None


def _difference(connection: duckdb.DuckDBPyConnection, views: dict[str, str]) -> str | None:
    expected_columns, expected_views = _own_catalogue()
    for name in sorted(views.keys() | expected_views.keys()):
        if views.get(name) != expected_views.get(name):
            return f"another view {name} than broodyear makes"
    found = frozenset(connection.execute(_COLUMNS).fetchall())
    for table, column, *_ in sorted(map(_as_text, found ^ expected_columns)):
        return f"the column {table[:60]}.{column[:60]}, or lacks it as broodyear makes it"
    return None


def _as_text(row: tuple[object, ...]) -> tuple[str, ...]:
    return tuple(map(str, row))


@cache
def _own_catalogue() -> tuple[frozenset[tuple[object, ...]], dict[str, str]]:
    """The columns and views that this version makes, as this database engine describes them."""
    with duckdb.connect() as connection:
        create_layout(connection)
        columns = frozenset(connection.execute(_COLUMNS).fetchall())
        return columns, dict(connection.execute(_VIEWS).fetchall())


def columns_of(connection: duckdb.DuckDBPyConnection, table: str) -> dict[str, str]:
    """Name and type of each column of a table of the store; empty when there is no table of that name."""
    query = (
        "SELECT c.column_name, c.data_type FROM duckdb_columns() AS c "
        "JOIN duckdb_tables() AS t USING (database_name, table_oid) WHERE c.database_name = current_database() "
        "AND c.schema_name = 'main' AND c.table_name = ? ORDER BY column_index"
    )
    return {str(name): str(kind) for name, kind in connection.execute(query, [table]).fetchall()}


def words_of(connection: duckdb.DuckDBPyConnection) -> dict[str, tuple[str, ...]]:
    """Name of each type of words in the store -> its words."""
    query = "SELECT type_name, labels FROM duckdb_types() WHERE logical_type = 'ENUM' AND NOT internal"
    return {str(name): tuple(labels) for name, labels in connection.execute(query).fetchall()}


def bring_up_to_date(connection: duckdb.DuckDBPyConnection) -> None:
    """Make the tables, columns and words that an older store lacks, in one transaction.

    Uploads that came before there was a note of it count as told.
    """
    with transaction(connection):
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
        connection.execute(f"CREATE OR REPLACE TEMP TABLE rows_held AS SELECT {held} FROM {received}")
        connection.execute(f"DROP TABLE {received}")
    for name in words_of(connection):
        if name.startswith(f"words_{table.name}_"):
            connection.execute(f"DROP TYPE {name}")
    for name, allowed in words_types(table).items():
        connection.execute(create_type(name, allowed))
    connection.execute(received_table(table))
    if there:
        connection.execute(f"INSERT INTO {received} BY NAME SELECT * FROM rows_held")
        connection.execute("DROP TABLE rows_held")


def _plain(name: str, kind: str) -> str:
    return f'::VARCHAR AS "{name}"' if kind.startswith("ENUM") else ""
