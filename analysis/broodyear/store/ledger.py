"""The ledger of uploads: what came from which bytes, what it superseded, and taking an upload back."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Sequence
from dataclasses import dataclass

import duckdb
import pandas as pd

from broodyear.errors import UsageError
from broodyear.schemas import Table, all_tables
from broodyear.settings import Settings
from broodyear.store.layout import LEDGER, key_sql


@dataclass(frozen=True)
class Upload:
    """One file that was loaded. upload: its number; rows_read = rows_accepted + rows_rejected."""

    upload: int
    path: str
    table: str
    sha256: str
    lines_read: int
    rows_read: int
    rows_accepted: int
    rows_rejected: int
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Part:
    """What an upload holds for one table. header, separator: as in the file, to write its rows out again."""

    table: str
    header: tuple[str, ...]
    separator: str


def next_number(connection: duckdb.DuckDBPyConnection) -> int:
    """Number of the next upload."""
    row = connection.execute("SELECT coalesce(max(upload), 0) + 1 FROM uploads").fetchone()
    assert row is not None
    return int(row[0])


@dataclass(frozen=True)
class Earlier:
    """A standing upload: its number, and when it was loaded (UTC)."""

    upload: int
    loaded_at: dt.datetime


def standing(connection: duckdb.DuckDBPyConnection, sha256: str) -> list[Earlier]:
    """The uploads of exactly these bytes that were not withdrawn, in order."""
    query = "SELECT upload, loaded_at FROM uploads WHERE sha256 = ? AND NOT withdrawn ORDER BY upload"
    return [Earlier(int(row[0]), row[1]) for row in connection.execute(query, [sha256]).fetchall()]


def lacks_codes(connection: duckdb.DuckDBPyConnection, uploads: tuple[int, ...]) -> bool:
    """Whether rows of these uploads were kept out because a tank, site or batch was not known then."""
    listed = ", ".join(map(str, uploads))
    query = f"SELECT count(*) FROM findings WHERE upload IN ({listed}) AND rule LIKE 'unknown_%'"
    row = connection.execute(query).fetchone()
    return bool(row and row[0])


def held_lines(table: Table, uploads: Sequence[int]) -> str:
    """SQL of the spreadsheet lines that some uploads hold."""
    return f"SELECT line FROM received_{table.name} WHERE upload IN ({', '.join(map(str, uploads))})"


def lacks_withdrawn_rows(connection: duckdb.DuckDBPyConnection, table: Table, sha256: str) -> bool:
    """Whether a withdrawn upload of these bytes held rows that no standing one holds."""
    lines = f"SELECT line FROM received_{table.name} JOIN uploads USING (upload) WHERE sha256 = $sha256"
    query = f"SELECT count(*) FROM ({lines} AND withdrawn EXCEPT {lines} AND NOT withdrawn)"
    row = connection.execute(query, {"sha256": sha256}).fetchone()
    return bool(row and row[0])


def record(
    connection: duckdb.DuckDBPyConnection, upload: Upload, parts: Sequence[Part], loaded_at: dt.datetime
) -> None:
    """Write one line of the ledger, and one for each table that the upload feeds; nobody was told of it yet."""
    line = (
        upload.upload, upload.path, upload.table, upload.sha256, loaded_at, upload.lines_read, upload.rows_read,
        upload.rows_accepted, upload.rows_rejected, False, None, list(upload.notes), None,
    )  # fmt: skip
    append(connection, "uploads", [line])
    rows = [(upload.upload, part.table, list(part.header), part.separator) for part in parts]
    append(connection, "upload_parts", rows)


#: The line of ``meta`` that says what is being done to the store, while it is being done.
_UNDER_WAY = "under_way"


@dataclass(frozen=True)
class UnderWay:
    """A change that was begun and not ended. begun_at: UTC; files: path and sha256 of each file of a load;
    withdrawing: the upload that was being withdrawn."""

    begun_at: dt.datetime
    files: tuple[tuple[str, str], ...] = ()
    withdrawing: int | None = None


def begin(connection: duckdb.DuckDBPyConnection, change: UnderWay) -> None:
    """Note what is about to be done, in the store file itself and not only in the .wal beside it: if that is lost,
    this note tells what was lost with it."""
    told = {"begun_at": change.begun_at.isoformat(), "files": change.files, "withdrawing": change.withdrawing}
    end(connection)
    connection.execute("INSERT INTO meta VALUES (?, ?)", [_UNDER_WAY, json.dumps(told)]).fetchall()
    connection.execute("CHECKPOINT").fetchall()


def end(connection: duckdb.DuckDBPyConnection) -> None:
    """The change that was begun is done."""
    connection.execute("DELETE FROM meta WHERE key = ?", [_UNDER_WAY])


def under_way(connection: duckdb.DuckDBPyConnection) -> UnderWay | None:
    """The change that was begun and never ended, if any."""
    row = connection.execute("SELECT value FROM meta WHERE key = ?", [_UNDER_WAY]).fetchone()
    if row is None:
        return None
    told = json.loads(row[0])
    files = tuple((str(path), str(sha256)) for path, sha256 in told["files"])
    return UnderWay(dt.datetime.fromisoformat(told["begun_at"]), files, told["withdrawing"])


def broken_off(connection: duckdb.DuckDBPyConnection) -> str | None:
    """What a change that broke off left undone, as a sentence; None when there is nothing to do again."""
    change = under_way(connection)
    if change is None:
        return None
    begun = f"begun {change.begun_at:%Y-%m-%d %H:%M} (UTC) broke off"
    if change.withdrawing is not None:
        row = connection.execute("SELECT withdrawn FROM uploads WHERE upload = ?", [change.withdrawing]).fetchone()
        if row is not None and row[0]:
            return None
        return f"A withdrawal {begun}: upload {change.withdrawing} still stands. Withdraw it again if it is to go."
    missing = [path for path, sha256 in change.files if not standing(connection, sha256)]
    if not missing:
        return None
    shown = ", ".join(missing[:MOST_NAMED]) + (" …" if len(missing) > MOST_NAMED else "")
    are = "is" if len(missing) == 1 else "are"
    return (
        f"A load {begun}: of its {len(change.files):,} {_files(len(change.files))}, {len(missing):,} {are} not in "
        f"the store ({shown}). Load them again; what is in the store already is left as it is."
    )


#: So many files are named in a sentence.
MOST_NAMED = 10


def _files(count: int) -> str:
    return "file" if count == 1 else "files"


def untold(connection: duckdb.DuckDBPyConnection) -> list[int]:
    """The standing uploads of which nobody was told yet what became of their rows."""
    query = "SELECT upload FROM uploads WHERE told_at IS NULL AND NOT withdrawn ORDER BY upload"
    return [int(row[0]) for row in connection.execute(query).fetchall()]


def note_told(connection: duckdb.DuckDBPyConnection, uploads: Sequence[int], now: dt.datetime) -> None:
    """What became of ``uploads`` was told, and the load that told it is done."""
    connection.execute("BEGIN")
    try:
        connection.execute(
            "UPDATE uploads SET told_at = ? WHERE list_contains(?::INTEGER[], upload)", [now, list(uploads)]
        )
        end(connection)
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise


def supersede(connection: duckdb.DuckDBPyConnection, table: Table, upload: int, settings: Settings) -> int:
    """Mark the standing rows of earlier uploads that ``upload`` has again. Returns how many there were."""
    old, new = key_sql(table, settings, "r."), key_sql(table, settings, "n.")
    same = " AND ".join(f"{left} = {right}" for left, right in zip(old, new, strict=True))
    row = connection.execute(
        f"UPDATE received_{table.name} AS r SET superseded_by = {upload} FROM received_{table.name} AS n "
        f"WHERE n.upload = {upload} AND r.upload <> {upload} AND r.superseded_by IS NULL AND {same} "
        "AND r.upload NOT IN (SELECT upload FROM uploads WHERE withdrawn)"
    ).fetchone()
    return int(row[0]) if row else 0


def withdraw(connection: duckdb.DuckDBPyConnection, upload: int, now: dt.datetime, settings: Settings) -> str:
    """Take one upload back: everything then reads as if it had never come. Returns a sentence about it.

    Rows it superseded stand again, or fall to the later upload that superseded its own row.
    Raises UsageError when there is no such upload, or it is withdrawn already.
    """
    query = "SELECT table_name, withdrawn, path, rows_accepted FROM uploads WHERE upload = ?"
    row = connection.execute(query, [upload]).fetchone()
    if row is None:
        raise UsageError(f"there is no upload {upload}; see the numbers with: broodyear uploads")
    if row[1]:
        raise UsageError(f"upload {upload} is withdrawn already")
    table = next(table for table in all_tables() if table.name == row[0])
    begin(connection, UnderWay(now, withdrawing=upload))
    connection.execute("BEGIN")
    try:
        _give_back(connection, table, upload, settings)
        connection.execute("UPDATE uploads SET withdrawn = true, withdrawn_at = ? WHERE upload = ?", [now, upload])
        end(connection)
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise
    rows = f"{row[3]:,} {'row' if row[3] == 1 else 'rows'}"
    return f"upload {upload} ({row[2]}, {row[0]}, {rows}) is withdrawn; load the file again to bring it back"


def _give_back(connection: duckdb.DuckDBPyConnection, table: Table, upload: int, settings: Settings) -> None:
    old, new = key_sql(table, settings, "r."), key_sql(table, settings, "n.")
    same = " AND ".join(f"{left} = {right}" for left, right in zip(old, new, strict=True))
    connection.execute(
        f"UPDATE received_{table.name} AS r SET superseded_by = n.superseded_by FROM received_{table.name} AS n "
        f"WHERE n.upload = {upload} AND r.superseded_by = {upload} AND {same}"
    )


def append(connection: duckdb.DuckDBPyConnection, table: str, rows: Sequence[tuple[object, ...]]) -> None:
    """Add ``rows``, cells in the order in which ``LEDGER`` declares them, to one of the store's own tables."""
    if not rows:
        return
    columns = LEDGER[table]
    frame = pd.DataFrame(rows, columns=list(columns), dtype=object)
    connection.register("appended", frame)
    cast = ", ".join(f'"{name}"::{kind}' for name, kind in columns.items())
    named = ", ".join(f'"{name}"' for name in columns)
    connection.execute(f"INSERT INTO {table} ({named}) SELECT {cast} FROM appended")
    connection.unregister("appended")
