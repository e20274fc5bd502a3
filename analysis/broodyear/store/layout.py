"""The tables inside a store file, made from the declarations of the uploaded tables.

Every row that was ever accepted stays in ``received_<table>`` with the upload and spreadsheet line it came from;
the view ``<table>`` shows the rows as they now read. No key constraint is declared on the tables: the loader
keeps keys and references, set-wise, at a small part of the cost.

A database file can carry views, macros, defaults and triggers, which run when it is read or written. A store is
opened only when it has the views of its own tables and nothing else of the kind: what this version makes, or an
earlier one, which is brought up to date without losing a row.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from functools import cache

import duckdb

from broodyear.derived import statement, transaction
from broodyear.schemas import TABLE_NAMES, Column, Table, all_tables
from broodyear.settings import Settings

#: Raise it with any change to the tables of a store, declared ones included; ``migration`` mends older ones.
STORE_VERSION = 5

_TYPES = {
    "code": "VARCHAR", "text": "VARCHAR", "integer": "BIGINT", "count": "INTEGER", "year": "INTEGER",
    "number": "DOUBLE", "boolean": "BOOLEAN", "date": "DATE", "moment": "TIMESTAMP",
}  # fmt: skip

#: The store's own tables: name -> column -> type. ``told_at``: when somebody was told what became of the upload;
#: ``layout``: what beside the bytes decided which rows it gave.
LEDGER: dict[str, dict[str, str]] = {
    "meta": {"key": "VARCHAR", "value": "VARCHAR"},
    "uploads": {
        "upload": "INTEGER", "path": "VARCHAR", "table_name": "VARCHAR", "sha256": "VARCHAR",
        "loaded_at": "TIMESTAMP", "lines_read": "BIGINT", "rows_read": "BIGINT", "rows_accepted": "BIGINT",
        "rows_rejected": "BIGINT", "withdrawn": "BOOLEAN", "withdrawn_at": "TIMESTAMP", "notes": "VARCHAR[]",
        "told_at": "TIMESTAMP", "layout": "VARCHAR",
    },
    "upload_parts": {
        "upload": "INTEGER", "table_name": "VARCHAR", "header": "VARCHAR[]", "separator": "VARCHAR",
        "said": "VARCHAR[]",
        "rows_made": "BIGINT", "rows_accepted": "BIGINT", "rows_rejected": "BIGINT",
    },
    "rejected_rows": {
        "upload": "INTEGER", "line": "BIGINT", "table_name": "VARCHAR", "raw": "VARCHAR", "problems": "VARCHAR",
        "mendable": "BOOLEAN", "key": "VARCHAR[]",
    },
    "dismissed": {"upload": "INTEGER", "line": "BIGINT", "reason": "VARCHAR", "dismissed_at": "TIMESTAMP"},
    "mended": {"upload": "INTEGER", "line": "BIGINT", "by_upload": "INTEGER"},
    "findings": {
        "upload": "INTEGER", "path": "VARCHAR", "line": "BIGINT", "table_name": "VARCHAR", "column": "VARCHAR",
        "value": "VARCHAR", "level": "VARCHAR", "rule": "VARCHAR", "message": "VARCHAR", "advice": "VARCHAR",
        "source_column": "VARCHAR",
    },
}  # fmt: skip
#: What every received row carries beside its values.
OWN_COLUMNS = {"upload": "INTEGER", "line": "BIGINT", "superseded_by": "INTEGER"}


def quoted(text: str) -> str:
    """``text`` as a string in SQL."""
    return "'" + text.replace("'", "''") + "'"


def sql_type(column: Column) -> str:
    """DuckDB type of ``column`` as it is read."""
    return _TYPES[column.kind]


def words_type(table: Table, column: Column) -> str | None:
    """Name of the type of a column that holds one of a few words, None for any other column.

    A word is stored as its number: ten million readings are written in half the time and a tenth of the space.
    Words that the settings may add to are stored as text.
    """
    return f"words_{table.name}_{column.name}" if column.allowed and not column.is_open else None


def hour_flag(column: Column) -> str:
    """Name of the column that says whether the hour of a moment is known."""
    return f"{column.name}_has_hour"


def value_columns(table: Table) -> tuple[tuple[str, str], ...]:
    """Name and stored type of what is kept of a row: its columns, each moment followed by its hour flag."""
    columns: list[tuple[str, str]] = []
    for column in table.columns:
        columns.append((column.name, words_type(table, column) or sql_type(column)))
        if column.kind == "moment":
            columns.append((hour_flag(column), "BOOLEAN"))
    return tuple(columns)


def names(table: Table, prefix: str = "") -> str:
    """The value columns of ``table`` as a list in SQL."""
    return ", ".join(f'{prefix}"{name}"' for name, _ in value_columns(table))


def shown(table: Table) -> str:
    """The value columns of ``table`` as they are read, in SQL: words as text."""
    words = {column.name for column in table.columns if words_type(table, column)}
    listed = (
        f'"{name}"::VARCHAR AS "{name}"' if name in words else f'"{name}"' for name, _ in value_columns(table)
    )
    return ", ".join(listed)


def key_sql(table: Table, settings: Settings, prefix: str = "") -> tuple[str, ...]:
    """SQL expressions that together make a row of ``table`` unique."""
    key = [f'{prefix}"{name}"' for name in table.primary_key]
    if table.key_season_of:
        day, start = (
            f'{prefix}"{table.key_season_of}"',
            settings.season_start_month * 100 + settings.season_start_day,
        )
        key.append(f"(year({day}) - (month({day}) * 100 + day({day}) < {start})::INTEGER)")
    return tuple(key)


def same_key(table: Table, settings: Settings, one: str, other: str) -> str:
    """SQL that tells whether two rows (prefixes ``one`` and ``other``) have the same key."""
    pairs = zip(key_sql(table, settings, one), key_sql(table, settings, other), strict=True)
    return " AND ".join(f"{left} = {right}" for left, right in pairs)


def key_columns(table: Table) -> tuple[str, ...]:
    """The columns that the parts of ``key_sql`` are of."""
    return (*table.primary_key, *([table.key_season_of] if table.key_season_of else []))


def unsaid_columns(table: Table, given: Collection[str]) -> list[Column]:
    """The columns that a file lacks which says ``said``, but for those that tell its rows apart."""
    own = {*given, *key_columns(table)}
    return [column for column in table.columns if column.name not in own]


def merged_values(table: Table, columns: Sequence[Column]) -> str:
    """SQL that sets ``columns`` of a row ``n`` to what an earlier row ``e`` of its key holds."""
    return ", ".join(
        f'"{name}" = {_merged(table, name)}::{kind}'
        for name, kind in value_columns(table)
        if any(name in (column.name, hour_flag(column)) for column in columns)
    )


def _merged(table: Table, name: str) -> str:
    if (table.name, name) == ("losses", "entry"):
        # Whether dead were counted follows from the number, where that has come or gone.
        counted_alike = '(n."dead" IS NULL) = (e."dead" IS NULL)'
        return f'CASE WHEN {counted_alike} THEN e."entry"::VARCHAR ELSE n."entry"::VARCHAR END'
    return f'e."{name}"'


def unsaid_values(table: Table, columns: Sequence[Column]) -> str:
    """SQL that sets ``columns`` of a row ``n`` to what they are when no file has said anything."""
    return ", ".join(
        f'"{name}" = {_default(table, name)}::{kind}'
        for name, kind in value_columns(table)
        if any(name in (column.name, hour_flag(column)) for column in columns)
    )


def _default(table: Table, name: str) -> str:
    if (table.name, name) == ("losses", "entry"):
        return "CASE WHEN n.\"dead\" IS NULL THEN 'unknown' ELSE 'counted' END"
    defaults = {column.name: column.default for column in table.columns}
    return "NULL" if defaults.get(name) is None else f"'{defaults[name]}'"


def create_layout(connection: duckdb.DuckDBPyConnection) -> None:
    """Create the ledger, a received table and a view for each declared table, and write the store's version."""
    made = []
    for name, columns in LEDGER.items():
        listed = ", ".join(f'"{column}" {kind}' for column, kind in columns.items())
        made.append(f"CREATE TABLE {name} ({listed})")
    for table in all_tables():
        made += [create_type(name, allowed) for name, allowed in words_types(table).items()]
        made += [received_table(table), current_view(table)]
    made.append(f"INSERT INTO meta VALUES ('store_version', '{STORE_VERSION}')")
    with transaction(connection):
        connection.execute("; ".join(made))


def words_types(table: Table) -> dict[str, tuple[str, ...]]:
    """Name of each type of words that ``table`` needs -> its words."""
    needed = ((words_type(table, column), column.allowed) for column in table.columns)
    return {name: tuple(allowed) for name, allowed in needed if name}


def create_type(name: str, allowed: Sequence[str]) -> str:
    """SQL that makes the type ``name`` of the words ``allowed``."""
    words = ", ".join(map(quoted, allowed))
    return f"CREATE TYPE {name} AS ENUM ({words})"


#: How columns are packed that hold the same value for many rows on end. Left alone, the database tries its other
#: ways on every block first, which takes a sixth of the time of writing ten million readings.
_IN_RUNS = "USING COMPRESSION rle"


def received_columns(table: Table) -> dict[str, str]:
    """Name and stored type of each column of ``received_<table>``."""
    return {**dict(value_columns(table)), **OWN_COLUMNS}


def received_table(table: Table) -> str:
    """SQL that creates ``received_<table>``."""
    columns = []
    for name, kind in received_columns(table).items():
        in_runs = kind == "BOOLEAN" or kind.startswith("words_") or name in ("upload", "superseded_by")
        columns.append(f'"{name}" {kind}{f" {_IN_RUNS}" if in_runs else ""}')
    return f"CREATE TABLE received_{table.name} ({', '.join(columns)})"


def current_view(table: Table) -> str:
    """SQL of the view that shows the rows of ``table`` as they now read."""
    return f"CREATE OR REPLACE VIEW {table.name} AS {current_rows(table)}"


def current_rows(table: Table) -> str:
    """SQL that selects the rows of ``table`` as they now read."""
    return (
        f"SELECT {shown(table)}, upload, line FROM received_{table.name} WHERE superseded_by IS NULL "
        "AND upload NOT IN (SELECT upload FROM uploads WHERE withdrawn)"
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
    for table, column, *_ in sorted(tuple(map(str, row)) for row in found ^ expected_columns):
        return f"the column {table[:60]}.{column[:60]}, or lacks it as broodyear makes it"
    return None


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


def may_have_rows(connection: duckdb.DuckDBPyConnection) -> frozenset[str]:
    """The uploaded tables of which some database at hand may hold a row; of all others none does."""
    filled = connection.execute("SELECT table_name FROM duckdb_tables() WHERE estimated_size > 0").fetchall()
    return frozenset(str(name).removeprefix("received_") for (name,) in filled)


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
        plain = {name: f'::VARCHAR AS "{name}"' for name, kind in there.items() if kind.startswith("ENUM")}
        held = ", ".join(f'"{name}"{plain.get(name, "")}' for name in there)
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
