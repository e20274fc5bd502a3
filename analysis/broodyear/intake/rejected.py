"""The rows of one file that were kept out: held in memory while they are few, in a working file beyond that;
copies of them, ready to be mended and sent again; and what the ledger holds of earlier uploads: the rows still to
be mended, as the command ``mend`` prints them and the desk shows them, and uploads of which nobody was told yet.

Behind the columns of the file stand ``mends``, which says what a row of a copy mends when it comes back (of a
loaded file), and ``problems``, which says what is wrong with it.
"""

from __future__ import annotations

import csv
import json
import os
import pickle
import re
import tempfile
import weakref
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from io import BytesIO
from itertools import groupby, islice
from json.encoder import encode_basestring
from pathlib import Path
from typing import IO, Any, NamedTuple

import duckdb
import pandas as pd

from broodyear.errors import UsageError
from broodyear.findings import Change, FileReport, Finding, TableCount, counted, first_of, mend_name
from broodyear.formulas import csv_text, guarded
from broodyear.intake.recognise import plain_name
from broodyear.intake.sources import Source, find_sources
from broodyear.intake.wording import printable
from broodyear.outputs import new_file, require_file
from broodyear.schemas import table as declared_table
from broodyear.store import Store, ledger
from broodyear.store.handle import utc_now
from broodyear.store.ledger import dismiss, find_open_rows
from broodyear.store.opening import in_plain_words
from broodyear.workspace import working_folder

#: So many rows are held in memory; a file of ten million bad rows must not need ten gigabytes.
HELD_IN_MEMORY = 200_000

#: So many lines of rows with the same mistake are listed; a copy, CSV and JSON have all.
SHOWN_LINES = 20
#: What differs between sentences about the same mistake: the cell as found, and numbers made of it.
_VALUES = re.compile(r'"[^"]*"|[0-9]+')

#: Column of a copy of rejected rows that says which row it is: number of the upload and line, as 12#57.
MENDS = "mends"


class Rejected(NamedTuple):
    """One row that was kept out. raw: its cells as received, as a JSON list; problems: what was found, in one
    text; mendable: False for a repeat of another row, which needs no mending; key: its key as texts, None when a
    part cannot be read."""

    line: int
    raw: str
    problems: str
    mendable: bool = True
    key: list[str] | None = None

    @property
    def cells(self) -> tuple[str, ...]:
        """The cells as received."""
        return tuple(json.loads(self.raw))


def cells_as_json(cells: Iterable[str]) -> str:
    """The cells of a row as a JSON list. A general encoder, made anew for each row, takes four times as long."""
    return f"[{', '.join(map(encode_basestring, cells))}]"


class RejectedRows:
    """Rejected rows, to be gone through any number of times: in line order while they fit into memory."""

    def __init__(self) -> None:
        self._held: list[Rejected] = []
        self._file: IO[bytes] | None = None
        self._chunks = 0
        self._count = 0

    def __len__(self) -> int:
        return self._count

    def add(self, row: Rejected) -> None:
        """Take one row in."""
        self._count += 1
        self._held.append(row)
        if len(self._held) > HELD_IN_MEMORY:
            self._write_out()

    def _write_out(self) -> None:
        if self._file is None:
            self._file = tempfile.TemporaryFile()  # noqa: SIM115 - lives as long as self
            weakref.finalize(self, self._file.close)
        self._file.seek(0, 2)
        pickle.dump([tuple(row) for row in self._held], self._file, protocol=pickle.HIGHEST_PROTOCOL)
        self._chunks += 1
        self._held.clear()

    def __iter__(self) -> Iterator[Rejected]:
        if self._file is not None:
            self._file.seek(0)
            for _ in range(self._chunks):
                # Nobody else can write to this nameless file.
                for row in pickle.load(self._file):
                    yield Rejected(*row)
        yield from sorted(self._held, key=lambda row: row.line)

    def in_chunks(self) -> Iterator[list[Rejected]]:
        """The rows, many at a time."""
        rows = iter(self)
        while chunk := list(islice(rows, HELD_IN_MEMORY)):
            yield chunk


@dataclass(frozen=True)
class FiledPart:
    """What was kept out of one table. rejected: the rows, with their cells as received; header, separator: of
    these cells; said: the declared columns among them."""

    table: str
    rejected: RejectedRows
    header: tuple[str, ...]
    separator: str
    said: tuple[str, ...] = ()

    @property
    def last_is_text(self) -> bool:
        """Whether the last column takes any text, as one that is not declared does."""
        name = plain_name(self.header[-1]) if self.header else ""
        declared = declared_table(self.table)
        return name not in declared.column_names or declared.column(name).kind in {"code", "text"}


@dataclass
class Filed:
    """What became of one upload. parts: what was kept out, for each table that it feeds; upload: its number;
    changes: cells of rows that were there before."""

    report: FileReport
    findings: list[Finding] = field(default_factory=list)
    parts: tuple[FiledPart, ...] = ()
    upload: int | None = None
    changes: list[Change] = field(default_factory=list)


#: Header of the last column of a copy.
PROBLEMS = "problems"

#: As the record of outputs names these copies, whichever command wrote them.
REJECTS = "load --rejects"


def require_rejects_of(paths: Iterable[str | Path], folder: Path) -> None:
    """As ``require_rejects``, of the files that ``paths`` mean: before a store is made for them."""
    with working_folder() as scratch:
        require_rejects(folder, find_sources(paths, BytesIO(), scratch).found)


def require_rejects(folder: Path, sources: Sequence[Source]) -> None:
    """Raise UsageError, before anything is read, unless copies of the rejected rows may be written to ``folder``.

    No file that is to be read may lie in the folder, and no copy may replace one that somebody is mending.
    """
    paths = [source.path for source in sources if source.path is not None]
    inside = [path for path in paths if path.resolve().is_relative_to(folder.resolve())]
    if inside:
        raise UsageError(
            f"the folder of --rejects, {folder}, holds {inside[0]}, which is to be read; name another folder with "
            "--rejects, so that no file is replaced by its own rejected rows"
        )
    if os.path.lexists(folder) and not folder.is_dir():
        raise UsageError(f"{folder} is a file; name a folder with --rejects")
    names: list[str] = []
    for source in sources:
        names.append(mend_name(source.shown, names))
        require_file(folder / names[-1], REJECTS, "--rejects")


def write_rejects(folder: Path, filed: list[Filed], option: str = "--rejects") -> list[Path]:
    """Write one CSV into ``folder`` for each table of an upload with rejected rows; returns the files written.

    Raises UsageError, and writes none, when one of them would replace a file that somebody is mending.
    """
    copies = _copies(folder, filed)
    require_copies(folder, filed, option)
    for file, (part, upload) in copies.items():
        with new_file(file, REJECTS, option) as new:
            _write_copy(new, part, upload)
    return list(copies)


def require_copies(folder: Path, filed: list[Filed], option: str) -> None:
    """Raise UsageError unless ``write_rejects`` may write its files."""
    for file in _copies(folder, filed):
        require_file(file, REJECTS, option)


def _copies(folder: Path, filed: list[Filed]) -> dict[Path, tuple[FiledPart, int | None]]:
    """Where the rejected rows of each table of each upload are to be written."""
    copies: dict[str, tuple[FiledPart, int | None]] = {}
    for file in filed:
        for part in file.parts:
            if any(row.mendable for row in part.rejected):
                name = f"{file.report.path}_{part.table}" if len(file.parts) > 1 else file.report.path
                copies[mend_name(name, copies)] = part, file.upload
    return {folder / name: copy for name, copy in copies.items()}


def _write_copy(path: Path, file: FiledPart, upload: int | None) -> None:
    # What an earlier copy said in these two columns is told anew.
    own = [number for number, name in enumerate(file.header) if name.strip().lower() not in (MENDS, PROBLEMS)]
    with path.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out, lineterminator="\n", delimiter=file.separator)
        marked = [] if upload is None else [MENDS]
        writer.writerow([*(file.header[number] for number in own), *marked, PROBLEMS])
        writer.writerows(_mendable(row, own, file, upload) for row in file.rejected if row.mendable)


def _mendable(row: Rejected, own: list[int], file: FiledPart, upload: int | None) -> list[str]:
    """The cells of a row under their header, and what is wrong with them.

    Surplus cells must stay wrong until they are mended. In the last cell they are, unless that takes any text;
    then they stand behind the problems, too many for the header.
    """
    cells = [row.cells[number] if number < len(row.cells) else "" for number in own]
    surplus = list(row.cells[len(file.header) :])
    if surplus and not file.last_is_text:
        cells[-1] = file.separator.join([cells[-1], *surplus])
        surplus = []
    mends = [] if upload is None else [f"{upload}#{row.line}"]
    return [guarded(cell) for cell in [*cells, *mends, row.problems, *surplus]]


_COUNTS = ("rows_made", "rows_accepted", "rows_rejected")
_ROWS = (
    "SELECT upload, path, strftime(loaded_at, '%Y-%m-%dT%H:%M:%S'), line, table_name, raw, problems FROM waiting "
    "ORDER BY upload, line, table_name"
)


@dataclass(frozen=True)
class OpenRow:
    """A rejected row still to be mended. upload, path, loaded_at: how it came (UTC); line: in that file;
    cells: as received; problems: what is wrong with it, and what to do."""

    upload: int
    path: str
    loaded_at: str
    line: int
    table: str
    cells: tuple[str, ...]
    problems: str

    @property
    def place(self) -> str:
        """The row as it is named to dismiss it."""
        return f"{self.path}#{self.line}"


def open_rows(store: Store) -> list[OpenRow]:
    """The rejected rows still open, by upload and line. Raises StoreUnavailable when the store cannot be read."""
    with in_plain_words(store.path), store.session() as session:
        find_open_rows(session, store.settings)
        rows = session.execute(_ROWS).fetchall()
    return [
        OpenRow(int(upload), path, loaded_at, int(line), name, tuple(json.loads(raw)), problems)
        for upload, path, loaded_at, line, name, raw, problems in rows
    ]


def dismiss_rows(store: Store, places: Sequence[str], reason: str) -> int:
    """Close the open rows at ``places`` (FILE#LINE) for good, with a reason; returns how many there were.

    The store must be open for changes. Raises UsageError when no row is open at one of the places.
    """
    with in_plain_words(store.path), store.session() as session:
        return dismiss(session, places, reason, store.settings, utc_now())


def write_copies(store: Store, rows: Sequence[OpenRow], folder: Path) -> list[Path]:
    """Write the open rows, a CSV file per upload and table, to be mended and loaded; returns the files written."""
    return write_rejects(folder, _all_filed(store, rows), "--out")


def require_room_for(store: Store, folder: Path) -> None:
    """Raise UsageError unless copies of the open rows may be written to ``folder``."""
    require_copies(folder, _all_filed(store, open_rows(store)), "--out")


def _all_filed(store: Store, rows: Sequence[OpenRow]) -> list[Filed]:
    return [_filed(store, list(those)) for _, those in groupby(rows, key=lambda row: row.upload)]


def _filed(store: Store, rows: Sequence[OpenRow]) -> Filed:
    rejected: defaultdict[str, RejectedRows] = defaultdict(RejectedRows)
    for row in rows:
        rejected[row.table].add(Rejected(row.line, cells_as_json(row.cells), row.problems))
    report = FileReport(rows[0].path, rows[0].table, 0, len(rows), 0, len(rows))
    with store.session() as session:
        parts = _parts(ledger.entries(session, "upload_parts", rows[0].upload), rejected)
    return Filed(report, [], parts or (FiledPart(*rejected.popitem(), (), ","),), rows[0].upload)


def _parts(said: Iterable[Mapping[str, Any]], rejected: Mapping[str, RejectedRows]) -> tuple[FiledPart, ...]:
    """The parts of an upload as the ledger holds them."""
    named = ((part["table_name"], tuple(part["header"]), part["separator"]) for part in said)
    return tuple(FiledPart(name, rejected[name], header, sign) for name, header, sign in named)


def from_ledger(connection: duckdb.DuckDBPyConnection, upload: int) -> Filed:
    """What became of an upload of which nobody was told, because the load that filed it was stopped or killed: all
    of it stands in the ledger, written in the same transaction as its rows."""
    [said] = ledger.entries(connection, "uploads", upload)
    late = (
        f"loaded {said['loaded_at']:%Y-%m-%d %H:%M} (UTC) as upload {upload}, by a run that ended before it told"
    )
    rejected: defaultdict[str, RejectedRows] = defaultdict(RejectedRows)
    for row in ledger.entries(connection, "rejected_rows", upload):
        rejected[row["table_name"]].add(Rejected(row["line"], row["raw"], row["problems"], row["mendable"]))
    parts = list(ledger.entries(connection, "upload_parts", upload))
    report = FileReport(
        said["path"], said["table_name"], said["lines_read"], said["rows_read"], said["rows_accepted"],
        said["rows_rejected"], (*said["notes"], f"{late} of it"),
        tuple(TableCount(part["table_name"], *(part[name] or 0 for name in _COUNTS)) for part in parts),
        sum(not row.mendable for rows in rejected.values() for row in rows),
    )  # fmt: skip
    return Filed(
        report,
        [Finding(*list(row.values())[1:]) for row in ledger.entries(connection, "findings", upload)],
        _parts(parts, rejected),
        upload,
    )


def rendered(rows: Sequence[OpenRow], format: str) -> str:
    """The list as text for people, as CSV, or as JSON."""
    if format == "json":
        return json.dumps([_as_dict(row) for row in rows], ensure_ascii=False, indent=1) + "\n"
    if format == "csv":
        columns = ["upload", "path", "loaded_at", "line", "table", "cells", "problems"]
        listed = [{**_as_dict(row), "cells": " | ".join(row.cells)} for row in rows]
        return csv_text(pd.DataFrame(listed, columns=columns, dtype=object))
    kinds: defaultdict[tuple[object, ...], list[OpenRow]] = defaultdict(list)
    for row in rows:
        kinds[row.upload, row.table, _VALUES.sub("", row.problems)].append(row)
    return "".join([*map(_as_one, kinds.values()), _total(len(rows))])


def _as_one(alike: Sequence[OpenRow]) -> str:
    """Rows of one file with the same mistake: the first, and the lines of the others."""
    row = alike[0]
    # A line that gives several rows is mended once.
    others = [str(line) for line in dict.fromkeys(one.line for one in alike) if line != row.line]
    said = f"{printable(row.place)} ({row.table}, upload {row.upload}): {row.problems}\n"
    if others:
        said += f"    … and {counted(len(others), 'more line')} like this: {first_of(others, SHOWN_LINES)}\n"
    return said


def _as_dict(row: OpenRow) -> dict[str, Any]:
    return {**asdict(row), "cells": list(row.cells)}


def _total(count: int) -> str:
    if not count:
        return "No rejected row is open.\n"
    are = "1 rejected row is" if count == 1 else f"{count:,} rejected rows are"
    return (
        f"{are} still open. Mend them in the copies that `broodyear mend --out DIR` writes and load those, or "
        "dismiss one: `broodyear mend --dismiss FILE#LINE --reason TEXT`.\n"
    )
