"""The rows of one file, read and checked into two temporary tables: ``checked`` with the typed values of every row
and whether it is broken (fails a check), and ``aside`` with the cells of the broken rows as they were received.

Plain files go through DuckDB's own reader; a count of lines proves that it lost none. All others (line breaks
inside cells, odd line ends) go through a row-by-row reader into the same checks.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd

from broodyear.intake.cell_sql import BLANKS, Reading, quoted
from broodyear.intake.decoding import Text
from broodyear.intake.dialect import Dialect
from broodyear.intake.picking import copy_lines
from broodyear.intake.recognise import Recognised
from broodyear.intake.records import Row, read_rows
from broodyear.intake.row_sql import any_broken, cleaned_select, quick_checks, values_select
from broodyear.store.layout import names

#: Surplus cells that the fast reader takes along; a row with more goes through the row-by-row reader.
SURPLUS_CELLS = 4
ROWS_AT_A_TIME = 50_000
#: Bytes that one thread reads at a time. With less, the rows of a large file come to lie in blocks that are not
#: full, and need a tenth more memory.
BYTES_AT_A_TIME = 16_000_000


@dataclass(frozen=True)
class Staged:
    """What was staged. line: SQL for the spreadsheet row of a row of ``checked``;
    lines_read: spreadsheet rows of the file; short_rows: rows with fewer cells than the header;
    reading: how the cells were read."""

    line: str
    lines_read: int
    rows: int
    short_rows: int
    reading: Reading
    direct: bool = True


def stage(
    connection: duckdb.DuckDBPyConnection, text: Text, dialect: Dialect, found: Recognised, reading: Reading
) -> Staged:
    """Read the file into ``checked`` and ``aside``, by the fast way when it can be proved to have lost nothing."""
    census = text.census
    if dialect.plain_start and census.is_uniform and not census.has_long_line:
        rows = max(census.lines - census.trailing_blank - dialect.header_line, 0)
        file = _Plain(text, dialect, found.width, rows)
        if _checked_at_once(connection, file, found, reading):
            line = _line_by_position(connection, dialect)
            if _aside_at_once(connection, file, line):
                return Staged(line, census.lines, rows, 0, reading)
    # A quoted cell may hold line breaks and blanks of any kind.
    careful = replace(reading, blanks="any", plain=False)
    return _row_by_row(connection, text.place, dialect, found, careful)


@dataclass(frozen=True)
class _Plain:
    """A file whose every line should be a row of ``width`` cells. rows: how many are expected below the header."""

    text: Text
    dialect: Dialect
    width: int
    rows: int

    @property
    def may_be_even(self) -> bool:
        """Whether the number of separators lets every line have as many cells as the header."""
        census = self.text.census
        lines = census.lines - census.trailing_blank
        return census.separators[self.dialect.separator] == (self.width - 1) * lines

    def source(self, place: Path, skip: int, *, uneven: bool) -> str:
        """SQL that reads a text laid out like this file: cells ``c0``, ``c1`` …, ``surplus`` and ``unclosed``.

        skip: lines to leave out; uneven: rows may lack cells or have some left over, which costs time.
        """
        raw = [f"c{place}" for place in range(self.width)]
        surplus = [f"x{place}" for place in range(SURPLUS_CELLS if uneven else 0)]
        columns = ", ".join(f"'{name}': 'VARCHAR'" for name in raw + surplus)
        quote = quoted('"') if self.text.census.has_quote else "''"
        scanned = (
            f"read_csv({quoted(str(place))}, columns = {{{columns}}}, header = false, skip = {skip}, "
            f"delim = {quoted(self.dialect.separator)}, quote = {quote}, escape = {quote}, auto_detect = false, "
            f"null_padding = {str(uneven).lower()}, strict_mode = true, encoding = 'utf-8', "
            f"buffer_size = {BYTES_AT_A_TIME})"
        )
        return f"(SELECT *, false AS unclosed, {_left_over(surplus, self.dialect.separator)} FROM {scanned})"


def _left_over(surplus: list[str], separator: str) -> str:
    """SQL of what stands in surplus cells, as one text."""
    if not surplus:
        return "NULL::VARCHAR AS surplus"
    between = f", {quoted(separator)}, "
    joined = f"nullif(trim(concat({between.join(surplus)}), {quoted(BLANKS + separator)}), '')"
    some = " OR ".join(f"{name} IS NOT NULL" for name in surplus)
    return f"CASE WHEN {some} THEN {joined} END AS surplus"


def _checked_at_once(
    connection: duckdb.DuckDBPyConnection, file: _Plain, found: Recognised, reading: Reading
) -> bool:
    place, header_line = file.text.place, file.dialect.header_line
    place = place if header_line == 1 else _from_the_header_on(place, header_line)
    for uneven in (False, True) if file.may_be_even else (True,):
        query = _checked_query(found, reading, file.source(place, 1, uneven=uneven), "")
        if _made_whole(connection, "checked", query, file.rows):
            return True
    return False


def _aside_at_once(connection: duckdb.DuckDBPyConnection, file: _Plain, line: str) -> bool:
    """Read the broken rows once more, by themselves and with their cells as received."""
    _make_cells(connection, "aside", file.width)
    broken = connection.execute(f"SELECT {line} AS line FROM checked WHERE broken ORDER BY line").fetchnumpy()
    lines = np.asarray(broken["line"])
    if not len(lines):
        return True
    place = file.text.place.with_name(f"{file.text.place.name}_aside")
    copy_lines(file.text.place, lines, place)
    if not _made_whole(connection, "received", f"SELECT * FROM {file.source(place, 0, uneven=True)}", len(lines)):
        return False
    positions = np.arange(len(lines)) + first_position(connection, "received")
    connection.register("broken_lines", pd.DataFrame({"line": lines, "position": positions}))
    connection.execute(
        f"INSERT INTO aside SELECT line, {_cells(file.width)} FROM received "
        "JOIN broken_lines ON received.rowid = position"
    )
    connection.unregister("broken_lines")
    connection.execute("DROP TABLE received")
    return True


def _made_whole(connection: duckdb.DuckDBPyConnection, table: str, query: str, rows: int) -> bool:
    """Make a temporary table of a query; whether it has as many rows as it should."""
    connection.execute(f"DROP TABLE IF EXISTS {table}")
    try:
        connection.execute(f"CREATE TEMP TABLE {table} AS {query}")
        [(made,)] = connection.execute(f"SELECT count(*) FROM {table}").fetchall()
    except duckdb.InterruptException:
        raise
    except duckdb.Error:
        # Uneven rows, broken quotes, lines beyond any length: another way of reading tells them apart.
        return False
    return bool(made == rows)


def _make_cells(connection: duckdb.DuckDBPyConnection, name: str, width: int) -> None:
    """An empty table for rows as they were received, with their spreadsheet lines."""
    connection.execute(f"DROP TABLE IF EXISTS {name}")
    columns = ", ".join(f"c{place} VARCHAR" for place in range(width))
    connection.execute(f"CREATE TEMP TABLE {name} (line BIGINT, unclosed BOOLEAN, {columns}, surplus VARCHAR)")


def _cells(width: int) -> str:
    return f"unclosed, {', '.join(f'c{place}' for place in range(width))}, surplus"


def _line_by_position(connection: duckdb.DuckDBPyConnection, dialect: Dialect) -> str:
    """SQL for the line of a row whose position in ``checked`` is its position in the file."""
    return f"(checked.rowid - {first_position(connection, 'checked')} + {dialect.header_line + 1})"


def first_position(connection: duckdb.DuckDBPyConnection, table: str) -> int:
    """Position of the first row of a temporary table: inside a transaction they do not begin at 0."""
    [(first,)] = connection.execute(f"SELECT coalesce(min(rowid), 0) FROM {table}").fetchall()
    return int(first)


def _from_the_header_on(place: Path, header_line: int) -> Path:
    """A copy without the lines above the header: readers that skip lines differ in what they count as one."""
    copy = place.with_name(f"{place.name}_from_header")
    with place.open("rb") as file, copy.open("wb") as out:
        for _ in range(header_line - 1):
            file.readline()
        shutil.copyfileobj(file, out)
    return copy


def _checked_query(found: Recognised, reading: Reading, source: str, carried: str) -> str:
    table = found.table
    take = f"{carried}surplus, unclosed"
    values = values_select(table, reading, cleaned_select(table, found.places, reading, source, take), quick=True)
    broken = any_broken(quick_checks(table, found.header_cells))
    # In a CASE the checks stop at the first that fails.
    return f"SELECT {carried}{names(table)}, CASE WHEN {broken} THEN true ELSE false END AS broken FROM ({values})"


def _row_by_row(
    connection: duckdb.DuckDBPyConnection, place: Path, dialect: Dialect, found: Recognised, reading: Reading
) -> Staged:
    _make_cells(connection, "received", found.width)
    rows = _Counted(read_rows(place, dialect.separator), dialect, found.width)
    while chunk := list(islice(rows, ROWS_AT_A_TIME)):
        frame = pd.DataFrame(chunk, columns=["line", *_cells(found.width).split(", ")])
        connection.register("chunk", frame)
        connection.execute("INSERT INTO received SELECT * FROM chunk")
        connection.unregister("chunk")
    connection.execute("DROP TABLE IF EXISTS checked")
    connection.execute(f"CREATE TEMP TABLE checked AS {_checked_query(found, reading, 'received', 'line, ')}")
    _make_cells(connection, "aside", found.width)
    connection.execute(
        "INSERT INTO aside SELECT * FROM received WHERE line IN (SELECT line FROM checked WHERE broken)"
    )
    return Staged("checked.line", rows.lines_read, rows.taken, rows.short_rows, reading, direct=False)


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
