"""What a database holds besides rows: a store is opened only when that is what broodyear itself would make.

A database file can carry views, macros, defaults and triggers, which run when it is read or written. A store has
the views of its own tables and nothing else of the kind.
"""

from __future__ import annotations

from functools import cache

import duckdb

from broodyear.schemas import TABLE_NAMES
from broodyear.store.layout import create_layout

_HERE = "database_name = current_database() AND NOT internal"
_COLUMNS = (
    "SELECT table_name, column_name, data_type, is_nullable, column_default FROM duckdb_columns() "
    f"WHERE {_HERE} AND schema_name = 'main'"
)
_VIEWS = f"SELECT view_name, sql FROM duckdb_views() WHERE {_HERE} AND NOT temporary"
#: Whatever no store ever has: kind, name.
_STRANGE = f"""
    SELECT 'macro', function_name FROM duckdb_functions() WHERE {_HERE}
    UNION ALL SELECT 'sequence', sequence_name FROM duckdb_sequences() WHERE database_name = current_database()
    UNION ALL SELECT 'index', index_name FROM duckdb_indexes() WHERE database_name = current_database()
    UNION ALL SELECT 'constraint', constraint_text FROM duckdb_constraints()
        WHERE database_name = current_database()
    UNION ALL SELECT 'trigger', trigger_name FROM duckdb_triggers() WHERE database_name = current_database()
    UNION ALL SELECT 'schema', schema_name FROM duckdb_schemas() WHERE {_HERE} AND schema_name <> 'kept'
    UNION ALL SELECT 'default', table_name || '.' || column_name FROM duckdb_columns()
        WHERE {_HERE} AND column_default IS NOT NULL
"""


def foreign_part(connection: duckdb.DuckDBPyConnection, *, same_version: bool = True) -> str | None:
    """What the database holds that a store does not, or lacks, in words; None when it is broodyear's own.

    same_version: it should be exactly what this version makes; otherwise only what no version makes is looked for.
    The catalogue is listed only: nothing in it is run.
    """
    strange = connection.execute(_STRANGE).fetchone()
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
