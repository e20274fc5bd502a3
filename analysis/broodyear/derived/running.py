"""Running the queries over an open store: each makes one temporary table of the connection."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING, Any

from broodyear.derived.catalogue import MACROS, all_queries, needed_for, query_named
from broodyear.derived.headers import Query
from broodyear.derived.kept import (
    drop_kept,
    fingerprint,
    is_large,
    kept_tables,
    queries_to_keep,
    show_kept,
    write_kept,
)
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
