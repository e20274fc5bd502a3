"""The rows of an upload as they came. Texts whose every line is a row are read by the database's own reader, and
proved by a count to be whole; single lines of them are picked to be read again. Files that feed several tables, or
that the fast reader cannot prove to be whole, go into the temporary table ``received``."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import BinaryIO

import duckdb
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from broodyear.intake.bodies import Body, Dialect
from broodyear.intake.cell_sql import ParseOptions, clean
from broodyear.intake.decoding import Text
from broodyear.intake.recognise import Recognised
from broodyear.intake.shapes import BLANKS
from broodyear.store.layout import quoted

#: Surplus cells that the fast reader takes along; a row with more goes through the row-by-row reader.
SURPLUS_CELLS = 4
#: Bytes that one thread reads at a time. With less, the rows of a large file come to lie in blocks that are not
#: full, and need a tenth more memory.
BYTES_AT_A_TIME = 16_000_000


@dataclass(frozen=True)
class PlainFile:
    """A file whose every line below the header should be a row of ``width`` cells. rows: how many are expected."""

    text: Text
    dialect: Dialect
    width: int
    rows: int

    @property
    def may_be_even(self) -> bool:
        """Whether the number of separators lets every row have as many cells as the header."""
        separator = self.dialect.separator
        with self.text.path.open("rb") as lines:
            above = sum(line.count(separator.encode()) for line in islice(lines, self.dialect.header_line))
        return self.text.census.separators[separator] - above == (self.width - 1) * self.rows

    def source(self, *, uneven: bool, copy: Path | None = None) -> str:
        """SQL that reads the rows of this file: cells ``c0``, ``c1`` …, ``surplus`` and ``unclosed``.

        uneven: rows may lack cells or have some left over, which costs time; copy: some of its lines, to be read
        instead.
        """
        read_from, skip = (self.text.path, self.dialect.header_line) if copy is None else (copy, 0)
        raw = [f"c{position}" for position in range(self.width)]
        surplus = [f"x{position}" for position in range(SURPLUS_CELLS if uneven else 0)]
        columns = ", ".join(f"'{name}': 'VARCHAR'" for name in raw + surplus)
        quote = quoted('"') if self.text.census.has_quote else "''"
        scanned = (
            f"read_csv({quoted(str(read_from))}, columns = {{{columns}}}, header = false, skip = {skip}, "
            f"delim = {quoted(self.dialect.separator)}, quote = {quote}, escape = {quote}, auto_detect = false, "
            f"null_padding = {str(uneven).lower()}, strict_mode = true, encoding = 'utf-8', "
            f"buffer_size = {BYTES_AT_A_TIME})"
        )
        return f"(SELECT *, false AS unclosed, {_left_over(surplus, self.dialect.separator)} FROM {scanned})"


def plain_file(text: Text, dialect: Dialect, width: int) -> PlainFile | None:
    """The text as a file that the fast reader may take; None when it is too odd for that."""
    census = text.census
    ends_alike = not census.has_lone_return and census.returns in (0, census.newlines)
    if not (dialect.plain_start and ends_alike and not census.has_long_line):
        return None
    return PlainFile(text, dialect, width, max(census.lines - census.trailing_blank - dialect.header_line, 0))


def _left_over(surplus: list[str], separator: str) -> str:
    """SQL of what stands in surplus cells, as one text."""
    if not surplus:
        return "NULL::VARCHAR AS surplus"
    between = f", {quoted(separator)}, "
    joined = f"nullif(trim(concat({between.join(surplus)}), {quoted(BLANKS + separator)}), '')"
    some = " OR ".join(f"{name} IS NOT NULL" for name in surplus)
    return f"CASE WHEN {some} THEN {joined} END AS surplus"


def made_whole(connection: duckdb.DuckDBPyConnection, table: str, query: str, rows: int) -> bool:
    """Make a temporary table of a query; whether it has as many rows as it should."""
    connection.execute(f"DROP TABLE IF EXISTS {table}")
    try:
        [(made,)] = connection.execute(f"CREATE TEMP TABLE {table} AS {query}").fetchall()
    except duckdb.InterruptException:
        raise
    except duckdb.Error:
        # Uneven rows, broken quotes, lines beyond any length: another way of reading tells them apart.
        return False
    return bool(made == rows)


def first_position(connection: duckdb.DuckDBPyConnection, table: str) -> int:
    """Position of the first row of a temporary table: inside a transaction they do not begin at 0."""
    [(first,)] = connection.execute(f"SELECT coalesce(min(rowid), 0) FROM {table}").fetchall()
    return int(first)


#: Lines are looked for in pieces of about this many bytes; so many are searched at a time, beside the one whose
#: lines are being written.
_PIECE, _SEARCHED = 4_000_000, 2


def copy_lines(path: Path, lines: NDArray[np.int64], copy: Path) -> None:
    """Write the given lines (from 1, rising) of the text at ``path`` to a new file, as they stand."""
    wanted = lines - 1
    before = 0
    with path.open("rb") as text, copy.open("wb") as out:
        for piece, ends in _with_line_ends(text):
            starts = np.insert(ends[:-1], 0, 0)
            here = wanted[np.searchsorted(wanted, before) : np.searchsorted(wanted, before + len(ends))] - before
            out.writelines(
                piece[start:end] for start, end in zip(starts[here].tolist(), ends[here].tolist(), strict=True)
            )
            before += len(ends)


def _with_line_ends(text: BinaryIO) -> Iterator[tuple[bytes, NDArray[np.int64]]]:
    """The text in pieces of whole lines, with where their lines end, looked for on every processor."""
    searched: deque[tuple[bytes, Future[NDArray[np.int64]]]] = deque()
    with ThreadPoolExecutor(_SEARCHED) as pool:
        while piece := text.read(_PIECE):
            piece += text.readline()
            searched.append((piece, pool.submit(_line_ends, piece)))
            if len(searched) > _SEARCHED:
                first, ends = searched.popleft()
                yield first, ends.result()
        for first, ends in searched:
            yield first, ends.result()


def _line_ends(piece: bytes) -> NDArray[np.int64]:
    ends = np.flatnonzero(np.frombuffer(piece, np.uint8) == ord("\n")) + 1
    return ends if len(ends) and ends[-1] == len(piece) else np.append(ends, len(piece))


ROWS_AT_A_TIME = 50_000


@dataclass
class Received:
    """The rows of a file as they came, in the table ``received``: how many, spreadsheet rows of the file, and rows
    with fewer cells than the header."""

    rows: int = 0
    lines_read: int = 0
    short_rows: int = 0


def receive(connection: duckdb.DuckDBPyConnection, body: Body, dialect: Dialect, found: Recognised) -> Received:
    """Read the rows of a file into ``received``: their spreadsheet rows, and their cells as text.

    found: what it gives to a table, to any of several.
    """
    width = found.source_width
    at_once = None if body.text is None else _receive_at_once(connection, body.text, dialect, width)
    received = at_once or _receive_by_row(connection, body, dialect, width)
    if found.filled_down:
        _fill_down(connection, found.filled_down)
    return received


def _fill_down(connection: duckdb.DuckDBPyConnection, positions: Sequence[int]) -> None:
    above = "OVER (ORDER BY line ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW)"
    cells = {f"c{position}": clean(f"c{position}", ParseOptions()) for position in positions}
    filled = ", ".join(
        f"last_value(CASE WHEN {cleaned} IS NOT NULL THEN {cell} END IGNORE NULLS) {above} AS {cell}"
        for cell, cleaned in cells.items()
    )
    connection.execute(f"CREATE OR REPLACE TEMP TABLE received AS SELECT * REPLACE ({filled}) FROM received")


def _receive_by_row(connection: duckdb.DuckDBPyConnection, body: Body, dialect: Dialect, width: int) -> Received:
    make_cells(connection, "received", width)
    received = Received()
    rows = received_rows(body, dialect, width, received)
    while chunk := list(islice(rows, ROWS_AT_A_TIME)):
        frame = pd.DataFrame(chunk, columns=["line", "unclosed", *cell_names(width).split(", "), "surplus"])
        connection.register("chunk", frame)
        connection.execute("INSERT INTO received SELECT * FROM chunk")
        connection.unregister("chunk")
    return received


def received_rows(
    body: Body, dialect: Dialect, width: int, received: Received
) -> Iterator[tuple[int | str | None, ...]]:
    """The rows below the header as tuples, counted in ``received`` as they pass; blank rows are left out."""
    separator = dialect.separator
    for row in body.rows(separator):
        received.lines_read = row.line
        if row.line > dialect.header_line and any(cell.strip(BLANKS) for cell in row.cells):
            received.rows += 1
            received.short_rows += len(row.cells) < width
            cells = [cell or None for cell in row.cells[:width]] + [None] * (width - len(row.cells))
            surplus = separator.join(row.cells[width:]).strip(BLANKS + separator)
            yield (row.line, row.unclosed, *cells, surplus or None)


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
    cells = ", ".join(clean(f"c{position}", ParseOptions()) for position in range(width))
    make_cells(connection, "received", width)
    row = connection.execute(
        f"INSERT INTO received SELECT {line}, unclosed, {cell_names(width)}, surplus FROM all_lines "
        f"WHERE coalesce({cells}, surplus) IS NOT NULL"
    ).fetchone()
    connection.execute("DROP TABLE all_lines")
    return Received(int(row[0]) if row else 0, text.census.lines, 0)


def make_cells(connection: duckdb.DuckDBPyConnection, name: str, width: int) -> None:
    """An empty table for rows as they were received, with their spreadsheet lines."""
    columns = ", ".join(f"c{position} VARCHAR" for position in range(width))
    connection.execute(
        f"CREATE OR REPLACE TEMP TABLE {name} (line BIGINT, unclosed BOOLEAN, {columns}, surplus VARCHAR)"
    )


def cell_names(width: int) -> str:
    """The cells of a row as they are named in SQL."""
    return ", ".join(f"c{position}" for position in range(width))
