"""Opening a store file safely: what can go wrong is said in one sentence, and the file is left as it was."""

from __future__ import annotations

import contextlib
import os
import re
import uuid
from pathlib import Path

import duckdb

from broodyear.errors import NothingToAnalyse, StoreUnavailable
from broodyear.store.layout import STORE_VERSION, create_layout

#: Extensions are never fetched: opening a foreign file must not reach for the network.
CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
}

#: Every DuckDB file carries this mark at this position.
_MARK, _MARK_AT = b"DUCK", 8


def connect(path: Path, *, for_loading: bool) -> duckdb.DuckDBPyConnection:
    """A checked connection to the store at ``path``; a missing store is created when it is opened for loading.

    Raises NothingToAnalyse for a missing file that is only to be read, and StoreUnavailable for a file that is
    busy, damaged, not a store, or written by a newer version.
    """
    if not path.exists():
        if not for_loading:
            raise NothingToAnalyse(
                f"the store {path} does not exist; load records first, or name another with --store"
            )
        _create(path)
    elif not path.is_file():
        raise StoreUnavailable(f"{path} is not a file; name the file of a store with --store")
    connection = _open(path, read_only=not for_loading)
    try:
        _check_version(connection, path)
    except BaseException:
        connection.close()
        raise
    return connection


def _create(path: Path) -> None:
    """Make a new store beside ``path`` and move it there whole, so that a kill never leaves half a store."""
    new = path.with_name(f".{path.name}.{uuid.uuid4().hex}.new")
    try:
        with duckdb.connect(str(new), config=CONFIG) as connection:
            create_layout(connection)
        # It names tanks, places and people: whoever else works on this computer has no business in it.
        new.chmod(0o600)
        os.replace(new, path)
    except (duckdb.Error, OSError) as error:
        raise unavailable(path, error) from None
    finally:
        for leftover in (new, new.with_name(new.name + ".wal")):
            # Where nothing can be written, nothing was left either.
            with contextlib.suppress(OSError):
                leftover.unlink(missing_ok=True)


#: Resident memory can reach 1.3 times this; a load stays below 1.5 GiB on whatever machine.
MEMORY_FOR_LOADING = "1100MB"


def _open(path: Path, *, read_only: bool) -> duckdb.DuckDBPyConnection:
    _require_database(path)
    try:
        connection = duckdb.connect(str(path), read_only=read_only, config=CONFIG)
        if not read_only:
            connection.execute(f"SET memory_limit = '{MEMORY_FOR_LOADING}'")
        return connection
    except (duckdb.Error, RuntimeError, OSError) as error:
        raise unavailable(path, error) from None


def _require_database(path: Path) -> None:
    """Look at the first bytes ourselves: DuckDB opens more than databases, a CSV file for one."""
    try:
        with path.open("rb") as file:
            head = file.read(_MARK_AT + len(_MARK))
    except OSError as error:
        raise StoreUnavailable(f"{path} cannot be opened ({error.strerror}); check its permissions") from None
    if not head:
        raise StoreUnavailable(f"{path} is empty, not a store; remove it or name another with --store")
    if head[_MARK_AT:] != _MARK:
        raise StoreUnavailable(f"{path} is not a store; name another file with --store")


def _check_version(connection: duckdb.DuckDBPyConnection, path: Path) -> None:
    try:
        found = connection.execute("SELECT value FROM meta WHERE key = 'store_version'").fetchone()
    except duckdb.CatalogException:
        found = None
    except duckdb.Error as error:
        raise unavailable(path, error) from None
    if found is None or not str(found[0]).isdigit():
        raise StoreUnavailable(f"{path} is a database, but not a broodyear store; name another with --store")
    if int(found[0]) > STORE_VERSION:
        raise StoreUnavailable(
            f"{path} was written by a newer broodyear (store version {found[0]}, this one reads {STORE_VERSION}); "
            "update broodyear"
        )


def unavailable(path: Path, error: BaseException) -> StoreUnavailable:
    """What went wrong with the store at ``path``, in plain words instead of the database's."""
    text = str(error)
    if re.search(r"\block\b", text) or "different configuration" in text or "already open" in text.lower():
        holder = re.search(r"PID (\d+)", text)
        who = f" (process {holder.group(1)})" if holder else ""
        return StoreUnavailable(f"the store {path} is open in another program{who}; close it there and try again")
    if "newer version" in text or "version number" in text:
        return StoreUnavailable(f"the store {path} was written by a newer version; update broodyear and duckdb")
    if "not a valid DuckDB" in text:
        return StoreUnavailable(f"{path} is not a store; name another file with --store")
    if re.search(r"No space left|disk full|File too large|could not write|Could not write", text, re.I):
        return StoreUnavailable(f"the disk ran out of space while writing {path}; free some and try again")
    if re.search(r"Permission denied|read-only|Read-only|Cannot open file|Not a directory|No such file", text):
        return StoreUnavailable(f"{path} cannot be opened for writing here; check the folder and its permissions")
    return StoreUnavailable(
        f"the store {path} is damaged or cannot be read ({first_line(text)}); restore a copy of it"
    )


def first_line(text: str) -> str:
    """The first line of the database's message, cut short."""
    return text.strip().splitlines()[0][:160] if text.strip() else "no reason given"
