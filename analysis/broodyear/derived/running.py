"""Running the queries over an open store: each makes one temporary table of the connection.

Of a large store the derived tables are kept inside it, so that its readings are worked through once a load, not in
every report. They live in the schema ``kept`` beside a fingerprint of all they rest on: the ledger, the settings
and the text of the queries. Whoever finds another fingerprint works everything out anew and never looks at them.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING, Any

from broodyear.derived.catalogue import MACROS, Query, all_queries, needed_for, query_named
from broodyear.errors import NothingToAnalyse
from broodyear.settings import SPECIES_UNITS

if TYPE_CHECKING:
    import duckdb
    import pandas as pd

    from broodyear.settings import Settings


_KINDS = {"table": "TABLE", "view": "VIEW"}


def run_queries(
    connection: duckdb.DuckDBPyConnection,
    settings: Settings,
    names: Collection[str] | None = None,
    made: Collection[str] = (),
) -> frozenset[str]:
    """Make derived tables anew, as temporary tables of ``connection``; the store itself is not written.

    names: the tables wanted, made with all they read; every table when None. made: those that this connection has
    already, left as they are. What the store keeps for its present rows and these settings is shown as it is kept,
    and then all at once, which takes no time. The twelve tables must be there under their own names. Returns the
    tables made or shown. Raises NothingToAnalyse when one of the twelve is not there, UsageError for a name
    that no query makes.
    """
    _require_tables(connection, all_queries() if names is None else needed_for(names))
    kept = kept_tables(connection, settings)
    return _make_tables(connection, settings, None if kept else names, kept, made)


def keep_derived(connection: duckdb.DuckDBPyConnection, settings: Settings) -> bool:
    """Keep every derived table, unless of a small store, in the store, which ``connection`` has open for changes.

    Returns whether they are kept. What was kept for other rows or settings is dropped. ``connection`` is a session
    of its own for this: it is left full of temporary tables.
    """
    if not is_large(connection):
        drop_kept(connection)
        return False
    if not kept_tables(connection, settings):
        _make_tables(connection, settings, None, frozenset())
        write_kept(connection, queries_to_keep(), fingerprint(connection, settings))
    return True


def _make_tables(
    connection: duckdb.DuckDBPyConnection,
    settings: Settings,
    names: Collection[str] | None,
    kept: frozenset[str],
    made: Collection[str] = (),
) -> frozenset[str]:
    """Make or show the tables ``names`` with all they read; a kept one needs nothing that it reads."""
    wanted = all_queries() if names is None else needed_for(names, {*kept, *made})
    wanted = {name: query for name, query in wanted.items() if name not in made}
    _clear_kinds(connection, {name: "view" if name in kept else query.kept_as for name, query in wanted.items()})
    for name, query in wanted.items():
        if name in kept:
            show_kept(connection, name)
        else:
            run_query(connection, query, settings)
    return frozenset(wanted)


def _clear_kinds(connection: duckdb.DuckDBPyConnection, kinds: Mapping[str, str]) -> None:
    """Drop temporary tables that are to be views from now on, and views that are to be tables."""
    found = connection.execute(
        "SELECT table_name, 'table' FROM duckdb_tables() WHERE temporary "
        "UNION ALL SELECT view_name, 'view' FROM duckdb_views() WHERE temporary AND NOT internal"
    ).fetchall()
    for name, kind in found:
        if kinds.get(name, kind) != kind:
            connection.execute(f"DROP {_KINDS[kind]} temp.{name}")


def run_query(connection: duckdb.DuckDBPyConnection, query: Query, settings: Settings) -> None:
    """Make one derived table anew; whatever it reads must be there."""
    if query.name == MACROS:
        connection.execute(query.text)
        return
    create = f"CREATE OR REPLACE TEMP {_KINDS[query.kept_as]} {query.name} AS\n"
    connection.execute(create + query.text, _parameters(query, settings))


def _parameters(query: Query, settings: Settings) -> dict[str, Any]:
    """The settings a query names with ``$``: the tables of settings do, and the pass over all readings."""
    acknowledged = settings.acknowledged
    species = settings.species
    known: dict[str, Any] = {
        **{name: value for name, value in vars(settings).items() if not isinstance(value, tuple)},
        **{f"species_{name}": [getattr(one, name) for one in species] for name in ("code", *SPECIES_UNITS)},
        "rules": [entry.rule for entry in acknowledged],
        "tank_ids": [entry.tank_id for entry in acknowledged],
        "reasons": [entry.reason for entry in acknowledged],
    }
    return {name: value for name, value in known.items() if f"${name}::" in query.text}


def _require_tables(connection: duckdb.DuckDBPyConnection, queries: Mapping[str, Query]) -> None:
    known = all_queries()
    read = {name for query in queries.values() for name in query.reads if name not in known}
    present = {row[0] for row in connection.execute("SELECT table_name FROM duckdb_tables()").fetchall()}
    present |= {row[0] for row in connection.execute("SELECT view_name FROM duckdb_views()").fetchall()}
    missing = sorted(read - present)
    if missing:
        raise NothingToAnalyse(f"the store has no table {', '.join(missing)}; load the records into it first")


def read_derived(connection: duckdb.DuckDBPyConnection, name: str) -> pd.DataFrame:
    """The derived table ``name`` as a frame, its rows in the order of its key; run_queries must have run before.

    Raises UsageError for a name no query makes.
    """
    query = query_named(name)
    order = f" ORDER BY {', '.join(query.key)}" if query.key else ""
    return connection.execute(f"SELECT * FROM {query.name}{order}").df()


#: Below this many standing rows all derived tables take half a second: too little to keep a second copy for.
KEEP_FROM_ROWS = 100_000

_LEDGER_STATE = "SELECT upload, sha256, rows_accepted, withdrawn, withdrawn_at FROM uploads ORDER BY upload"
_STANDING_ROWS = "SELECT coalesce(sum(rows_accepted), 0) FROM uploads WHERE NOT withdrawn"
_KEPT = "SELECT table_name FROM duckdb_tables() WHERE database_name = current_database() AND schema_name = 'kept'"


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
    """Digests of the settings, and of the ledger and the queries: equal ones mean equal derived tables."""
    digest = hashlib.sha256()
    for query in all_queries().values():
        digest.update(query.text.encode())
    digest.update(repr(connection.execute(_LEDGER_STATE).fetchall()).encode())
    return f"{_digest_of(settings)} {digest.hexdigest()}"


def _digest_of(settings: Settings) -> str:
    return hashlib.sha256(repr(settings).encode()).hexdigest()


def kept_tables(connection: duckdb.DuckDBPyConnection, settings: Settings) -> frozenset[str]:
    """Names of the derived tables the store keeps for exactly its present rows and these settings; often none."""
    kept_for = _kept_for(connection)
    if not kept_for or kept_for != fingerprint(connection, settings):
        return frozenset()
    return frozenset(queries_to_keep())


def has_other_settings(connection: duckdb.DuckDBPyConnection, settings: Settings) -> bool:
    """Whether the store keeps derived tables that were made with other settings than these."""
    with_settings, _, others = _kept_for(connection).partition(" ")
    # Earlier versions kept one digest of everything, which does not tell.
    return bool(others) and with_settings != _digest_of(settings)


def _kept_for(connection: duckdb.DuckDBPyConnection) -> str:
    """The fingerprint of what is kept, blank where nothing is."""
    table = kept_in_store(connection).get("fingerprint")
    row = connection.execute(f"SELECT fingerprint FROM {table}").fetchone() if table else None
    return str(row[0]) if row else ""


def show_kept(connection: duckdb.DuckDBPyConnection, name: str) -> None:
    """Let the temporary view ``name`` stand for the kept table."""
    connection.execute(f"CREATE OR REPLACE TEMP VIEW {name} AS SELECT * FROM {_schema(connection)}.{name}")


def write_kept(connection: duckdb.DuckDBPyConnection, names: Collection[str], kept_for: str) -> None:
    """Keep the temporary tables ``names`` in the store, in place of what was kept, in one transaction."""
    schema = _schema(connection)
    with transaction(connection):
        drop_kept(connection)
        connection.execute(f"CREATE SCHEMA IF NOT EXISTS {schema}")
        for name in names:
            connection.execute(f"CREATE TABLE {schema}.{name} AS SELECT * FROM temp.{name}")
        connection.execute(f"CREATE TABLE {schema}.fingerprint AS SELECT ? AS fingerprint", [kept_for])


@contextmanager
def transaction(connection: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """Let all that is changed in the block be changed, or nothing of it when an error leaves the block."""
    connection.execute("BEGIN")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        # Where the database has ended the transaction itself, what went wrong is being raised already.
        with suppress(Exception):
            connection.execute("ROLLBACK")
        raise


def drop_kept(connection: duckdb.DuckDBPyConnection) -> None:
    """Forget what is kept. The schema stays: in a file called kept it has no name to drop it by."""
    for table in kept_in_store(connection).values():
        connection.execute(f"DROP TABLE {table}")


def kept_in_store(connection: duckdb.DuckDBPyConnection) -> dict[str, str]:
    """The tables kept in the store, for whatever rows and settings, and each one's full name for SQL."""
    names = connection.execute(_KEPT).fetchall()
    return {str(name): f'{_schema(connection)}."{name}"' for (name,) in names}


def _schema(connection: duckdb.DuckDBPyConnection) -> str:
    """The schema with the store's own name before it: a store file may be called kept, too."""
    return f"{own_name(connection)}.kept"
