"""A store in use: its tables as data frames, its ledger, and the results worked out from it."""

from __future__ import annotations

import datetime as dt
import tempfile
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

import duckdb

from broodyear.errors import UsageError
from broodyear.schemas import TABLE_NAMES
from broodyear.settings import Settings
from broodyear.stopping import interruptible
from broodyear.store import changes_under_way
from broodyear.store.joining import join_labels
from broodyear.store.ledger import find_open_rows
from broodyear.store.opening import connect, in_plain_words, shut_in
from broodyear.store.withdrawing import withdraw

if TYPE_CHECKING:
    import pandas as pd

UPLOAD_COLUMNS = (
    "upload", "path", "table", "sha256", "loaded_at", "lines_read", "rows_read", "rows_accepted", "rows_rejected",
    "withdrawn", "withdrawn_at", "notes",
)  # fmt: skip


class Store:
    """An open store. Use it as a context manager, or close it.

    settings: the programme's settings; path: the file.
    """

    def __init__(
        self, path: Path, connection: duckdb.DuckDBPyConnection, settings: Settings, *, takes_uploads: bool = False
    ) -> None:
        self.path = path
        self.settings = settings
        self._connection = connection
        self._takes_uploads = takes_uploads
        #: Whether the database reaches no uploads where they lie any more.
        self.is_shut_in = False
        self._is_joined = False
        #: Derived tables that the connection has.
        self.derived: frozenset[str] = frozenset()

    @property
    def connection(self) -> duckdb.DuckDBPyConnection:
        """The DuckDB connection; its tables read under the labels that the settings join. Unless the store was
        opened for loading, it reaches no file from now on but the store and what lies in the computer's folder for
        temporary files."""
        if not self._takes_uploads and not self.is_shut_in:
            shut_in(self._connection, Path(tempfile.gettempdir()).resolve())
            self.is_shut_in = True
        if not self._is_joined:
            join_labels(self._connection, self.settings)
            self._is_joined = True
        return self._connection

    def session(self) -> duckdb.DuckDBPyConnection:
        """A session of one's own, whose temporary tables nobody else sees; as shut in as ``connection``, and its
        tables read under the same labels."""
        session = interruptible(self.connection.cursor())
        join_labels(session, self.settings)
        return session

    def for_uploads(self) -> duckdb.DuckDBPyConnection:
        """A session to read uploads with: it does not shut the database in, and labels are those of the rows."""
        return interruptible(self._connection.cursor())

    def set_memory(self, limit: str) -> None:
        """Let the database use so much memory ("300MB"); what does not fit goes to its temporary folder."""
        self._connection.execute(f"SET memory_limit = '{limit}'")

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._connection.close()

    def table(self, name: str) -> pd.DataFrame:
        """The rows of uploaded table ``name`` as they now read: declared columns, hour flags, upload and line.

        Raises UsageError for an unknown name, StoreUnavailable when the file is damaged.
        """
        if name not in TABLE_NAMES:
            raise UsageError(f"there is no table {name!r}; the tables are {', '.join(TABLE_NAMES)}")
        with in_plain_words(self.path):
            return self.connection.execute(f"SELECT * FROM {name} ORDER BY upload, line").df()

    def uploads(self) -> pd.DataFrame:
        """The ledger: one row per upload, in order; ``rows_to_mend`` counts its rejected rows still open,
        ``rows_repeated`` those that repeat another exactly and need nothing."""
        chosen = ", ".join("table_name AS table" if name == "table" else name for name in UPLOAD_COLUMNS)
        open_now = "(SELECT count(*) FROM waiting WHERE waiting.upload = uploads.upload) AS rows_to_mend"
        repeated = (
            "(SELECT count(*) FROM rejected_rows AS r WHERE r.upload = uploads.upload AND NOT r.mendable) "
            "AS rows_repeated"
        )
        with in_plain_words(self.path), self.session() as session:
            find_open_rows(session, self.settings)
            return session.execute(f"SELECT {chosen}, {open_now}, {repeated} FROM uploads ORDER BY upload").df()

    def withdraw(self, upload: int) -> str:
        """Take upload number ``upload`` back; returns a sentence that says what was taken back.

        Raises UsageError when it does not stand.
        """
        with in_plain_words(self.path):
            sentence = withdraw(self.connection, upload, utc_now(), self.settings)
        self.derived = frozenset()
        return sentence

    def broken_off(self) -> str | None:
        """What an earlier load or withdrawal left undone when it broke off, as a sentence; mostly None."""
        return self._told(changes_under_way.broken_off)

    def untold(self) -> str | None:
        """That an earlier load ended before it told what became of its rows, as a sentence; mostly None."""
        return self._told(changes_under_way.untold_sentence)

    def kept_of_load(self, *, told: bool) -> str:
        """What a load that was just stopped has kept, as a sentence. told: its result had been shown."""
        if told:
            return changes_under_way.ALL_DONE
        return self._told(changes_under_way.kept_of_load) or "stopped. What was in the store before is kept"

    def kept_of_withdrawal(self, upload: int) -> str:
        """What became of a withdrawal that was just stopped, as a sentence."""
        return self._told(lambda session: changes_under_way.kept_of_withdrawal(session, upload)) or "stopped"

    def _told(self, sentence: Callable[[duckdb.DuckDBPyConnection], str | None]) -> str | None:
        """A sentence about the ledger, read in a session of its own."""
        with in_plain_words(self.path), self._connection.cursor() as session:
            return sentence(session)

    def keep_derived(self) -> bool:
        """Keep the derived tables, unless few, in the file, so that reports need not work them out again.

        The store must be open for loading. Returns False when they could not be written: the store is then as it
        was, and every report works them out for itself. A small store needs none, which is True as well.
        """
        from broodyear.derived import keep_derived

        try:
            with self.session() as session:
                keep_derived(session, self.settings)
        except (duckdb.IOException, duckdb.OutOfMemoryException):
            return False
        return True

    def keeps_for_other_settings(self) -> bool:
        """Whether the derived tables kept in the file were made with other settings, so that they are not used."""
        from broodyear.derived import has_other_settings

        with in_plain_words(self.path), self._connection.cursor() as session:
            return has_other_settings(session, self.settings)

    def derive(self, *names: str) -> None:
        """Make the derived tables named, with all they read, or every one, as temporary tables; none twice.

        Raises UsageError for an unknown name.
        """
        from broodyear.derived import all_queries, run_queries

        if not self.derived.issuperset(names or all_queries()):
            self.derived |= run_queries(self.connection, self.settings, names or None, self.derived)

    def result(self, name: str) -> pd.DataFrame:
        """The derived table ``name``, worked out when first asked for. Raises UsageError for an unknown name."""
        from broodyear.derived import read_derived

        self.derive(name)
        with in_plain_words(self.path):
            return read_derived(self.connection, name)


def open_store(
    path: str | Path, *, for_loading: bool = False, settings: Settings | None = None, temporary: Path | None = None
) -> Store:
    """Open the store at ``path``: for reading, or ``for_loading``, which creates it when it is missing.

    temporary: folder for what does not fit into memory (default: beside the store).
    Raises NothingToAnalyse when there is no such file to read, StoreUnavailable when the file is busy, damaged,
    not a store as broodyear makes it, or written by a newer version, UsageError when ``path`` is none.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with open_store(f"{folder}/programme.duckdb", for_loading=True) as store:
    ...         len(store.uploads()), list(store.table("tanks"))[:2]
    (0, ['tank_id', 'volume_l'])
    """
    if not isinstance(path, str | Path):
        raise UsageError(f"a store is named by its path, but this is of type {type(path).__name__}")
    file = Path(path)
    connection = connect(file, for_loading=for_loading, temporary=temporary)
    return Store(file, connection, settings or Settings(), takes_uploads=for_loading)


def open_existing_for_change(
    path: str | Path, *, settings: Settings | None = None, temporary: Path | None = None
) -> Store:
    """Open a store that exists for changes. Raises as ``open_store`` does; a missing file is not created."""
    file = Path(path)
    if not file.exists():
        connect(file, for_loading=False)
    return Store(file, connect(file, for_loading=True, temporary=temporary), settings or Settings())


def utc_now() -> dt.datetime:
    """The time now, UTC, without a zone, as the ledger keeps it."""
    return dt.datetime.now(dt.UTC).replace(tzinfo=None)
