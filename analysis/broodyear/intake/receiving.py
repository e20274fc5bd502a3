"""The rows of an upload as they came, in the temporary table ``received``: for files that feed several tables, or
that the fast reader cannot prove to be whole."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice

import duckdb
import pandas as pd

from broodyear.intake.bodies import Body, Dialect
from broodyear.intake.cell_sql import ParseOptions, clean
from broodyear.intake.decoding import Text
from broodyear.intake.plain_files import first_position, made_whole, plain_file
from broodyear.intake.records import Row
from broodyear.intake.shapes import BLANKS

ROWS_AT_A_TIME = 50_000


@dataclass(frozen=True)
class Received:
    """The rows of a file as they came, in the table ``received``: how many, and spreadsheet rows of the file."""

    rows: int
    lines_read: int
    short_rows: int


def receive(connection: duckdb.DuckDBPyConnection, body: Body, dialect: Dialect, width: int) -> Received:
    """Read the rows of a file into ``received``: their spreadsheet rows, and their cells as text."""
    if body.text is not None:
        received = _receive_at_once(connection, body.text, dialect, width)
        if received is not None:
            return received
    make_cells(connection, "received", width)
    rows = _Counted(body.rows(dialect.separator), dialect, width)
    while chunk := list(islice(rows, ROWS_AT_A_TIME)):
        frame = pd.DataFrame(chunk, columns=["line", "unclosed", *cell_names(width).split(", "), "surplus"])
        connection.register("chunk", frame)
        connection.execute("INSERT INTO received SELECT * FROM chunk")
        connection.unregister("chunk")
    return Received(rows.taken, rows.lines_read, rows.short_rows)


def _receive_at_once(
    connection: duckdb.DuckDBPyConnection, text: Text, dialect: Dialect, width: int
) -> Received | None:
    """Receive a large plain text through the fast reader; None when that cannot be, or is not worth it."""
    file = plain_file(text, dialect, width)
    if file is None or text.census.has_quote or file.rows < ROWS_AT_A_TIME:
        return None
    source = file.source(uneven=True)
    if not made_whole(connection, "all_lines", f"SELECT * FROM {source}", file.rows):
        return None
    line = f"rowid - {first_position(connection, 'all_lines')} + {dialect.header_line + 1}"
    cells = ", ".join(clean(f"c{place}", ParseOptions()) for place in range(width))
    make_cells(connection, "received", width)
    row = connection.execute(
        f"INSERT INTO received SELECT {line}, unclosed, {cell_names(width)}, surplus FROM all_lines "
        f"WHERE coalesce({cells}, surplus) IS NOT NULL"
    ).fetchone()
    connection.execute("DROP TABLE all_lines")
    return Received(int(row[0]) if row else 0, text.census.lines, 0)


def make_cells(connection: duckdb.DuckDBPyConnection, name: str, width: int) -> None:
    """An empty table for rows as they were received, with their spreadsheet lines."""
    connection.execute(f"DROP TABLE IF EXISTS {name}")
    columns = ", ".join(f"c{place} VARCHAR" for place in range(width))
    connection.execute(f"CREATE TEMP TABLE {name} (line BIGINT, unclosed BOOLEAN, {columns}, surplus VARCHAR)")


def cell_names(width: int) -> str:
    """The cells of a row as they are named in SQL."""
    return ", ".join(f"c{place}" for place in range(width))


class _Counted:
    """The rows below the header as tuples, counted as they pass; blank rows are left out."""

    def __init__(self, rows: Iterator[Row], dialect: Dialect, width: int) -> None:
        self._rows = rows
        self._header_line = dialect.header_line
        self._separator = dialect.separator
        self._width = width
        self.lines_read = 0
        self.taken = 0
        self.short_rows = 0

    def __iter__(self) -> Iterator[tuple[int | str | None, ...]]:
        return self

    def __next__(self) -> tuple[int | str | None, ...]:
        for row in self._rows:
            self.lines_read = row.line
            if row.line > self._header_line and any(cell.strip(BLANKS) for cell in row.cells):
                return self._tuple(row)
        raise StopIteration

    def _tuple(self, row: Row) -> tuple[int | str | None, ...]:
        self.taken += 1
        cells: list[str | None] = [cell or None for cell in row.cells[: self._width]]
        self.short_rows += len(cells) < self._width
        cells += [None] * (self._width - len(cells))
        surplus = self._separator.join(row.cells[self._width :]).strip(BLANKS + self._separator)
        return (row.line, row.unclosed, *cells, surplus or None)
