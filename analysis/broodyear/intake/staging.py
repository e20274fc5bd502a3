"""The rows of one file, read and checked into two temporary tables: ``checked`` with the typed values of every row
and whether it is broken (fails a check), and ``broken_rows`` with the cells of the broken rows as they were
received.

Plain files go through DuckDB's own reader; a count of lines proves that it lost none. All others (line breaks
inside cells, odd line ends) go through a row-by-row reader into the same checks.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import duckdb
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from broodyear.intake.bodies import Body, Dialect
from broodyear.intake.cell_sql import ParseOptions, cleaned_select, quick_checks, values_select
from broodyear.intake.decoding import Text
from broodyear.intake.plain_files import (
    PlainFile,
    Received,
    cell_names,
    copy_lines,
    first_position,
    made_whole,
    make_cells,
    plain_file,
    receive,
)
from broodyear.intake.recognise import Recognised, cells_sql, settled_cells, slots_sql, taken_sql
from broodyear.intake.shapes import BLANKS
from broodyear.store.layout import names


@dataclass(frozen=True)
class Staged:
    """What was staged of one table. number: SQL for the number of a row of ``checked``, which is its spreadsheet
    row times ``per_line`` (the most rows that a row of the file gives), plus its place among those;
    lines_read: spreadsheet rows of the file; source_rows: rows of the file below the header; rows: those made of
    them; broken: those that fail a check, which ``broken_rows`` holds where there are any; short_rows,
    blank_rows: rows of the file with fewer cells than the header, and with none that holds anything; options: how
    the cells were read; file: what the fast reader reads, None where it did not; failed: SQL of the checks that
    fail, where they were looked at before."""

    number: str
    lines_read: int
    source_rows: int
    rows: int
    short_rows: int
    options: ParseOptions
    broken: int
    blank_rows: int = 0
    file: PlainFile | None = None
    per_line: int = 1
    failed: str = ""

    @property
    def raw_rows(self) -> str:
        """SQL of the file's own rows, cells ``c0``, ``c1`` … as they came."""
        return "received" if self.file is None else self.file.source(uneven=True)

    @property
    def line(self) -> str:
        """SQL for the spreadsheet row of a row of ``checked``."""
        return self.number if self.per_line == 1 else f"({self.number} // {self.per_line})"


def stage(
    connection: duckdb.DuckDBPyConnection, body: Body, dialect: Dialect, found: Recognised, options: ParseOptions
) -> Staged:
    """Read a file that feeds one table into ``checked`` and ``broken_rows``, by the fast way when it can be proved
    to have lost nothing."""
    if body.text is not None and len(found.slots) < 2 and not found.filled_down:
        staged = _stage_at_once(connection, body.text, dialect, found, options)
        if staged is not None:
            return staged
    return stage_received(connection, receive(connection, body, dialect, found), found, options)


def _stage_at_once(
    connection: duckdb.DuckDBPyConnection, text: Text, dialect: Dialect, found: Recognised, options: ParseOptions
) -> Staged | None:
    file = plain_file(text, dialect, found.source_width)
    if file is None or not _checked_at_once(connection, file, found, options):
        return None
    # Of a row whose position in ``checked`` is its position in the file.
    line = f"(checked.rowid - {first_position(connection, 'checked')} + {dialect.header_line + 1})"
    broken = _broken_at_once(connection, file, found, line, options)
    if broken is None:
        return None
    made, blank = file.rows, 0
    if found.slots:
        [(made,)] = connection.execute("SELECT count(broken) FROM checked").fetchall()
        blank = _blank_lines(connection, file, line) if made < file.rows else 0
    return Staged(line, text.census.lines, file.rows, made, 0, options, broken, blank, file)


def _blank_lines(connection: duckdb.DuckDBPyConnection, file: PlainFile, line: str) -> int:
    """How many of the lines that gave no row hold nothing at all."""
    gave_none = connection.execute(f"SELECT {line} AS line FROM checked WHERE broken IS NULL ORDER BY line")
    path = file.text.path.with_name(f"{file.text.path.name}_none")
    copy_lines(file.text.path, np.asarray(gave_none.fetchnumpy()["line"]), path)
    blanks = BLANKS + file.dialect.separator + '"'
    with path.open(encoding="utf-8-sig") as lines:
        return sum(not text.strip(blanks) for text in lines)


def _checked_at_once(
    connection: duckdb.DuckDBPyConnection, file: PlainFile, found: Recognised, options: ParseOptions
) -> bool:
    for uneven in (False, True) if file.may_be_even else (True,):
        source = _made_of(file.source(uneven=uneven), found, options)
        query = checked_query(found, options, source, "", "taken" if found.slots else None)
        if made_whole(connection, "checked", query, file.rows):
            return True
    return False


def _made_of(source: str, found: Recognised, options: ParseOptions) -> str:
    """SQL of the table's cells over the file's, and whether a row gives one here (``taken``)."""
    if not found.slots:
        return source
    (slot,) = found.slots
    taken = taken_sql(slot, found.source_width, options)
    return f"(SELECT unclosed, surplus, {taken} AS taken, {cells_sql(slot, options)} FROM {source})"


def _broken_at_once(
    connection: duckdb.DuckDBPyConnection, file: PlainFile, found: Recognised, line: str, options: ParseOptions
) -> int | None:
    """Read the broken rows once more, by themselves and with their cells as received; how many there are, None
    when the fast reader cannot."""
    broken = connection.execute(f"SELECT {line} AS line FROM checked WHERE broken ORDER BY line").fetchnumpy()
    lines = np.asarray(broken["line"])
    if not len(lines):
        return 0
    make_cells(connection, "broken_rows", found.width)
    return len(lines) if _read_again(connection, file, found, lines, options, "broken_rows") else None


def _read_again(
    connection: duckdb.DuckDBPyConnection,
    file: PlainFile,
    found: Recognised,
    lines: NDArray[np.int64],
    options: ParseOptions,
    into: str,
) -> bool:
    """Add the rows of some lines to a table of cells; False when the fast reader does not read them one by one."""
    path = file.text.path.with_name(f"{file.text.path.name}_again")
    copy_lines(file.text.path, lines, path)
    if not made_whole(
        connection, "rows_again", f"SELECT * FROM {file.source(uneven=True, copy=path)}", len(lines)
    ):
        return False
    positions = np.arange(len(lines)) + first_position(connection, "rows_again")
    connection.register("lines_again", pd.DataFrame({"line": lines, "position": positions}))
    cells = cells_sql(found.slots[0], options) if found.slots else cell_names(found.width)
    connection.execute(
        f"INSERT INTO {into} SELECT line, unclosed, {cells}, surplus FROM rows_again "
        "JOIN lines_again ON rows_again.rowid = position"
    )
    connection.unregister("lines_again")
    connection.execute("DROP TABLE rows_again")
    return True


def checked_query(
    found: Recognised, options: ParseOptions, source: str, carried: str, taken: str | None = None
) -> str:
    """SQL of the typed values and of ``broken``: NULL where the row gives none to this table. taken: SQL that
    tells whether it gives one, None when every row does."""
    table = found.table
    take = f"{carried}surplus, unclosed" + ("" if taken is None else f", {taken}")
    values = values_select(
        table, options, cleaned_select(table, found.positions, options, source, take), quick=True
    )
    broken = " OR ".join(f"({check.broken})" for check in quick_checks(table, found.header_cells))
    none = "" if taken is None else f"WHEN NOT {taken} THEN NULL "
    # In a CASE the checks stop at the first that fails.
    state = f"CASE {none}WHEN {broken} THEN true ELSE false END AS broken"
    return f"SELECT {carried}{names(table)}, {state} FROM ({values})"


def stage_received(
    connection: duckdb.DuckDBPyConnection, received: Received, found: Recognised, options: ParseOptions
) -> Staged:
    """Check what ``received`` gives to one table, into ``checked`` and ``broken_rows``."""
    options = careful(options)
    source = made_of_received(found, options)
    checked = checked_query(found, options, source, "line, ")
    [(rows,)] = connection.execute(f"CREATE OR REPLACE TEMP TABLE checked AS {checked}").fetchall()
    [(broken,)] = connection.execute("SELECT count(*) FROM checked WHERE broken").fetchall()
    if broken:
        keep_broken(connection, found, source, "checked")
    return Staged(
        "checked.line", received.lines_read, received.rows, int(rows), received.short_rows, options, int(broken),
        per_line=max(len(found.slots), 1),
    )  # fmt: skip


def careful(options: ParseOptions) -> ParseOptions:
    """For rows that were read one by one: a quoted cell may hold line breaks and blanks of any kind."""
    return replace(options, blanks=BLANKS, is_ascii=False, quick_numbers=False)


def keep_broken(connection: duckdb.DuckDBPyConnection, found: Recognised, source: str, checked: str) -> None:
    """Make ``broken_rows`` of those rows of ``source`` (SQL) that are broken in the table ``checked``."""
    make_cells(connection, "broken_rows", found.width)
    cells = f"line, unclosed, {cell_names(found.width)}, surplus"
    broken = f"SELECT line FROM {checked} WHERE broken"
    connection.execute(f"INSERT INTO broken_rows SELECT {cells} FROM {source} WHERE line IN ({broken})")


def made_of_received(found: Recognised, options: ParseOptions, received: str = "received") -> str:
    """SQL of the rows that ``received`` gives to one table; their ``line`` is their number (see ``Staged``)."""
    if not found.slots:
        return received
    return f"({slots_sql(found.slots, found.source_width, options, received)})"


def cells_of(
    connection: duckdb.DuckDBPyConnection, found: Recognised, staged: Staged, numbers: Collection[int]
) -> dict[int, tuple[str, ...]]:
    """The cells of some rows of the table, as their copy has them, by the number of the row."""
    if not numbers:
        return {}
    wanted = np.array(sorted(numbers), np.int64)
    make_cells(connection, "picked_rows", found.width)
    if staged.file is None:
        connection.register("wanted", pd.DataFrame({"wanted": wanted}))
        connection.execute(
            f"INSERT INTO picked_rows SELECT line, unclosed, {cell_names(found.width)}, surplus "
            f"FROM {made_of_received(found, staged.options)} WHERE line IN (SELECT wanted FROM wanted)"
        )
        connection.unregister("wanted")
    else:
        _read_again(connection, staged.file, found, wanted, staged.options, "picked_rows")
    cleaned = cleaned_select(found.table, found.positions, staged.options, "picked_rows", "*")
    settled = ", ".join(settled_cells(found, staged.options))
    values = values_select(found.table, staged.options, cleaned)
    cells = f"SELECT line, [{settled}] AS cells FROM ({values}) ORDER BY line"
    return {line: tuple(cell or "" for cell in row) for line, row in connection.execute(cells).fetchall()}
