"""A passing store for the length of one check, where files are filed beside the rows of the real one."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from pathlib import Path

import duckdb

from broodyear.derived import own_name, transaction
from broodyear.errors import NothingToAnalyse
from broodyear.schemas import Table, all_tables
from broodyear.settings import Settings
from broodyear.stopping import interruptible
from broodyear.store.handle import Store
from broodyear.store.layout import current_rows, may_have_rows, names, quoted, same_key
from broodyear.store.opening import CONFIG, MEMORY_FOR_LOADING, connect, empty_store, is_full
from broodyear.workspace import temporary_files_full

_PASSING = "passing_store"


@contextmanager
def scratch_store(
    folder: Path, store: str | Path | Store | None, settings: Settings
) -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection to a passing store in ``folder`` whose views also show the standing rows of ``store``.

    store: an open store (a connection of its own is made to it), a path, or None. A path where
    there is no store counts as an empty one. Raises StoreUnavailable when the store cannot be read, and Refused
    when there is no room for the passing one.
    """
    file = folder / "passing.duckdb"
    file.write_bytes(empty_store())
    try:
        with _session_of(store) as kept, _beside(kept, file, settings) if kept else _alone(file) as connection:
            yield connection
    except duckdb.Error as error:
        if is_full(error):
            raise temporary_files_full() from None
        raise


def _session_of(store: str | Path | Store | None) -> AbstractContextManager[duckdb.DuckDBPyConnection | None]:
    """A session of the real store, for this check alone; None where there is none."""
    if isinstance(store, Store):
        return store.for_uploads()
    try:
        return nullcontext() if store is None else connect(Path(store), for_loading=False)
    except NothingToAnalyse:
        return nullcontext()


@contextmanager
def _alone(file: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    with interruptible(duckdb.connect(str(file), config=CONFIG)) as connection:
        connection.execute(f"SET memory_limit = '{MEMORY_FOR_LOADING}'")
        yield connection


@contextmanager
def _beside(
    connection: duckdb.DuckDBPyConnection, file: Path, settings: Settings
) -> Iterator[duckdb.DuckDBPyConnection]:
    """``connection`` with a passing store attached and in use, its views over both stores."""
    # Of tables without a row in the real store, the passing one's own views show all there is.
    kept, filled = own_name(connection), may_have_rows(connection)
    # It outlives no crash: nothing of it need reach the disk before it is gone.
    connection.execute(f"ATTACH {quoted(str(file))} AS {_PASSING} (READ_WRITE, RECOVERY_MODE NO_WAL_WRITES)")
    connection.execute(f"USE {_PASSING}")
    try:
        with transaction(connection):  # by itself, each statement would wait for the disk
            # Of set-ups it is asked which others they replaced.
            for name in ("uploads", "received_setups", "received_sites"):
                connection.execute(f"INSERT INTO {name} BY NAME SELECT * FROM {kept}.{name}")
            for table in all_tables():
                if table.name in filled:
                    connection.execute(f"CREATE OR REPLACE VIEW {table.name} AS {_both(table, kept, settings)}")
        yield connection
    finally:
        connection.execute(f"USE {kept}")
        connection.execute(f"DETACH {_PASSING}")


def _both(table: Table, kept: str, settings: Settings) -> str:
    same = same_key(table, settings, "k.", "r.")
    return (
        f"{current_rows(table)} UNION ALL SELECT {names(table, 'k.')}, k.upload, k.line "
        f"FROM {kept}.{table.name} AS k WHERE NOT EXISTS (SELECT 1 FROM received_{table.name} AS r WHERE {same})"
    )
