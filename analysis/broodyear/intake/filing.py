"""One upload from its rows to the store: checked table by table, and all of it written in one transaction."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace

import duckdb

from broodyear.derived import transaction
from broodyear.findings import Change, Finding
from broodyear.intake.accounts import Account, TableAccount, blank_between, report_of
from broodyear.intake.cell_sql import UNKNOWN_RULES
from broodyear.intake.changing import find_changes, leave_unsaid, note_standing
from broodyear.intake.checking import Verdict, by_line, judge
from broodyear.intake.dates import date_warnings, with_proof
from broodyear.intake.known import Known, known_seasons
from broodyear.intake.notes import cut_off_line
from broodyear.intake.opened import Opened, options_of
from broodyear.intake.plain_files import Received, receive
from broodyear.intake.recognise import Recognised, plain_name
from broodyear.intake.rejected import MENDS, Filed, FiledPart, Rejected, cells_as_json
from broodyear.intake.repeats import find_repeats, held_numbers, report_repeats
from broodyear.intake.second_tables import SecondTable, second_tables, under_titles
from broodyear.intake.staging import Staged, cells_of, stage, stage_received
from broodyear.intake.together import Together
from broodyear.schemas import with_words
from broodyear.settings import SeasonSpan, Settings, words_of_species
from broodyear.store import ledger
from broodyear.store.handle import utc_now
from broodyear.store.layout import OWN_COLUMNS, names
from broodyear.store.ledger import key_as_text


@dataclass(frozen=True)
class _Filing:
    """One upload being filed. earlier, of_this_run, today, together: as in
    ``file_upload``; changes: found so far; seconds: further tables below the first."""

    known: Known
    opened: Opened
    earlier: tuple[int, ...]
    of_this_run: Mapping[int, str]
    today: dt.date | None
    together: Together | None
    changes: list[Change] = field(default_factory=list)
    seconds: list[SecondTable] = field(default_factory=list)

    @property
    def path(self) -> str:
        """The upload as it is shown."""
        return self.opened.source.shown


def file_upload(
    known: Known,
    opened: Opened,
    earlier: tuple[int, ...] = (),
    of_this_run: Mapping[int, str] | None = None,
    today: dt.date | None = None,
    together: Together | None = None,
) -> Filed | None:
    """Check the rows of one upload and write the good ones, in one transaction, into the store of ``known``.

    earlier: standing uploads of the same bytes, whose rows are not taken again: only rows that were kept out then,
    for a code that was not known, can come in now; None when there is no such row.
    of_this_run: path of each upload of this run so far. today: later dates are warned of. together: where it is
    staged already, with others.
    Raises UnreadableFile for a cell beyond any reason.
    """
    connection = known.connection
    filing = _Filing(known, opened, earlier, of_this_run or {}, today, together)
    # Read before the transaction begins: a failure of the quick reader would end it.
    alone = received = None
    if together is not None:
        received = together.receive(opened)
    if len(opened.parts) == 1:
        alone = _judged(filing, opened.parts[0], received)
    elif received is None:
        received = receive(connection, opened.body, opened.dialect, opened.parts[0])
    with suppress(_NothingAdded), transaction(connection):
        judged = [alone] if alone else (_judged(filing, part, received) for part in opened.parts)
        filed = _write(filing, judged)
        if earlier and not any(table.rows_accepted for table in filed.report.tables):
            raise _NothingAdded
        return filed
    known.forget()
    return None


class _NothingAdded(Exception):
    """All rows are held from earlier uploads, or kept out as they were then."""


def with_own_words(opened: Opened, settings: Settings) -> Opened:
    """The upload with the words of its tables that the settings declare."""
    own = words_of_species(settings)
    parts = (replace(part, table=with_words(part.table, *own)) for part in opened.parts)
    return replace(opened, parts=tuple(parts))


def expect_codes_of(known: Known, opened: Opened) -> None:
    """Let the codes of an upload of several tables be known before it is filed: other files may be waiting for
    them, and it for theirs. Raises UnreadableFile as ``file_upload`` does."""
    parts = [part for part in opened.parts if part.table.name in UNKNOWN_RULES]
    if len(opened.parts) == 1 or not parts:
        return
    received = receive(known.connection, opened.body, opened.dialect, parts[0])
    for part in parts:
        known.prepare_codes(part.table)
        stage_received(known.connection, received, part, options_of(opened, part, known.settings, known.seasons))
        known.expect_codes(part.table)


def _judged(filing: _Filing, found: Recognised, received: Received | None) -> TableAccount:
    """The rows of one table, staged and judged. received: the rows of the file, when several tables take theirs
    from them."""
    connection = filing.known.connection
    filing.known.prepare_codes(found.table)
    seasons = filing.known.seasons
    staged = _staged(filing, found, received, seasons)
    if found.table.name == "setups":
        # The seasons of these rows count as well, and are known only now.
        named = known_seasons(connection, filing.known.settings, and_checked=True)
        if named not in (None, seasons):
            staged = _staged(filing, found, received, named)
    if filing.earlier and staged.broken:
        # Rows that earlier uploads hold are not judged again.
        held = held_numbers(found.table, staged, filing.earlier)
        connection.execute(f"DELETE FROM broken_rows WHERE line IN ({held})")
    verdict = judge(filing.known, filing.path, found, staged)
    verdict.findings = with_proof(connection, found, staged, verdict.findings)
    left_out = _look_across_rows(filing, found, staged, verdict)
    return TableAccount(found, staged, verdict, left_out)


def _staged(filing: _Filing, found: Recognised, received: Received | None, seasons: SeasonSpan | None) -> Staged:
    connection, opened = filing.known.connection, filing.opened
    if filing.together is not None:
        return filing.together.stage(opened, found)
    options = options_of(opened, found, filing.known.settings, seasons)
    if received is not None:
        return stage_received(connection, received, found, options)
    return stage(connection, opened.body, opened.dialect, found, options)


def _look_across_rows(filing: _Filing, found: Recognised, staged: Staged, verdict: Verdict) -> list[int]:
    """Repeats, second tables and a cut-off end go into the verdict; returns numbers of repeats to leave out."""
    opened, path = filing.opened, filing.path
    repeats = find_repeats(filing.known.connection, found.table, staged, filing.known.settings, filing.earlier)
    numbers = {repeat.number for repeat in repeats}
    cells = cells_of(filing.known.connection, found, staged, numbers)
    several = len(opened.parts) > 1
    left_out = report_repeats(path, found.table, staged, repeats, cells, verdict, of_several_tables=several)
    text = opened.body.text
    if text is not None and cut_off_line(text.path, text.census, opened.dialect, found.source_width):
        message = "the file ends in the middle of this line; it may have been cut off on its way"
        advice = "Compare the end of the file with the original, and send it again if rows are missing."
        where = (path, staged.lines_read, found.table.name, None, None)
        verdict.add(Finding(*where, "warning", "cut_off", message, advice))
    if found is opened.parts[0]:
        filing.seconds.extend(_second_tables(opened, staged, verdict))
    return [*left_out, *_keep_out(filing, found, staged, verdict, left_out)] if filing.seconds else left_out


#: Beyond so many rows a file is a logger's, whose tank has no second one below it.
_LONGEST_DIARY = 5_000


def _second_tables(opened: Opened, staged: Staged, verdict: Verdict) -> list[SecondTable]:
    """The tables that seem to stand below the first."""
    found: list[SecondTable] = []
    if opened.fixed_tank is not None and staged.lines_read <= _LONGEST_DIARY:
        headers = {one.line for one in verdict.findings if one.rule == "repeated_header" and one.line}
        found = under_titles(opened.body, opened.dialect, headers, any_title=opened.fixed_tank == "cell")
    if not found and blank_between(opened, staged, verdict):
        found = second_tables(opened.body, opened.dialect)
    return found


def _keep_out(
    filing: _Filing, found: Recognised, staged: Staged, verdict: Verdict, left_out: Collection[int]
) -> list[int]:
    """Keep the rows of second tables out, also those that read well as rows of this one; returns the numbers of
    these. They are told once, with their headings."""
    connection = filing.known.connection
    told = {one: one.finding(filing.path, filing.opened.tables.replace("+", " and ")) for one in filing.seconds}
    within = " OR ".join(f"{staged.line} BETWEEN {one.line} AND {one.last}" for one in told)
    key = key_as_text(found.table, filing.known.settings)
    good = connection.execute(
        f"SELECT {staged.number}, {key} FROM checked WHERE NOT broken AND ({within})"
    ).fetchall()
    rows = {int(number): key for number, key in good if number not in set(left_out)}
    cells = cells_of(connection, found, staged, rows)
    for number, key in rows.items():
        line = number // staged.per_line
        finding = next(finding for one, finding in told.items() if one.line <= line <= one.last)
        problems = f"{finding.message}. {finding.advice}"
        verdict.rejected.add(Rejected(line, cells_as_json(cells[number]), problems, key=key))
    verdict.findings = [
        one for one in verdict.findings if not any(it.line <= (one.line or 0) <= it.last for it in told)
    ]
    # Of a file that feeds several tables it is told once.
    for finding in told.values() if found is filing.opened.parts[0] else ():
        verdict.add(finding)
    return list(rows)


def _write(filing: _Filing, judged: Iterable[TableAccount]) -> Filed:
    connection, opened = filing.known.connection, filing.opened
    [(upload,)] = connection.execute("SELECT coalesce(max(upload), 0) + 1 FROM uploads").fetchall()
    account = Account(connection)
    done = [_write_part(filing, part, upload, account) for part in judged]
    # A line that gives several rows of a table has its label wrong in each, and is told of it once.
    unique = dict.fromkeys(finding for part in done for finding in part.verdict.findings)
    findings = sorted(unique, key=by_line)
    report = report_of(opened, account)
    separator = opened.dialect.separator
    parts = []
    for found, verdict in ((part.found, part.verdict) for part in done):
        sign = "," if found.slots else separator
        parts.append(FiledPart(found.table.name, verdict.rejected, found.header, sign, tuple(found.positions)))
    filed = Filed(report, findings, tuple(parts), upload, filing.changes)
    _keep_ledger(connection, opened, filed, upload)
    return filed


def _write_part(filing: _Filing, part: TableAccount, upload: int, account: Account) -> TableAccount:
    connection, table = filing.known.connection, part.found.table
    part.held = account.rows_held(table, part.staged, filing.earlier)
    account.note_made(table, part.staged, filing.earlier)
    come_again = note_standing(filing.known, table, frozenset(part.found.positions))
    part.accepted = _keep_rows(filing, part, upload)
    if table.name in UNKNOWN_RULES or table.name == "setups":
        filing.known.forget()
    if come_again:
        _change(filing, part, upload)
    for warning in date_warnings(connection, filing.path, table, upload, filing.today):
        part.verdict.add(warning)
    part.verdict.close(filing.path, table.name)
    if part.made != part.accepted + len(part.verdict.rejected):
        raise RuntimeError(f"{filing.path}: {part.made} rows made, not all of them accepted or rejected")
    account.tables.append(part)
    account.without_setup += filing.known.without_setup(table, upload)
    return part


def _change(filing: _Filing, part: TableAccount, upload: int) -> None:
    """Let the rows of ``upload`` take the place of those that stood, and note what changes by that."""
    connection, table, settings = filing.known.connection, part.found.table, filing.known.settings
    leave_unsaid(connection, table, frozenset(part.found.positions), upload, settings)
    ledger.supersede(connection, table, upload, settings)
    found = find_changes(connection, table, upload, filing.path, filing.of_this_run, settings)
    filing.changes.extend(found.changes)
    for finding in found.disagreements:
        part.verdict.add(finding)
    if found.unlisted:
        filing.opened.body.notes.append(f"{found.unlisted:,} more changed cells than are listed")


def _keep_rows(filing: _Filing, part: TableAccount, upload: int) -> int:
    """Write the good rows; repeats, and rows that the store holds already, are left out."""
    connection, table, staged, but = filing.known.connection, part.found.table, part.staged, ""
    if part.left_out or part.held:
        listed = "SELECT unnest(?::BIGINT[]) AS number"
        connection.execute(f"CREATE OR REPLACE TEMP TABLE rows_left_out AS {listed}", [part.left_out])
        if part.held:
            connection.execute(f"INSERT INTO rows_left_out {held_numbers(table, staged, filing.earlier)}")
        but = f" AND {staged.number} NOT IN (SELECT number FROM rows_left_out)"
    row = connection.execute(
        f"INSERT INTO received_{table.name} ({names(table)}, {', '.join(OWN_COLUMNS)}) "
        f"SELECT {names(table)}, {upload}, {staged.line}, NULL FROM checked WHERE NOT broken{but}"
    ).fetchone()
    connection.execute("DROP TABLE IF EXISTS checked")
    return int(row[0]) if row else 0


def _keep_ledger(connection: duckdb.DuckDBPyConnection, opened: Opened, filed: Filed, upload: int) -> None:
    """Write one line of the ledger, and one for each table that the upload feeds; nobody was told of it yet."""
    report, counts = filed.report, {count.table: count.rows for count in filed.report.tables}
    line = (
        upload, report.path, opened.tables, opened.body.sha256, utc_now(), report.lines_read, report.rows_read,
        report.rows_accepted, report.rows_rejected, False, None, list(report.notes), None, opened.layout_text,
    )  # fmt: skip
    ledger.append(connection, "uploads", [line])
    parts = [
        (upload, part.table, list(part.header), part.separator, list(part.said), *counts[part.table])
        for part in filed.parts
    ]
    ledger.append(connection, "upload_parts", parts)
    for part in filed.parts:
        for chunk in part.rejected.in_chunks():
            rows = [(upload, row.line, part.table, row.raw, row.problems, row.mendable, row.key) for row in chunk]
            ledger.append(connection, "rejected_rows", rows)
    ledger.append(connection, "mended", [(*row, upload) for row in mended_rows(opened)])
    keep_findings(connection, upload, filed.findings)


def mended_rows(opened: Opened) -> set[tuple[int, int]]:
    """Upload and line of each rejected row of which the file says that it brings the mended one."""
    names = [plain_name(cell) for cell in opened.dialect.header]
    if MENDS not in names:
        return set()
    position = names.index(MENDS)
    rows = opened.body.rows(opened.dialect.separator)
    mends = (row.cells[position].strip().partition("#") for row in rows if len(row.cells) > position)
    return {(int(upload), int(line)) for upload, _, line in mends if upload.isdecimal() and line.isdecimal()}


def keep_findings(connection: duckdb.DuckDBPyConnection, upload: int, findings: Iterable[Finding]) -> None:
    """Write the findings of one upload into the store."""
    ledger.append(connection, "findings", [(upload, *finding[:-1]) for finding in findings])
