"""Files on end that are read alike, staged and checked in one go: to plan the checks of a sheet takes longer than
to run them over a season of sheets. What each file gives is cut out again when its turn comes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import count, takewhile

import pandas as pd

from broodyear.errors import UnreadableFile
from broodyear.intake.cell_sql import UNKNOWN_RULES, ParseOptions
from broodyear.intake.checking import failed_query
from broodyear.intake.known import Known
from broodyear.intake.opened import Opened, options_of
from broodyear.intake.plain_files import Received, received_rows
from broodyear.intake.recognise import Piece, Recognised, Slot
from broodyear.intake.staging import Staged, careful, checked_query, keep_broken, made_of_received

#: Files of more rows are staged by themselves, and so many rows of all are staged at a time.
MOST_ROWS, MOST_OF_ALL = 5_000, 50_000
#: The lines of a file are numbered from its place among the others times this.
_APART = 10_000_000


@dataclass(frozen=True)
class _Part:
    """One table of all the files. options: how their cells are read; own: rows of each file, and of these the
    broken ones."""

    found: Recognised
    options: ParseOptions
    own: dict[int, tuple[int, int]]

    @property
    def per_line(self) -> int:
        """As in ``Staged``."""
        return max(len(self.found.slots), 1)

    def cut(self, table: str, place: int) -> str:
        """SQL of the rows of one file in a table of all files, numbered as its own."""
        first = place * _APART * self.per_line
        return (
            f"SELECT * REPLACE (line - {first} AS line) FROM {table}_{self.found.table.name} "
            f"WHERE line >= {first} AND line < {first + _APART * self.per_line}"
        )


class Together:
    """Files that are staged in one go. Temporary tables hold what they give: ``received_together``, and of each
    table ``checked_together_`` and ``failed_together_`` with its name behind."""

    def __init__(self, known: Known, files: Sequence[Opened]) -> None:
        """files: the first of them, and of those that come after it as many as are read alike."""
        self._known, self._files, self._received = known, [files[0]], list[Received]()
        self._parts: list[_Part] = []
        if _may_join(files[0]):
            first = _read_as(known, files[0])
            self._files += takewhile(lambda file: _may_join(file) and _read_as(known, file) == first, files[1:])
        if len(self._files) > 1 and self._receive():
            self._parts = [self._staged(position) for position in range(len(files[0].parts))]

    def has(self, file: Opened) -> bool:
        """Whether it was looked whether a file is staged here."""
        return any(file is one for one in self._files)

    @property
    def is_alone(self) -> bool:
        """Whether nothing is staged, because the file is alone of its kind."""
        return not self._parts

    def _receive(self) -> bool:
        """The rows of all files in ``received_together``; whether it is worth it. Of a file that cannot be read it
        is told when its turn comes."""
        width = self._files[0].parts[0].source_width
        rows: list[tuple[int | str | None, ...]] = []
        for place, file in enumerate(self._files):
            received, fixed = Received(), [piece.fixed or None for piece in _fixed(file)]
            try:
                own = list(received_rows(file.body, file.dialect, width, received))
            except UnreadableFile:
                break
            if place and len(rows) + len(own) > MOST_OF_ALL:
                break
            self._received.append(received)
            rows += [(int(line or 0) + place * _APART, *cells, *fixed) for line, *cells in own]
        del self._files[max(len(self._received), 1) :]
        if len(self._received) < 2:
            return False
        cells = [f"c{position}" for position in range(width + len(_fixed(self._files[0])))]
        columns = ["line", "unclosed", *cells[:width], "surplus", *cells[width:]]
        self._known.connection.register("chunk", pd.DataFrame(rows, columns=columns, dtype=object))
        kinds = ", ".join(f"{name}::VARCHAR AS {name}" for name in columns[2:])
        self._known.connection.execute(
            "CREATE OR REPLACE TEMP TABLE received_together AS "
            f"SELECT line::BIGINT AS line, unclosed::BOOLEAN AS unclosed, {kinds} FROM chunk"
        )
        self._known.connection.unregister("chunk")
        return True

    def _staged(self, position: int) -> _Part:
        known, connection, found = self._known, self._known.connection, _with_cells(self._files[0], position)
        known.prepare_codes(found.table)
        every = [_options(known, file, file.parts[position]) for file in self._files]
        options = careful(replace(every[0], iso_dates=all(one.iso_dates for one in every)))
        source, name = made_of_received(found, options, "received_together"), found.table.name
        query = checked_query(found, options, source, "line, ")
        # The types of known codes may be made anew while these rows wait.
        codes = [reference.column for reference in found.table.references]
        plain = ", ".join(f'"{code}"::VARCHAR AS "{code}"' for code in codes)
        cells = f"SELECT * REPLACE ({plain}) FROM ({query})" if codes else query
        connection.execute(f"CREATE OR REPLACE TEMP TABLE checked_together_{name} AS {cells}")
        part = _Part(found, options, {})
        rows = connection.execute(
            f"SELECT line // {_APART * part.per_line}, count(*), count(*) FILTER (broken) "
            f"FROM checked_together_{name} GROUP BY ALL"
        ).fetchall()
        part.own.update({int(place): (int(made), int(broken)) for place, made, broken in rows})
        if any(broken for _, broken in part.own.values()):
            keep_broken(connection, found, source, f"checked_together_{name}")
            failed = failed_query(found, options, known.settings)
            connection.execute(f"CREATE OR REPLACE TEMP TABLE failed_together_{name} AS {failed}")
        return part

    def receive(self, file: Opened) -> Received:
        """The rows of one file, in ``received``."""
        place = self._place(file)
        self._known.connection.execute(
            f"CREATE OR REPLACE TEMP TABLE received AS SELECT * REPLACE (line - {place * _APART} AS line) "
            f"FROM received_together WHERE line >= {place * _APART} AND line < {(place + 1) * _APART}"
        )
        return self._received[place]

    def stage(self, file: Opened, found: Recognised) -> Staged:
        """What one file gives to one table, in ``checked``."""
        place, received = self._place(file), self._received[self._place(file)]
        part = next(one for one in self._parts if one.found.table.name == found.table.name)
        cut = part.cut("checked_together", place)
        self._known.connection.execute(f"CREATE OR REPLACE TEMP TABLE checked AS {cut}")
        rows, broken = part.own.get(place, (0, 0))
        return Staged(
            "checked.line", received.lines_read, received.rows, rows, received.short_rows, part.options, broken,
            per_line=part.per_line, failed=part.cut("failed_together", place),
        )  # fmt: skip

    def _place(self, file: Opened) -> int:
        return next(place for place, one in enumerate(self._files) if one is file)


def _may_join(file: Opened) -> bool:
    """Whether a file is small, and neither fills labels down nor says what other files refer to."""
    body, parts = file.body, file.parts
    if any(part.filled_down or part.table.name in {*UNKNOWN_RULES, "setups"} for part in parts):
        return False
    if body.sheet is not None:
        return len(body.sheet.rows) <= MOST_ROWS
    return len(parts) > 1 and body.text is not None and body.text.census.lines <= MOST_ROWS


def _options(known: Known, file: Opened, found: Recognised) -> ParseOptions:
    return options_of(file, found, known.settings, known.seasons)


def _read_as(known: Known, file: Opened) -> list[tuple[Recognised, ParseOptions]]:
    """What files that are read alike have in common: all but notes, and texts that stand in no cell."""
    return [
        (
            replace(part, notes=(), slots=tuple(_changed(slot, lambda _: Piece(())) for slot in part.slots)),
            replace(_options(known, file, part), iso_dates=False),
        )
        for part in file.parts
    ]


def _fixed(file: Opened) -> list[Piece]:
    """The pieces of all slots that are the same in every row, for they stand in no cell."""
    pieces = [piece for part in file.parts for slot in part.slots for piece in slot.pieces]
    return [piece for piece in pieces if piece is not None and not piece.positions]


def _with_cells(file: Opened, position: int) -> Recognised:
    """A part of a file whose fixed texts stand in cells behind those of the row, as in ``received_together``."""
    cells = count(file.parts[0].source_width)
    parts = [
        replace(part, slots=tuple(_changed(slot, lambda _: Piece((next(cells),))) for slot in part.slots))
        for part in file.parts
    ]
    return parts[position]


def _changed(slot: Slot, change: Callable[[Piece], Piece]) -> Slot:
    """A slot with other pieces for those that stand in no cell."""
    pieces = (change(piece) if piece is not None and not piece.positions else piece for piece in slot.pieces)
    return replace(slot, pieces=tuple(pieces))
