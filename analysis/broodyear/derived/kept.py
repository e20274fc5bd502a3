"""Derived tables kept inside a store: its readings are worked through once a load, not in every report.

They live in the schema ``kept`` beside a fingerprint of all they rest on: the ledger, the settings and the text of
the queries. Whoever finds another fingerprint works everything out anew and never looks at them.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection
from typing import TYPE_CHECKING

from broodyear.derived.catalogue import MACROS, all_queries
from broodyear.derived.headers import Query

if TYPE_CHECKING:
    import duckdb

    from broodyear.settings import Settings

#: Below this many standing rows all derived tables take half a second: too little to keep a second copy for.
KEEP_FROM_ROWS = 100_000

_LEDGER_STATE = "SELECT upload, sha256, rows_accepted, withdrawn, withdrawn_at FROM uploads ORDER BY upload"
_STANDING_ROWS = "SELECT coalesce(sum(rows_accepted), 0) FROM uploads WHERE NOT withdrawn"
_KEEPS = (
    "SELECT count(*) FROM duckdb_tables()"
    " WHERE database_name = current_database() AND schema_name = 'kept' AND table_name = 'fingerprint'"
)


def own_name(connection: duckdb.DuckDBPyConnection) -> str:
    """Name of the database in use, quoted for SQL: it follows the file, which may be called anything."""
    row = connection.execute("SELECT current_database()").fetchone()
    assert row is not None
    return '"' + str(row[0]).replace('"', '""') + '"'


def queries_to_keep() -> dict[str, Query]:
    """The queries whose tables are kept, in running order: all that make a table."""
    return {name: query for name, query in all_queries().items() if name != MACROS and query.kept_as == "table"}


def is_large(connection: duckdb.DuckDBPyConnection) -> bool:
    """Whether the store holds enough rows for keeping to save anybody time."""
    row = connection.execute(_STANDING_ROWS).fetchone()
    return row is not None and int(row[0]) >= KEEP_FROM_ROWS


def fingerprint(connection: duckdb.DuckDBPyConnection, settings: Settings) -> str:
    """A digest of the ledger, the settings and the queries: equal digests mean equal derived tables."""
    digest = hashlib.sha256(repr(settings).encode())
    for query in all_queries().values():
        digest.update(query.text.encode())
    digest.update(repr(connection.execute(_LEDGER_STATE).fetchall()).encode())
    return digest.hexdigest()


def kept_tables(connection: duckdb.DuckDBPyConnection, settings: Settings) -> frozenset[str]:
    """Names of the derived tables the store keeps for exactly its present rows and these settings; often none."""
    found = connection.execute(_KEEPS).fetchone()
    if found is None or not found[0]:
        return frozenset()
    kept_for = connection.execute(f"SELECT fingerprint FROM {_schema(connection)}.fingerprint").fetchone()
    if kept_for is None or kept_for[0] != fingerprint(connection, settings):
        return frozenset()
    return frozenset(queries_to_keep())


def show_kept(connection: duckdb.DuckDBPyConnection, name: str) -> None:
    """Let the temporary view ``name`` stand for the kept table."""
    connection.execute(f"CREATE OR REPLACE TEMP VIEW {name} AS SELECT * FROM {_schema(connection)}.{name}")


def write_kept(connection: duckdb.DuckDBPyConnection, names: Collection[str], kept_for: str) -> None:
    """Keep the temporary tables ``names`` in the store, in place of what was kept, in one transaction."""
    schema = _schema(connection)
    connection.execute("BEGIN")
    try:
        drop_kept(connection)
        connection.execute(f"CREATE SCHEMA {schema}")
        for name in names:
            connection.execute(f"CREATE TABLE {schema}.{name} AS SELECT * FROM temp.{name}")
        connection.execute(f"CREATE TABLE {schema}.fingerprint AS SELECT ? AS fingerprint", [kept_for])
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise


def drop_kept(connection: duckdb.DuckDBPyConnection) -> None:
    """Forget what is kept, if anything is."""
    connection.execute(f"DROP SCHEMA IF EXISTS {_schema(connection)} CASCADE")


def _schema(connection: duckdb.DuckDBPyConnection) -> str:
    """The schema with the store's own name before it: a store file may be called kept, too."""
    return f"{own_name(connection)}.kept"
