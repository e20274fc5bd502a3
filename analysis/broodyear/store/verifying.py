"""Reading a whole store, counting it against its ledger, and saving what is whole of a damaged one."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb

from broodyear.derived import own_name, statement
from broodyear.errors import StoreUnavailable
from broodyear.outputs import new_folder, require_folder
from broodyear.schemas import TABLE_NAMES, all_tables
from broodyear.settings import Settings
from broodyear.store.export import Writer, current_select
from broodyear.store.handle import Store
from broodyear.store.layout import LEDGER, received_columns, shown
from broodyear.store.opening import connect, first_line, reopened
from broodyear.workspace import working_folder

#: Rows read at a time where a table is damaged; a damaged block costs at most these.
ROWS_AT_A_TIME = 10_240
_RESCUE = "verify --rescue"


@dataclass(frozen=True)
class Part:
    """What can be read of one table. rows: all it has; whole: first and last position of each readable stretch;
    error: what the database said of the others."""

    name: str
    rows: int
    whole: tuple[tuple[int, int], ...]
    error: str = ""

    @property
    def readable(self) -> int:
        """Rows that can be read."""
        return sum(last - first + 1 for first, last in self.whole)


@dataclass(frozen=True)
class Verified:
    """What was found. parts: every table; uploads: of the ledger; problems: sentences, none when all is whole;
    send_again: path and number of each upload that is not whole, or only its path where it is not in the store."""

    path: Path
    parts: tuple[Part, ...]
    uploads: int
    problems: tuple[str, ...]
    send_again: tuple[str, ...]

    @property
    def text(self) -> str:
        """The findings as a few lines."""
        rows = sum(part.rows for part in self.parts if part.name.startswith("received_"))
        head = f"{self.path}: {self.uploads:,} uploads, {rows:,} rows of tables as they were received"
        if not self.problems:
            return f"{head}. All of it can be read, and it agrees with the ledger."
        again = [f"Send again: {name}" for name in self.send_again]
        return "\n".join([head, *self.problems, *again])


def verify(path: Path, rescue: Path | None = None) -> Verified:
    """Read the whole store at ``path`` and count it against its ledger.

    rescue: a folder for every row that can be read, as CSV files that load into a new store.
    Raises NothingToAnalyse and StoreUnavailable as ``open_store`` does; a store whose ``.wal`` alone is damaged is
    read without it. UsageError when something in ``rescue`` would be replaced.
    """
    own = tuple(f"{name}.csv" for name in TABLE_NAMES)
    if rescue is not None:
        require_folder(rescue, _RESCUE, (*own, "history"), "--rescue")
    with _readable(path) as (readable, lost):
        found = _verified(readable, path, lost)
        if rescue is not None:
            with new_folder(rescue, _RESCUE, (*own, "history"), "--rescue") as folder:
                _save(readable, found, folder)
    return found


@contextmanager
def _readable(path: Path) -> Iterator[tuple[Path, str]]:
    """The store, or a copy of it without its ``.wal`` where only that cannot be read; and what was wrong then."""
    try:
        connect(path, for_loading=False).close()
    except StoreUnavailable as error:
        wal = path.with_name(f"{path.name}.wal")
        if not wal.exists() or "open in another" in str(error):
            raise
        with working_folder() as folder:
            alone = folder / path.name
            shutil.copyfile(path, alone)
            connect(alone, for_loading=False).close()
            yield alone, f"{wal} cannot be read; what is said here leaves it out"
        return
    yield path, ""


class _Reading:
    """Questions to a store that may be damaged: after an error the database is opened anew."""

    def __init__(self, readable: Path) -> None:
        self._readable = readable
        self.connection = reopened(readable)
        self.error = ""

    def ask(self, query: str) -> list[tuple[Any, ...]] | None:
        """The rows of a query, None when they cannot be read."""
        try:
            return self.connection.execute(query).fetchall()
        except (duckdb.Error, RuntimeError, UnicodeDecodeError) as error:
            self.error = first_line(str(error))
            self.connection.close()
            self.connection = reopened(self._readable)
            return None


def _verified(readable: Path, path: Path, lost: str) -> Verified:
    reading = _Reading(readable)
    try:
        own = own_name(reading.connection)
        kept = [f'{own}.kept."{name}"' for (name,) in reading.ask(_KEPT) or ()]
        tables = [*LEDGER, *(f"received_{name}" for name in TABLE_NAMES)]
        parts = tuple(_part(reading, name) for name in tables)
        damaged = [part.name for part in (_part(reading, name) for name in kept) if part.error]
        problems = [lost] if lost else []
        problems += [
            f"{part.name}: {part.rows - part.readable:,} of {part.rows:,} rows cannot be read ({part.error})"
            for part in parts
            if part.error
        ]
        if damaged:
            problems.append("What reports start from cannot be read; nothing is lost: the next load makes it anew")
        uploads, wrong = _against_ledger(reading, parts)
        left_undone = _broken_off(reading)
    finally:
        reading.connection.close()
    problems += [f"upload {number} ({name}) {what}" for number, name, what in wrong]
    problems += [left_undone] if left_undone else []
    again = tuple(f"{name} (upload {number})" for number, name, _ in wrong)
    return Verified(path, parts, uploads, tuple(problems), again)


_KEPT = "SELECT table_name FROM duckdb_tables() WHERE schema_name = 'kept' AND NOT internal"


def _part(reading: _Reading, name: str) -> Part:
    """Read every column of a table, at once or, where that fails, stretch by stretch."""
    rows = int((reading.ask(f"SELECT count(*) FROM {name}") or [(0,)])[0][0])
    everything = f"SELECT count(*), max(hash(t)) FROM {name} AS t"
    if reading.ask(everything) is not None:
        return Part(name, rows, ((0, rows - 1),) if rows else ())
    error = reading.error
    whole: list[tuple[int, int]] = []
    for first in range(0, rows, ROWS_AT_A_TIME):
        last = min(first + ROWS_AT_A_TIME, rows) - 1
        if reading.ask(f"{everything} WHERE rowid BETWEEN {first} AND {last}") is not None:
            joins = bool(whole) and whole[-1][1] == first - 1
            whole[-1 if joins else len(whole) :] = [(whole[-1][0] if joins else first, last)]
    return Part(name, rows, tuple(whole), error)


def _against_ledger(reading: _Reading, parts: Sequence[Part]) -> tuple[int, list[tuple[int, str, str]]]:
    """How many uploads the ledger has; and number, path and what is wrong of each that is not whole."""
    whole = {part.name: _source(part) for part in parts}
    ledger = {name: f"SELECT * FROM {whole[name]}" for name in ("uploads", "upload_parts", "rejected_rows")}
    received = (
        f"SELECT upload, '{name}' AS table_name, count(*) AS n FROM {whole[f'received_{name}']} GROUP BY upload"
        for name in TABLE_NAMES
    )
    for name, query in (*ledger.items(), ("rows", " UNION ALL ".join(received))):
        reading.ask(f"CREATE OR REPLACE TEMP VIEW whole_{name} AS {query}")
    counted = reading.ask(statement("store/counted_rows"))
    wrong: dict[int, tuple[int, str, str]] = {}
    for upload, path, accepted, there, refused, out in counted or ():
        if accepted != there:
            wrong.setdefault(upload, (upload, path, f"has {there:,} rows where its ledger says {accepted:,}"))
        elif refused != out:
            difference = f"has {out:,} rejected rows where its ledger says {refused:,}"
            wrong.setdefault(upload, (upload, path, difference))
    return len(reading.ask("SELECT upload FROM whole_uploads") or ()), list(wrong.values())


def _source(part: Part) -> str:
    """SQL of the rows of a table that can be read."""
    if not part.error:
        return part.name
    stretches = [f"SELECT * FROM {part.name} WHERE rowid BETWEEN {first} AND {last}" for first, last in part.whole]
    return f"({' UNION ALL '.join(stretches) or f'SELECT * FROM {part.name} LIMIT 0'})"


def _broken_off(reading: _Reading) -> str:
    from broodyear.store.changes_under_way import broken_off

    try:
        return broken_off(reading.connection) or ""
    except duckdb.Error:
        return ""


def _save(readable: Path, found: Verified, folder: Path) -> None:
    """Write every row that can be read: the tables as they now read, and the ledger in history/."""
    parts = {part.name: part for part in found.parts}
    store = Store(readable, connect(readable, for_loading=False), Settings())
    with store:
        (folder / "history").mkdir()
        writer = Writer(store.connection, folder, "csv")
        withdrawn = f"SELECT upload FROM {_source(parts['uploads'])} WHERE withdrawn"
        for table in all_tables():
            columns = ", ".join(f'"{name}"' for name in received_columns(table))
            rows = f"(SELECT {columns} FROM {_source(parts[f'received_{table.name}'])})"
            stand = f"{rows} WHERE superseded_by IS NULL AND upload NOT IN ({withdrawn})"
            read = f"(SELECT {shown(table)}, upload, line FROM {stand})"
            writer.write(table.name, current_select(table, "csv", read))
        for name in LEDGER:
            writer.write_plain(f"history/{name}", _source(parts[name]))
