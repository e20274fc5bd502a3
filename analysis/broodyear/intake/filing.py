"""One file, from its bytes to the store: read, recognise, check, and write all of it in one transaction."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import duckdb
import pandas as pd

from broodyear.errors import UnreadableFile
from broodyear.findings import FileReport, Finding
from broodyear.intake.cell_sql import Reading
from broodyear.intake.checking import Rejected, Verdict, judge
from broodyear.intake.decoding import Text, read_text
from broodyear.intake.dialect import Dialect, find_dialect
from broodyear.intake.picking import pick_rows
from broodyear.intake.recognise import Recognised, recognise
from broodyear.intake.references import prepare_known_codes
from broodyear.intake.repeats import Repeat, find_repeats
from broodyear.intake.sources import Source
from broodyear.intake.staging import Staged, stage
from broodyear.settings import Settings
from broodyear.store import ledger
from broodyear.store.handle import utc_now
from broodyear.store.layout import names


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
    """What became of one file. rejected: the rows kept out, with their cells as received; upload: its number."""

    report: FileReport
    findings: list[Finding] = field(default_factory=list)
    rejected: list[Rejected] = field(default_factory=list)
    header: tuple[str, ...] = ()
    upload: int | None = None


def open_upload(source: Source, scratch: Path, number: int) -> Opened:
    """Read the text of ``source`` and recognise its table. Raises UnreadableFile (message, advice)."""
    text = read_text(source, scratch, number)
    if not text.census.size:
        raise UnreadableFile("the file is empty", "Send the table with its header row.")
    dialect = find_dialect(text.place)
    return Opened(source, text, dialect, recognise(dialect.header, source.name))


def file_upload(connection: duckdb.DuckDBPyConnection, opened: Opened, settings: Settings) -> Filed:
    """Check the rows of one file and write the good ones into the store that ``connection`` has open.

    The caller holds the transaction. Raises UnreadableFile for a cell beyond any reason.
    """
    table = opened.found.table
    reading = _reading(opened)
    prepare_known_codes(connection, table)
    staged = stage(connection, opened.text, opened.dialect, opened.found, reading)
    verdict = judge(connection, opened.source.shown, opened.found, reading, staged)
    repeats = find_repeats(connection, table, staged, settings)
    _report_repeats(opened, repeats, verdict)
    upload = ledger.next_number(connection)
    accepted = _keep_rows(connection, opened, staged, repeats, upload)
    ledger.supersede(connection, table, upload, settings)
    verdict.close(opened.source.shown, table.name)
    report = _report(opened, staged, verdict, accepted)
    _keep_ledger(connection, opened, report, verdict, upload)
    return Filed(report, verdict.findings, verdict.rejected, opened.found.header, upload)


def _reading(opened: Opened) -> Reading:
    """What may stand in the cells, judged by the bytes of the file."""
    census, separator = opened.text.census, opened.dialect.separator
    tabs_in_cells = census.has_tab and separator != "\t"
    odd_blanks = tabs_in_cells or census.has_feed or census.has_quote or not census.is_ascii
    blanks: Literal["none", "spaces", "any"] = "any" if odd_blanks else "spaces" if census.has_space else "none"
    return Reading(
        decimal_comma=opened.dialect.decimal_comma_possible,
        cell_commas=separator != "," or census.has_quote,
        apostrophes=census.has_apostrophe,
        blanks=blanks,
        plain=blanks == "none" and not census.has_plus,
    )


def _report(opened: Opened, staged: Staged, verdict: Verdict, accepted: int) -> FileReport:
    rows = staged.rows - verdict.blank_rows
    notes = list(opened.notes)
    if staged.short_rows:
        notes.append(
            f"{staged.short_rows} rows had fewer cells than the header; the missing cells were read as blank"
        )
    if not rows:
        notes.append("the file has a header and no rows")
    return FileReport(
        opened.source.shown,
        opened.found.table.name,
        staged.lines_read,
        rows,
        accepted,
        rows - accepted,
        tuple(notes),
    )


def _report_repeats(opened: Opened, repeats: list[Repeat], verdict: Verdict) -> None:
    if not repeats:
        return
    path, table = opened.source.shown, opened.found.table
    cells = pick_rows(opened.text.place, opened.dialect.separator, {repeat.line for repeat in repeats})
    key = " and ".join(table.primary_key) if len(table.primary_key) < 3 else ", ".join(table.primary_key)
    identical = [repeat for repeat in repeats if repeat.identical]
    if identical:
        first = identical[0]
        count = f"{len(identical)} rows repeat" if len(identical) > 1 else "1 row repeats"
        message = f"{count} an earlier row exactly, the first of them line {first.first_line}"
        verdict.add(
            Finding(path, first.line, table.name, None, None, "warning", "identical_repeat", message,
                    "Nothing needs doing: each row was taken once.")
        )  # fmt: skip
    for repeat in repeats:
        received = tuple(cells.get(repeat.line, ()))
        if repeat.identical:
            problems = f"repeats line {repeat.first_line} exactly"
            verdict.rejected.append(Rejected(repeat.line, received, problems, mendable=False))
            continue
        message = f"the same {key} as line {repeat.first_line}, with other values; the first row was kept"
        advice = "Decide which row is right and leave the other out, or mend what tells them apart."
        verdict.add(Finding(path, repeat.line, table.name, None, None, "error", "duplicate_key", message, advice))
        verdict.rejected.append(Rejected(repeat.line, received, f"{message}. {advice}"))
    verdict.rejected.sort(key=lambda rejected: rejected.line)


def _keep_rows(
    connection: duckdb.DuckDBPyConnection, opened: Opened, staged: Staged, repeats: list[Repeat], upload: int
) -> int:
    table = opened.found.table
    connection.execute("CREATE OR REPLACE TEMP TABLE left_out (line BIGINT)")
    if repeats:
        frame = pd.DataFrame({"line": [repeat.line for repeat in repeats]})
        connection.register("repeated", frame)
        connection.execute("INSERT INTO left_out SELECT line FROM repeated")
        connection.unregister("repeated")
    but = f" AND {staged.line} NOT IN (SELECT line FROM left_out)" if repeats else ""
    row = connection.execute(
        f"INSERT INTO received_{table.name} SELECT {names(table)}, {upload}, {staged.line}, NULL FROM checked "
        f"WHERE raw IS NULL{but}"
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
    ledger.record(connection, entry, utc_now())
    rejected = [
        (upload, row.line, table, json.dumps(row.cells, ensure_ascii=False), row.problems)
        for row in verdict.rejected
    ]
    ledger.append(connection, "rejected_rows", rejected)
    keep_findings(connection, upload, verdict.findings)


def keep_findings(connection: duckdb.DuckDBPyConnection, upload: int, findings: list[Finding]) -> None:
    """Write the findings of one upload into the store."""
    rows = [
        (upload, f.path, f.line, f.table, f.column, f.value, f.level, f.rule, f.message, f.advice)
        for f in findings
    ]
    ledger.append(connection, "findings", rows)
