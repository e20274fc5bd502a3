"""Changes while they are made: what was begun, whether it was told, and what is kept when it breaks off.

Before a load or a withdrawal the store file notes what is about to be done. What a killed run has finished lies in
the file ``<store>.wal`` until the store is opened for changes again; where that file is lost, the note tells what
went with it.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Sequence
from dataclasses import dataclass

import duckdb

from broodyear.derived import transaction
from broodyear.findings import counted
from broodyear.store.ledger import standing

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
    note = {"begun_at": change.begun_at.isoformat(), "files": change.files, "withdrawing": change.withdrawing}
    end(connection)
    connection.execute("INSERT INTO meta VALUES (?, ?)", [_UNDER_WAY, json.dumps(note)]).fetchall()
    connection.execute("CHECKPOINT").fetchall()


def end(connection: duckdb.DuckDBPyConnection) -> None:
    """The change that was begun is done."""
    connection.execute("DELETE FROM meta WHERE key = ?", [_UNDER_WAY])


def under_way(connection: duckdb.DuckDBPyConnection) -> UnderWay | None:
    """The change that was begun and never ended, if any."""
    row = connection.execute("SELECT value FROM meta WHERE key = ?", [_UNDER_WAY]).fetchone()
    if row is None:
        return None
    note = json.loads(row[0])
    files = tuple((str(path), str(sha256)) for path, sha256 in note["files"])
    return UnderWay(dt.datetime.fromisoformat(note["begun_at"]), files, note["withdrawing"])


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
        f"A load {begun}: of its {counted(len(change.files), 'file')}, {len(missing):,} {are} not in "
        f"the store ({shown}). Load them again; what is in the store already is left as it is."
    )


#: So many files are named in a sentence.
MOST_NAMED = 10


def untold(connection: duckdb.DuckDBPyConnection) -> list[int]:
    """The standing uploads of which nobody was told yet what became of their rows."""
    query = "SELECT upload FROM uploads WHERE told_at IS NULL AND NOT withdrawn ORDER BY upload"
    return [int(row[0]) for row in connection.execute(query).fetchall()]


def untold_sentence(connection: duckdb.DuckDBPyConnection) -> str | None:
    """That an earlier load ended before it told what became of its rows; None when all was told."""
    uploads = untold(connection)
    if not uploads:
        return None
    query = (
        "SELECT count(DISTINCT (upload, line)) FROM rejected_rows "
        "WHERE mendable AND list_contains(?::INTEGER[], upload)"
    )
    [(rejected,)] = connection.execute(query, [uploads]).fetchall()
    return (
        f"An earlier load ended before it told what became of {counted(len(uploads), 'file')} that it put into "
        f"the store; {int(rejected):,} of their rows were kept out. The next load tells it in full."
    )


#: What a load kept that was stopped when it had told its result, whether or not it loaded anything.
ALL_DONE = "stopped. All of this load was done, and what became of its rows was told"
#: What is kept of a change that was stopped before it began.
AS_IT_WAS = "stopped. The store is as it was"


def kept_of_load(connection: duckdb.DuckDBPyConnection) -> str:
    """What a load that was just stopped has kept."""
    change, kept = under_way(connection), []
    if change is not None:
        query = "SELECT upload FROM uploads WHERE loaded_at >= ? ORDER BY upload"
        kept = [upload for (upload,) in connection.execute(query, [change.begun_at]).fetchall()]
    if change is None or not kept:
        return "stopped before any file of this load was in the store; the store is as it was"
    count = len(kept)
    numbers = f"upload {kept[0]}" if count == 1 else f"uploads {kept[0]} to {kept[-1]}"
    are = "is in the store, whole" if count == 1 else "are in the store, each of them whole"
    others = "" if count >= len(change.files) else "; of the others nothing is"
    of = counted(len(change.files), "file")
    return (
        f"stopped. Of {of} {count:,} {are} ({numbers}){others}. Run the "
        "same command again: it loads what is missing, and tells what became of all rows"
    )


def kept_of_withdrawal(connection: duckdb.DuckDBPyConnection, upload: int) -> str:
    """What became of a withdrawal that was just stopped."""
    rows = connection.execute("SELECT withdrawn FROM uploads WHERE upload = ?", [upload]).fetchall()
    if rows and rows[0][0]:
        return f"stopped. Upload {upload} is withdrawn"
    return "stopped. Nothing was withdrawn; the store is as it was"


def note_told(connection: duckdb.DuckDBPyConnection, uploads: Sequence[int], now: dt.datetime) -> None:
    """What became of ``uploads`` was told, and the load that told it is done."""
    with transaction(connection):
        connection.execute(
            "UPDATE uploads SET told_at = ? WHERE list_contains(?::INTEGER[], upload)", [now, list(uploads)]
        )
        end(connection)
