"""One file, from its bytes to the store: read, recognise, check, and write all of it in one transaction."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from json.encoder import encode_basestring
from pathlib import Path
from typing import Literal

import duckdb

from broodyear.errors import UnreadableFile
from broodyear.findings import FileReport, Finding
from broodyear.intake.cell_sql import Reading
from broodyear.intake.checking import Verdict, judge
from broodyear.intake.clock_changes import clock_change_warnings
from broodyear.intake.decoding import Text, read_text
from broodyear.intake.dialect import Dialect, find_dialect
from broodyear.intake.notes import cell_notes, cut_off_line, short_rows, uses_decimal_commas
from broodyear.intake.pausing import uncollected
from broodyear.intake.picking import pick_rows
from broodyear.intake.recognise import Recognised, plain_name, recognise
from broodyear.intake.records import read_rows
from broodyear.intake.references import prepare_known_codes
from broodyear.intake.rejected import MENDS, RejectedRows
from broodyear.intake.repeats import find_repeats, report_repeats
from broodyear.intake.sources import Source
from broodyear.intake.staging import Staged, stage
from broodyear.schemas import Table
from broodyear.settings import Settings
from broodyear.store import ledger
from broodyear.store.handle import utc_now
from broodyear.store.layout import OWN_COLUMNS, names


@dataclass(frozen=True)
class Opened:
    """A file whose text, separators and table are known."""

    source: Source
    text: Text
    dialect: Dialect
    found: Recognised

    @property
    def notes(self) -> list[str]:
        """What was done so far to read the file."""
        return [*self.text.notes, *self.dialect.notes, *self.found.notes]


@dataclass
class Filed:
    """What became of one file. rejected: the rows kept out, with their cells as received; header, separator: those
    of the file; last_is_text: its last column takes any text; upload: its number."""

    report: FileReport
    findings: list[Finding] = field(default_factory=list)
    rejected: RejectedRows = field(default_factory=RejectedRows)
    header: tuple[str, ...] = ()
    separator: str = ","
    last_is_text: bool = True
    upload: int | None = None


def open_upload(source: Source, scratch: Path, number: int, *, may_link: bool = True) -> Opened:
    """Read the text of ``source`` and recognise its table. Raises UnreadableFile (message, advice).

    may_link: the database reaches files outside ``scratch``.
    """
    text = read_text(source, scratch, number, may_link=may_link)
    if not text.census.size:
        raise UnreadableFile("the file is empty", "Send the table with its header row.")
    dialect = find_dialect(text.place)
    return Opened(source, text, dialect, recognise(dialect.header, source.name))


def file_upload(
    connection: duckdb.DuckDBPyConnection, opened: Opened, settings: Settings, earlier: tuple[int, ...] = ()
) -> Filed | None:
    """Check the rows of one file and write the good ones, in one transaction, into the store of ``connection``.

    earlier: standing uploads of the same bytes, whose rows are not taken again: only rows that were kept out then,
    for a code that was not known, can come in now; None when there is no such row.
    Raises UnreadableFile for a cell beyond any reason.
    """
    table = opened.found.table
    prepare_known_codes(connection, table)
    # Read and judged before the transaction begins: a failure of the quick reader would end it.
    reading = _reading(opened)
    staged = stage(connection, opened.text, opened.dialect, opened.found, reading)
    _pass_over_held(connection, table, earlier)
    with uncollected():
        verdict = judge(connection, opened.source.shown, opened.found, staged, settings)
    left_out = _look_across_rows(connection, opened, staged, verdict, settings, earlier)
    connection.execute("BEGIN")
    try:
        with uncollected():
            filed = _write(connection, opened, staged, verdict, left_out, settings, earlier)
        added = filed.report.rows_accepted > 0 or not earlier
        connection.execute("COMMIT" if added else "ROLLBACK")
    except BaseException:
        _roll_back(connection)
        raise
    return filed if added else None


def _roll_back(connection: duckdb.DuckDBPyConnection) -> None:
    try:
        connection.execute("ROLLBACK")
    except duckdb.Error:
        # The database has ended the transaction itself; what went wrong is being raised already.
        return


def _pass_over_held(connection: duckdb.DuckDBPyConnection, table: Table, earlier: tuple[int, ...]) -> None:
    """Rows that earlier uploads hold are not judged again."""
    if earlier:
        connection.execute(f"DELETE FROM aside WHERE line IN ({ledger.held_lines(table, earlier)})")


def _look_across_rows(
    connection: duckdb.DuckDBPyConnection,
    opened: Opened,
    staged: Staged,
    verdict: Verdict,
    settings: Settings,
    earlier: tuple[int, ...],
) -> list[int]:
    """Repeats and a cut-off end go into the verdict; returns the lines of repeats to leave out."""
    table, path, place = opened.found.table, opened.source.shown, opened.text.place
    repeats = find_repeats(connection, table, staged, settings, earlier)
    cells = pick_rows(place, opened.dialect.separator, {repeat.line for repeat in repeats})
    left_out = report_repeats(path, table, repeats, cells, verdict)
    if cut_off_line(place, opened.text.census, opened.dialect, opened.found.width):
        verdict.add(_cut_off(opened, staged))
    return left_out


def _write(
    connection: duckdb.DuckDBPyConnection,
    opened: Opened,
    staged: Staged,
    verdict: Verdict,
    left_out: list[int],
    settings: Settings,
    earlier: tuple[int, ...],
) -> Filed:
    table = opened.found.table
    upload = ledger.next_number(connection)
    _leave_out(connection, table, left_out, earlier)
    accepted = _keep_rows(connection, table, staged, upload)
    ledger.supersede(connection, table, upload, settings)
    for warning in clock_change_warnings(connection, opened.source.shown, table, upload):
        verdict.add(warning)
    verdict.close(opened.source.shown, table.name)
    report = _report(opened, staged, verdict, accepted, _held(connection, table, earlier))
    _keep_ledger(connection, opened, report, verdict, upload)
    found, separator = opened.found, opened.dialect.separator
    return Filed(
        report,
        verdict.findings,
        verdict.rejected,
        found.header,
        separator,
        last_is_text(table, found.header),
        upload,
    )


def last_is_text(table: Table, header: Sequence[str]) -> bool:
    """Whether the last column of a file takes any text, as one that is not declared does."""
    name = plain_name(header[-1]) if header else ""
    return name not in table.column_names or table.column(name).kind in {"code", "text"}


def _cut_off(opened: Opened, staged: Staged) -> Finding:
    message = "the file ends in the middle of this line; it may have been cut off on its way"
    advice = "Compare the end of the file with the original, and send it again if rows are missing."
    table = opened.found.table.name
    return Finding(
        opened.source.shown, staged.lines_read, table, None, None, "warning", "cut_off", message, advice
    )


def _reading(opened: Opened) -> Reading:
    """What may stand in the cells, judged by the bytes of the file."""
    census, separator = opened.text.census, opened.dialect.separator
    tabs_in_cells = census.has_tab and separator != "\t"
    odd_blanks = tabs_in_cells or census.has_odd_blank
    blanks: Literal["none", "spaces", "any"] = "any" if odd_blanks else "spaces" if census.has_space else "none"
    return Reading(
        decimal_comma=uses_decimal_commas(opened.text.place, census, opened.dialect),
        cell_commas=separator != "," or census.has_quote,
        apostrophes=census.has_apostrophe,
        blanks=blanks,
        empties=blanks != "none" or census.has_quote or census.has_apostrophe,
        plain=blanks == "none" and census.is_ascii and not census.has_plus,
    )


def _report(opened: Opened, staged: Staged, verdict: Verdict, accepted: int, held: int) -> FileReport:
    rows = staged.rows - verdict.blank_rows - held
    notes = [*opened.notes, *cell_notes(opened.text.place, opened.text.census, opened.dialect)]
    short = staged.short_rows
    if staged.direct:
        short = short_rows(opened.text.place, opened.text.census, opened.dialect, opened.found.width)
    if short:
        rows_had = "1 row had" if short == 1 else f"{short:,} rows had"
        notes.append(f"{rows_had} fewer cells than the header; the missing cells were read as blank")
    between = _blank_between(opened, staged, verdict)
    if between:
        more = "more " if opened.text.census.trailing_blank else ""
        lines_were = f"1 {more}blank line was" if between == 1 else f"{between:,} {more}blank lines were"
        notes.append(f"{lines_were} left out")
    if held:
        rows_are = "1 row is" if held == 1 else f"{held:,} rows are"
        notes.append(f"{rows_are} held from an earlier load of the same bytes; only the others were looked at")
    if not rows and not held:
        notes.append("the file has a header and no rows")
    path, table = opened.source.shown, opened.found.table.name
    return FileReport(path, table, staged.lines_read, rows, accepted, rows - accepted, tuple(notes))


def _blank_between(opened: Opened, staged: Staged, verdict: Verdict) -> int:
    """Blank lines between the rows, and rows of nothing but separators; those at the end have their own note."""
    below = staged.lines_read - opened.dialect.header_line - staged.rows
    return max(below - opened.text.census.trailing_blank, 0) + verdict.blank_rows


def _held(connection: duckdb.DuckDBPyConnection, table: Table, earlier: tuple[int, ...]) -> int:
    """How many rows of this file earlier uploads of the same bytes hold."""
    if not earlier:
        return 0
    [(held,)] = connection.execute(f"SELECT count(*) FROM ({ledger.held_lines(table, earlier)})").fetchall()
    return int(held)


def _leave_out(
    connection: duckdb.DuckDBPyConnection, table: Table, lines: list[int], earlier: tuple[int, ...]
) -> None:
    """Make the table of lines that are not to be written: repeats, and rows that are in the store already."""
    connection.execute("CREATE OR REPLACE TEMP TABLE left_out AS SELECT unnest(?::BIGINT[]) AS line", [lines])
    if earlier:
        connection.execute(f"INSERT INTO left_out {ledger.held_lines(table, earlier)}")


def _keep_rows(connection: duckdb.DuckDBPyConnection, table: Table, staged: Staged, upload: int) -> int:
    found = connection.execute("SELECT count(*) FROM left_out").fetchone()
    but = f" AND {staged.line} NOT IN (SELECT line FROM left_out)" if found and found[0] else ""
    row = connection.execute(
        f"INSERT INTO received_{table.name} ({names(table)}, {', '.join(OWN_COLUMNS)}) "
        f"SELECT {names(table)}, {upload}, {staged.line}, NULL FROM checked "
        f"WHERE NOT broken{but}"
    ).fetchone()
    connection.execute("DROP TABLE IF EXISTS checked")
    return int(row[0]) if row else 0


def _keep_ledger(
    connection: duckdb.DuckDBPyConnection, opened: Opened, report: FileReport, verdict: Verdict, upload: int
) -> None:
    table = opened.found.table.name
    entry = ledger.Upload(
        upload, report.path, table, opened.text.sha256, report.lines_read, report.rows_read,
        report.rows_accepted, report.rows_rejected, report.notes,
    )  # fmt: skip
    part = ledger.Part(table, opened.found.header, opened.dialect.separator, tuple(opened.found.places))
    ledger.record(connection, entry, [part], utc_now())
    for chunk in verdict.rejected.in_chunks():
        rows = [
            (upload, row.line, table, cells_as_json(row.cells), row.problems, row.mendable, row.key)
            for row in chunk
        ]
        ledger.append(connection, "rejected_rows", rows)
    ledger.append(connection, "mended", [(*row, upload) for row in mended_rows(opened)])
    keep_findings(connection, upload, verdict.findings)


def mended_rows(opened: Opened) -> set[tuple[int, int]]:
    """Upload and line of each rejected row of which the file says that it brings the mended one."""
    names = [plain_name(cell) for cell in opened.found.header]
    if MENDS not in names:
        return set()
    place = names.index(MENDS)
    rows = read_rows(opened.text.place, opened.dialect.separator)
    said = (row.cells[place].strip().partition("#") for row in rows if len(row.cells) > place)
    return {(int(upload), int(line)) for upload, _, line in said if upload.isdecimal() and line.isdecimal()}


def cells_as_json(cells: Iterable[str]) -> str:
    """The cells of a row as a JSON list. A general encoder, made anew for each row, takes four times as long."""
    return f"[{', '.join(map(encode_basestring, cells))}]"


def keep_findings(connection: duckdb.DuckDBPyConnection, upload: int, findings: list[Finding]) -> None:
    """Write the findings of one upload into the store."""
    rows = [
        (upload, f.path, f.line, f.table, f.column, f.value, f.level, f.rule, f.message, f.advice)
        for f in findings
    ]
    ledger.append(connection, "findings", rows)
