"""The rows of one file that were kept out: held in memory while they are few, in a working file beyond that."""

from __future__ import annotations

import json
import pickle
import tempfile
import weakref
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from itertools import islice
from json.encoder import encode_basestring
from typing import IO, NamedTuple

from broodyear.findings import Change, FileReport, Finding
from broodyear.intake.recognise import plain_name
from broodyear.schemas import table as declared_table

#: So many rows are held in memory; a file of ten million bad rows must not need ten gigabytes.
HELD_IN_MEMORY = 200_000

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
