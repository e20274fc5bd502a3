"""The account of one upload: every row of the source gave rows, gave none and why, or was kept out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import duckdb

from broodyear.findings import FileReport, TableCount, counted
from broodyear.intake.checking import Verdict
from broodyear.intake.dates import date_notes
from broodyear.intake.notes import cell_notes, note_of_export, short_rows
from broodyear.intake.opened import Opened
from broodyear.intake.recognise import Recognised
from broodyear.intake.repeats import held_numbers
from broodyear.intake.staging import Staged
from broodyear.schemas import Table


@dataclass
class TableAccount:
    """What one table got. left_out: numbers of rows that are not to be written, being repeats; accepted: rows
    written; held: rows that earlier uploads of the same bytes hold."""

    found: Recognised
    staged: Staged
    verdict: Verdict
    left_out: list[int]
    accepted: int = 0
    held: int = 0

    @property
    def made(self) -> int:
        """Rows that were looked at: neither blank nor held, and none that only names again what another gave."""
        return self.staged.rows - self.verdict.blank_rows - self.held - self.verdict.repeated

    @property
    def count(self) -> TableCount:
        """The rows of the table."""
        return TableCount(self.found.table.name, self.made, self.accepted, self.made - self.accepted)


@dataclass
class Account:
    """The account of an upload as its tables are written, one after another."""

    connection: duckdb.DuckDBPyConnection
    tables: list[TableAccount] = field(default_factory=list)
    without_setup: list[str] = field(default_factory=list)
    _has_lines: bool = False

    def rows_held(self, table: Table, staged: Staged, earlier: tuple[int, ...]) -> int:
        """How many rows of a table earlier uploads of the same bytes hold."""
        if not earlier:
            return 0
        row = self.connection.execute(f"SELECT count(*) FROM ({held_numbers(table, staged, earlier)})").fetchone()
        return int(row[0]) if row else 0

    def note_made(self, table: Table, staged: Staged, earlier: tuple[int, ...]) -> None:
        """Note the lines of a file of several tables, or of several rows a line, that gave a row here."""
        if staged.file is not None:
            return
        if not self._has_lines:
            self.connection.execute("CREATE OR REPLACE TEMP TABLE lines_used (line BIGINT)")
            self._has_lines = True
        but = f" WHERE {staged.number} NOT IN ({held_numbers(table, staged, earlier)})" if earlier else ""
        self.connection.execute(f"INSERT INTO lines_used SELECT DISTINCT {staged.line} FROM checked{but}")

    def lines(self) -> tuple[int, int]:
        """Rows of the source that gave a row, and of which a row was kept out."""
        first, made = self.tables[0], self.tables[0].made
        rejected = made - first.accepted
        if self._has_lines:
            [(lines,)] = self.connection.execute("SELECT count(DISTINCT line) FROM lines_used").fetchall()
            made = int(lines) - first.verdict.blank_rows
        if len(self.tables) > 1 or first.staged.per_line > 1:
            rejected = len({row.line for table in self.tables for row in table.verdict.rejected})
        return made, rejected


def report_of(opened: Opened, account: Account) -> FileReport:
    """The report of an upload whose tables are all written."""
    first = account.tables[0]
    made, rejected = account.lines()
    held = any(table.held for table in account.tables)
    none = 0 if held else first.staged.source_rows - first.verdict.blank_rows - first.staged.blank_rows - made
    rows = made + none
    notes = [*opened.notes, *_notes(opened, account, none, rows)]
    counts = tuple(table.count for table in account.tables)
    lines_read = first.staged.lines_read
    repeated = sum(not row.mendable for table in account.tables for row in table.verdict.rejected)
    figures = (lines_read, rows, rows - rejected, rejected, tuple(notes), counts, repeated)
    return FileReport(opened.source.shown, opened.tables, *figures)


def _notes(opened: Opened, account: Account, none: int, rows: int) -> Iterator[str]:
    first = account.tables[0]
    text = opened.body.text
    if text is not None:
        yield from cell_notes(text, opened.dialect, first.staged.options.decimal_comma)
    tables = account.tables
    yield from dict.fromkeys(note for one in tables for note in date_notes(opened, one.found, one.staged.options))
    yield from _short_rows(opened, first)
    yield from _blank_rows(opened, first)
    if none:
        assert opened.dialect.layout is not None
        needed = (
            " and ".join(rows.only_when) or rows.unpivot or "any cell" for rows in opened.dialect.layout.rows
        )
        yield f"{counted(none, 'row')} gave nothing, for lack of {' or '.join(dict.fromkeys(needed))}"
    named_again = [f"{one.found.table.name} {one.verdict.repeated:,}" for one in tables if one.verdict.repeated]
    if named_again:
        yield f"rows that repeat one already taken, and need nothing: {', '.join(named_again)}"
    held = sum(table.held for table in account.tables)
    if held:
        rows_are = "1 row is" if held == 1 else f"{held:,} rows are"
        yield f"{rows_are} held from an earlier load of the same bytes; only the others were looked at"
    yield from dict.fromkeys(account.without_setup)
    exported = note_of_export(opened.source.path, first.found.table.name)
    if exported is not None:
        yield exported
    if not rows and not held:
        yield "the file has a header and no rows"


def _short_rows(opened: Opened, first: TableAccount) -> Iterator[str]:
    short, text = first.staged.short_rows, opened.body.text
    if text is None:
        return
    if first.staged.file is not None:
        short = short_rows(text.path, text.census, opened.dialect, first.found.source_width)
    if short:
        yield f"{counted(short, 'row')} had fewer cells than the header; the missing cells were read as blank"


def _blank_rows(opened: Opened, first: TableAccount) -> Iterator[str]:
    """Blank lines between the rows, and rows of nothing but separators; those at the end have their own note."""
    between = blank_between(opened, first.staged, first.verdict)
    if between:
        more = "more " if _blank_at_end(opened) else ""
        lines_were = f"1 {more}blank line was" if between == 1 else f"{between:,} {more}blank lines were"
        yield f"{lines_were} left out"


def _blank_at_end(opened: Opened) -> int:
    return opened.body.text.census.trailing_blank if opened.body.text is not None else 0


def blank_between(opened: Opened, staged: Staged, verdict: Verdict) -> int:
    """How many blank lines stand between the rows of a file."""
    below = staged.lines_read - opened.dialect.header_line - staged.source_rows
    return max(below - _blank_at_end(opened), 0) + verdict.blank_rows + staged.blank_rows
