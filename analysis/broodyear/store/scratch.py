"""A store for the length of one check: what is checked is filed there, beside the rows of the real store."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import duckdb

from broodyear.errors import NothingToAnalyse
from broodyear.schemas import Table, all_tables
from broodyear.settings import Settings
from broodyear.store.handle import Store
from broodyear.store.layout import create_layout, current_rows, key_sql, names
from broodyear.store.opening import CONFIG, connect


@contextmanager
def scratch_store(
    folder: Path, store: str | Path | Store | None, settings: Settings
) -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection to a passing store in ``folder`` whose views also show the standing rows of ``store``.

    Raises StoreUnavailable when ``store`` cannot be read; a store that does not exist counts as empty.
    """
    kept = _copy_out(folder, store)
    connection = duckdb.connect(str(folder / "scratch.duckdb"), config=CONFIG)
    try:
        create_layout(connection)
        if kept:
            _show_kept_rows(connection, folder, settings)
        yield connection
    finally:
        connection.close()


def _copy_out(folder: Path, store: str | Path | Store | None) -> bool:
    """Write the standing rows of ``store`` beside the passing one; False when there is none."""
    if store is None:
        return False
    if isinstance(store, Store):
        _write_rows(store.connection, folder)
        return True
    try:
        connection = connect(Path(store), for_loading=False)
    except NothingToAnalyse:
        return False
    with connection:
        _write_rows(connection, folder)
    return True


def _write_rows(connection: duckdb.DuckDBPyConnection, folder: Path) -> None:
    for table in all_tables():
        connection.execute(f"COPY (SELECT * FROM {table.name}) TO '{folder}/kept_{table.name}.parquet'")
    connection.execute(f"COPY (SELECT * FROM uploads) TO '{folder}/kept_uploads.parquet'")


def _show_kept_rows(connection: duckdb.DuckDBPyConnection, folder: Path, settings: Settings) -> None:
    connection.execute(f"INSERT INTO uploads SELECT * FROM '{folder}/kept_uploads.parquet'")
    for table in all_tables():
        connection.execute(f"CREATE TABLE kept_{table.name} AS SELECT * FROM '{folder}/kept_{table.name}.parquet'")
        connection.execute(f"CREATE OR REPLACE VIEW {table.name} AS {_both(table, settings)}")


def _both(table: Table, settings: Settings) -> str:
    old, new = key_sql(table, settings, "k."), key_sql(table, settings, "r.")
    same = " AND ".join(f"{left} = {right}" for left, right in zip(old, new, strict=True))
    return (
        f"{current_rows(table)} UNION ALL SELECT {names(table, 'k.')}, k.upload, k.line "
        f"FROM kept_{table.name} AS k WHERE NOT EXISTS (SELECT 1 FROM received_{table.name} AS r WHERE {same})"
    )
