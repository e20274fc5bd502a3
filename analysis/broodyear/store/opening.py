"""Opening a store file safely: what can go wrong is said in one sentence, and the file is left as it was."""

from __future__ import annotations

import contextlib
import os
import re
import uuid
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

import duckdb

from broodyear.errors import NothingToAnalyse, StoreUnavailable
from broodyear.stopping import interruptible
from broodyear.store.layout import STORE_VERSION, bring_up_to_date, columns_of, create_layout, foreign_part, quoted
from broodyear.workspace import temporary_files_full, working_folder

#: Extensions are never fetched: opening a foreign file must not reach for the network. What is detached before the
#: end of a run is thrown away, and need not be written out.
CONFIG: dict[str, str | bool | int | float | list[str]] = {
    "checkpoint_on_detach": "DISABLED",
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
}

#: Every DuckDB file carries this mark at this position.
_MARK, _MARK_AT = b"DUCK", 8


def connect(path: Path, *, for_loading: bool, temporary: Path | None = None) -> duckdb.DuckDBPyConnection:
    """A checked connection to the store at ``path``; a missing store is created when it is opened for loading.

    Nothing that the file brings along is run before it is known to be broodyear's own, and a store of an earlier
    version is brought up to date. temporary: folder for what does not fit into memory (default: beside the store).
    Raises NothingToAnalyse for a missing file that is only to be read, and StoreUnavailable for a file that is
    busy, damaged, not a store of broodyear's own, or written by a newer version.
    """
    is_new = False
    if not path.exists():
        if path.is_symlink():
            raise StoreUnavailable(
                f"{path} is a link to {os.readlink(path)}, which is not there; bring that back, or name another "
                "store with --store"
            )
        if not for_loading:
            raise NothingToAnalyse(
                f"the store {path} does not exist; load records first, or name another with --store"
            )
        is_new = _create(path)
    elif not path.is_file():
        raise StoreUnavailable(f"{path} is not a file; name the file of a store with --store")
    _require_database(path)
    try:
        with contextlib.ExitStack() as until_known:
            connection = until_known.enter_context(_opened(path, for_loading, temporary))
            if is_new or _require_own(connection, path) == STORE_VERSION:
                until_known.pop_all()
                return connection
        with _opened(path, True, temporary) as connection:
            _bring_up_to_date(connection, path)
        return connect(path, for_loading=for_loading, temporary=temporary)
    except (duckdb.Error, RuntimeError, OSError) as error:
        raise unavailable(path, error) from None


def _opened(path: Path, for_loading: bool, temporary: Path | None) -> duckdb.DuckDBPyConnection:
    connection = interruptible(duckdb.connect(str(path), read_only=not for_loading, config=CONFIG))
    if temporary is not None:
        connection.execute(f"SET temp_directory = {quoted_path(temporary)}")
    if for_loading:
        connection.execute(f"SET memory_limit = '{MEMORY_FOR_LOADING}'")
    return connection


def _require_own(connection: duckdb.DuckDBPyConnection, path: Path) -> int:
    """The version of the store. Raises StoreUnavailable when it is none that broodyear made, or a newer one."""
    version = _version(connection, path)
    foreign = foreign_part(connection, same_version=version == STORE_VERSION)
    if foreign is not None:
        raise StoreUnavailable(
            f"{path} is not a store as broodyear makes it: it holds {foreign}. What a database holds can run when "
            "it is read, so none is opened that something else has changed; load the records into a new store"
        )
    return version


def _version(connection: duckdb.DuckDBPyConnection, path: Path) -> int:
    """The version of the store."""
    found = None
    if columns_of(connection, "meta"):
        found = connection.execute("SELECT value FROM meta WHERE key = 'store_version'").fetchone()
    if found is None or not str(found[0]).isdigit():
        raise StoreUnavailable(f"{path} is a database, but not a broodyear store; name another with --store")
    if int(found[0]) > STORE_VERSION:
        raise StoreUnavailable(
            f"{path} was written by a newer broodyear (store version {found[0]}, this one reads {STORE_VERSION}); "
            "update broodyear"
        )
    return int(found[0])


def _bring_up_to_date(connection: duckdb.DuckDBPyConnection, path: Path) -> None:
    try:
        bring_up_to_date(connection)
    except duckdb.Error as error:
        raise StoreUnavailable(
            f"the store {path} was written by an earlier broodyear and cannot be brought up to date "
            f"({first_line(str(error))}); copy it to where it can be written, and name the copy with --store"
        ) from None


def shut_in(connection: duckdb.DuckDBPyConnection, folder: Path) -> None:
    """Let the database reach no file but its own and those in ``folder``, for good; only its share of memory can
    be changed afterwards."""
    connection.execute(f"SET allowed_directories = [{quoted_path(folder)}]")
    connection.execute("SET allowed_configs = ['memory_limit', 'schema', 'search_path']")
    connection.execute("SET enable_external_access = false")
    connection.execute("SET lock_configuration = true")


def quoted_path(path: Path) -> str:
    """A path as a text in SQL."""
    return quoted(str(path.absolute()))


def _create(path: Path) -> bool:
    """Make a new store beside ``path`` and move it there whole, so that a kill never leaves half a store.

    One that another run has put there meanwhile stays, and is used: whether ``path`` is the new store.
    """
    empty = empty_store()
    new = path.with_name(f".{path.name}.{uuid.uuid4().hex}.new")
    try:
        new.write_bytes(empty)
        # It names tanks, places and people: whoever else works on this computer has no business in it.
        new.chmod(0o600)
        return _put_in_place(new, path)
    except OSError as error:
        raise unavailable(path, error) from None
    finally:
        # Where nothing can be written, nothing was left either.
        with contextlib.suppress(OSError):
            new.unlink(missing_ok=True)


@cache
def empty_store() -> bytes:
    """The file of a store without a row; whoever begins one copies it.

    Raises Refused when there is no room for temporary files.
    """
    return file_made_by(create_layout)


def file_made_by(make: Callable[[duckdb.DuckDBPyConnection], object]) -> bytes:
    """The file of a new database that ``make`` was given. Raises as ``empty_store`` does."""
    with working_folder() as folder:
        file = folder / "new.duckdb"
        try:
            with duckdb.connect(str(file), config=CONFIG) as connection:
                make(connection)
            return file.read_bytes()
        except duckdb.Error as error:
            if is_full(error):
                raise temporary_files_full() from None
            raise


def _put_in_place(new: Path, path: Path) -> bool:
    try:
        os.link(new, path)  # unlike a rename, never in the place of another
    except FileExistsError:
        return False
    except OSError:
        # A file system without links.
        if os.path.lexists(path):
            return False
        os.replace(new, path)
    return True


#: Resident memory can reach 1.3 times this; a load stays below 1.5 GiB on whatever machine.
MEMORY_FOR_LOADING = "1100MB"


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


#: What the database says when a file cannot be read on, or written; any other of its errors is a mistake of ours.
_UNREADABLE = (
    duckdb.IOException,
    duckdb.FatalException,
    duckdb.InternalException,
    duckdb.SerializationException,
    duckdb.OutOfMemoryException,
)


def if_unreadable(path: Path, error: BaseException) -> StoreUnavailable | None:
    """What is wrong with the store at ``path`` when that is what ``error`` says; None for any other error."""
    # A damaged block comes as an error of no kind.
    unreadable = isinstance(error, _UNREADABLE) or type(error) is duckdb.Error
    return unavailable(path, error) if unreadable else None


@contextlib.contextmanager
def in_plain_words(path: Path) -> Iterator[None]:
    """Where the database fails in the block, StoreUnavailable says of the store at ``path`` what went wrong."""
    try:
        yield
    except duckdb.Error as error:
        raise unavailable(path, error) from None


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
    if is_full(error):
        return StoreUnavailable(f"the disk ran out of space while writing {path}; free some and try again")
    if re.search(r"Permission denied|read-only|Read-only|Cannot open file|Not a directory|No such file", text):
        return StoreUnavailable(f"{path} cannot be opened for writing here; check the folder and its permissions")
    if re.search(r"Out of Memory|could not allocate|failed to allocate", text, re.I):
        return StoreUnavailable(f"there is not enough memory, or room for temporary files, to work on {path}")
    return StoreUnavailable(
        f"the store {path} is damaged or cannot be read ({first_line(text)}). See what is whole with `broodyear "
        "verify`, and restore a copy of the store, or load its files into a new one"
    )


def is_full(error: BaseException) -> bool:
    """Whether the database says that there is no room to write."""
    return bool(re.search(r"No space left|disk full|File too large|could not write", str(error), re.I))


def reopened(path: Path) -> duckdb.DuckDBPyConnection:
    """A connection for reading to a store that ``connect`` has opened before, without looking at it again."""
    return interruptible(duckdb.connect(str(path), read_only=True, config=CONFIG))


def first_line(text: str) -> str:
    """The first line of the database's message, cut short."""
    return text.strip().splitlines()[0][:160] if text.strip() else "no reason given"
