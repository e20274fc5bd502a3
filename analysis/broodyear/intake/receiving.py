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
from broodyear.intake.shapes import BLANKS

ROWS_AT_A_TIME = 50_000


@dataclass
class Received:
    """The rows of a file as they came, in the table ``received``: how many, spreadsheet rows of the file, and rows
    with fewer cells than the header."""

    rows: int = 0
    lines_read: int = 0
    short_rows: int = 0


def receive(connection: duckdb.DuckDBPyConnection, body: Body, dialect: Dialect, width: int) -> Received:
    """Read the rows of a file into ``received``: their spreadsheet rows, and their cells as text."""
    if body.text is not None:
        at_once = _receive_at_once(connection, body.text, dialect, width)
        if at_once is not None:
            return at_once
    make_cells(connection, "received", width)
    received = Received()
    rows = _rows(body, dialect, width, received)
    while chunk := list(islice(rows, ROWS_AT_A_TIME)):
        frame = pd.DataFrame(chunk, columns=["line", "unclosed", *cell_names(width).split(", "), "surplus"])
        connection.register("chunk", frame)
        connection.execute("INSERT INTO received SELECT * FROM chunk")
        connection.unregister("chunk")
    return received


def _rows(body: Body, dialect: Dialect, width: int, received: Received) -> Iterator[tuple[int | str | None, ...]]:
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
