"""The rows of one file, read and checked into the temporary table ``checked``: typed values, and the raw cells of
the rows that fail a check.

Plain files go through DuckDB's own reader; a count of lines proves that it lost none. All others (line breaks
inside cells, odd line ends, ragged rows) go through a row-by-row reader into the same checks.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path

import duckdb
import pandas as pd

from broodyear.intake.cell_sql import BLANKS, Reading, quoted
from broodyear.intake.decoding import Text
from broodyear.intake.dialect import Dialect
from broodyear.intake.recognise import Recognised
from broodyear.intake.records import Row, read_rows
from broodyear.intake.row_sql import any_broken, cleaned_select, quick_checks, values_select
from broodyear.store.layout import names

#: Surplus cells that the fast reader takes along; a row with more goes through the row-by-row reader.
SURPLUS_CELLS = 4
ROWS_AT_A_TIME = 50_000


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
    """Read the file into ``checked``, by the fast way when it can be proved to have lost nothing."""
    connection.execute("DROP TABLE IF EXISTS checked")
    census = text.census
    if dialect.plain_start and census.is_uniform:
        expected = max(census.lines - census.trailing_blank - dialect.header_line, 0)
        if _direct(connection, text, dialect, found, reading, expected):
            return Staged(_line_by_position(connection, dialect), census.lines, expected, 0, reading)
    # A quoted cell may hold line breaks and blanks of any kind.
    careful = replace(reading, blanks="any", plain=False)
    return _row_by_row(connection, text.place, dialect, found, careful)


def _direct(
    connection: duckdb.DuckDBPyConnection,
    text: Text,
    dialect: Dialect,
    found: Recognised,
    reading: Reading,
    expected: int,
) -> bool:
    place = text.place if dialect.header_line == 1 else _from_the_header_on(text.place, dialect.header_line)
    source = _csv_source(place, text.census.has_quote, dialect.separator, found.width)
    try:
        connection.execute(_checked_table(found, reading, source, ""))
        row = connection.execute("SELECT count(*) FROM checked").fetchone()
    except duckdb.Error:
        # Ragged rows, broken quotes, lines beyond any length: the other reader tells them apart.
        row = None
    if row is not None and row[0] == expected:
        return True
    connection.execute("DROP TABLE IF EXISTS checked")
    return False


def _line_by_position(connection: duckdb.DuckDBPyConnection, dialect: Dialect) -> str:
    """SQL for the line of a row whose position in ``checked`` is its position in the file."""
    # Inside a transaction the positions do not begin at 0.
    row = connection.execute("SELECT coalesce(min(rowid), 0) FROM checked").fetchone()
    assert row is not None
    return f"(checked.rowid - {row[0]} + {dialect.header_line + 1})"


def _from_the_header_on(place: Path, header_line: int) -> Path:
    """A copy without the lines above the header: readers that skip lines differ in what they count as one."""
    copy = place.with_name(f"{place.name}_from_header")
    with place.open("rb") as file, copy.open("wb") as out:
        for _ in range(header_line - 1):
            file.readline()
        shutil.copyfileobj(file, out)
    return copy


def _csv_source(place: Path, has_quote: bool, separator: str, width: int) -> str:
    raw = [f"c{place}" for place in range(width)]
    surplus = [f"x{place}" for place in range(SURPLUS_CELLS)]
    columns = ", ".join(f"'{name}': 'VARCHAR'" for name in raw + surplus)
    quote = quoted('"') if has_quote else "''"
    between = f", {quoted(separator)}, "
    joined = f"nullif(trim(concat({between.join(surplus)}), {quoted(BLANKS + separator)}), '')"
    scanned = (
        f"read_csv({quoted(str(place))}, columns = {{{columns}}}, header = false, "
        "skip = 1, "
        f"delim = {quoted(separator)}, quote = {quote}, escape = {quote}, auto_detect = false, "
        "null_padding = true, strict_mode = true, encoding = 'utf-8')"
    )
    some = " OR ".join(f"{name} IS NOT NULL" for name in surplus)
    left_over = f"CASE WHEN {some} THEN {joined} END AS surplus"
    return f"(SELECT *, false AS unclosed, {left_over} FROM {scanned})"


def _checked_table(found: Recognised, reading: Reading, source: str, carried: str) -> str:
    table = found.table
    raw = ", ".join(f"c{place}" for place in range(found.width))
    take = f"{carried}surplus, unclosed, {raw}"
    values = values_select(table, reading, cleaned_select(table, found.places, reading, source, take), quick=True)
    broken = any_broken(quick_checks(table, found.header_cells))
    return (
        f"CREATE TEMP TABLE checked AS SELECT {carried}{names(table)}, CASE WHEN {broken} "
        f"THEN [{raw}, surplus, CASE WHEN unclosed THEN 'unclosed' END] END AS raw FROM ({values})"
    )


def _row_by_row(
    connection: duckdb.DuckDBPyConnection, place: Path, dialect: Dialect, found: Recognised, reading: Reading
) -> Staged:
    raw = [f"c{place}" for place in range(found.width)]
    connection.execute("DROP TABLE IF EXISTS incoming")
    columns = ", ".join(f"{name} VARCHAR" for name in [*raw, "surplus"])
    connection.execute(f"CREATE TEMP TABLE incoming (line BIGINT, unclosed BOOLEAN, {columns})")
    rows = _Counted(read_rows(place, dialect.separator), dialect, found.width)
    while chunk := list(islice(rows, ROWS_AT_A_TIME)):
        frame = pd.DataFrame(chunk, columns=["line", "unclosed", *raw, "surplus"])
        connection.register("chunk", frame)
        connection.execute("INSERT INTO incoming SELECT * FROM chunk")
        connection.unregister("chunk")
    connection.execute(_checked_table(found, reading, "incoming", "line, "))
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
