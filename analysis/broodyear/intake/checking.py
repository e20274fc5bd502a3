"""What is wrong with the staged rows of one file: every broken check of every row, as findings."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any

import duckdb

from broodyear.findings import Finding
from broodyear.intake.cell_sql import (
    AND_BESIDE,
    AND_CELL,
    SPOILED,
    UNKNOWN_RULES,
    CellCheck,
    ParseOptions,
    all_checks,
    broken_list,
    cell,
    cleaned_select,
    values_select,
)
from broodyear.intake.known import Known
from broodyear.intake.messages import is_total, may_mean_two_days, totals_words, words
from broodyear.intake.plain_files import cell_names, first_position
from broodyear.intake.recognise import Recognised, settled_cells
from broodyear.intake.rejected import Rejected, RejectedRows
from broodyear.intake.shapes import BLANKS
from broodyear.intake.staging import Staged
from broodyear.intake.wording import Words
from broodyear.settings import Settings
from broodyear.store.layout import quoted
from broodyear.store.ledger import key_as_text

#: So many findings of one rule and column are listed for one file; the rest are counted in one more.
MOST_LISTED = 20_000
ROWS_PER_PAGE = 10_000


@dataclass
class Verdict:
    """The findings and rejected rows of one table of a file; how many blank rows were passed over; and, of a file
    that feeds several tables, how many rows repeat one that was taken: three tanks of a site name it three times.
    """

    findings: list[Finding] = field(default_factory=list)
    rejected: RejectedRows = field(default_factory=RejectedRows)
    blank_rows: int = 0
    repeated: int = 0
    _listed: Counter[tuple[str, str | None]] = field(default_factory=Counter)

    def add(self, finding: Finding) -> None:
        """Take a finding in, as long as its like have not filled the list."""
        if self.has_room((finding.rule, finding.column)):
            self.findings.append(finding)

    def has_room(self, kind: tuple[str, str | None]) -> bool:
        """Count one more finding of a rule and column; whether it is still to be listed."""
        self._listed[kind] += 1
        return self._listed[kind] <= MOST_LISTED

    def close(self, path: str, table: str) -> None:
        """Say how many findings were not listed, and put all in line order."""
        for (rule, column), count in self._listed.items():
            if count > MOST_LISTED:
                alike = [finding for finding in self.findings if (finding.rule, finding.column) == (rule, column)]
                message = f"{count - MOST_LISTED:,} more rows of this file like the {MOST_LISTED:,} listed"
                self.findings.append(
                    Finding(path, None, table, column, None, alike[0].level, rule, message, alike[0].advice)
                )
        self.findings.sort(key=by_line)


def by_line(finding: Finding) -> tuple[bool, int]:
    """Sorts the findings of one file in line order, those about the whole file last."""
    return finding.line is None, finding.line or 0


def judge(known: Known, path: str, found: Recognised, staged: Staged) -> Verdict:
    """Every broken check of the rows in ``broken_rows``."""
    verdict, connection = Verdict(), known.connection
    if not staged.broken:
        # Planning the checks takes longer than most sheets: none are planned for files without a broken row.
        return verdict
    failed = staged.failed or failed_query(found, staged.options, known.settings)
    connection.execute(f"CREATE OR REPLACE TEMP TABLE failed_checks AS {failed}")
    explanations = _Explanations(found, known)
    for rows in _pages(connection):
        for number, is_blank, raw, broken, decider, key in rows:
            if is_blank:
                verdict.blank_rows += 1
                continue
            line = number // staged.per_line
            if not broken:
                raise RuntimeError(f"{path}, line {line}: set aside without a reason")
            problems, text = explanations.about((decider, *broken))
            for one in problems:
                if verdict.has_room(one.kind):
                    verdict.findings.append(_finding(path, found, number, line, one))
            verdict.rejected.add(Rejected(line, raw, text, True, key))
    return verdict


def _pages(connection: duckdb.DuckDBPyConnection) -> Iterator[list[tuple[Any, ...]]]:
    """The rows of ``failed_checks``, many at a time, so that other queries may be asked in between."""
    first = first_position(connection, "failed_checks")
    while True:
        rows = connection.execute(
            "SELECT * FROM failed_checks WHERE rowid >= $1 AND rowid < $2 ORDER BY rowid",
            [first, first + ROWS_PER_PAGE],
        ).fetchall()
        if not rows:
            return
        yield rows
        first += ROWS_PER_PAGE


@dataclass(frozen=True)
class _Problem:
    """What one broken check finds wrong. kind: rule, as it is reported, and column; value: the cell; problem: the
    words and their advice as one text for the row; is_spoiled: whether the other cells of the row say nothing."""

    kind: tuple[str, str | None]
    value: str | None
    words: Words
    problem: str
    is_spoiled: bool


def _finding(path: str, found: Recognised, number: int, line: int, problem: _Problem) -> Finding:
    """A problem of a cell of the row of this number (see ``Staged``)."""
    rule, column = problem.kind
    heading = found.headings(number).get(column) if column else None
    message, advice = problem.words.message, problem.words.advice
    return Finding(path, line, found.table.name, column, problem.value, "error", rule, message, advice, heading)


class _Explanations:
    """The problems of broken rows of one file, worked out once for rows that are alike: in a large file it is
    mostly the same few cells again and again."""

    def __init__(self, found: Recognised, codes: Known) -> None:
        self._found, self._codes = found, codes
        self._checks = all_checks(found.table, found.header_cells)
        self._references = {reference.column: reference for reference in found.table.references}
        self._known: dict[tuple[str | None, ...], tuple[list[_Problem], str]] = {}

    def about(self, row: tuple[str | None, ...]) -> tuple[list[_Problem], str]:
        """The problems of a row, and all of them as one text. row: its decider and its ``broken_list``."""
        if row not in self._known:
            if len(self._known) == MOST_LISTED:
                self._known.clear()
            decider, *broken = row
            # The checks of the row as such come first.
            found = [self._worked_out(one or "", decider) for one in broken]
            found = self._of_totals(found) or (found[:1] if found[0].is_spoiled else found)
            self._known[row] = found, " ".join(one.problem for one in found)
        return self._known[row]

    def _of_totals(self, problems: list[_Problem]) -> list[_Problem]:
        """The one thing to say of a line of totals, in the place of a date or a label; none of any other line."""
        telling = (*self._found.table.primary_key, *self._found.table.required_names)
        total = next((one for one in problems if one.kind[1] in telling and is_total(one.value)), None)
        if total is None or total.value is None:
            return []
        headings = self._found.headings(0)
        blanks = [one.kind[1] or "" for one in problems if one.kind[0] == "required_blank"]
        blank = next((headings[column] for column in blanks if column in headings), None)
        found = totals_words(total.value, self._found.table.name, blank)
        problem = f"{total.kind[1]}: {found.message}. {found.advice}"
        return [_Problem(("totals_line", total.kind[1]), total.value, found, problem, is_spoiled=True)]

    def _worked_out(self, broken: str, decider: str | None) -> _Problem:
        position, _, received = broken.partition(AND_CELL)
        check, beside, near = self._checks[int(position)], "", None
        several: tuple[str, ...] = ()
        at_site: tuple[str, ...] = ()
        if check.beside:
            received, _, beside = received.partition(AND_BESIDE)
        value = received or None
        if check.rule in UNKNOWN_RULES.values() and check.column and value:
            reference = self._references[check.column]
            several = self._codes.several(reference, value)
            at_site = self._codes.at_site(reference, value)
            near = None if at_site else self._codes.near(reference, value, f"{position}{AND_CELL}")
        worded = words(check.rule, self._found.table, check.column, value, decider, near, several, beside, at_site)
        # What stands below is to be pasted elsewhere than into a copy.
        advice = worded.advice.partition("\n")[0]
        problem = f"{check.column + ': ' if check.column else ''}{worded.message}. {advice}"
        is_ambiguous = check.rule == "not_a_date" and may_mean_two_days((value or "").strip(BLANKS))
        rule = "ambiguous_date" if is_ambiguous else check.rule
        return _Problem((rule, check.column), value, worded, problem, check.rule in SPOILED)


def _received(check: CellCheck, found: Recognised) -> str:
    """SQL of the cell of a check as it was received; NULL where the check is of the row as such."""
    if check.column is None:
        return "surplus" if check.rule == "too_many_cells" else "NULL"
    cells = [
        f"c{position}" if (position := found.positions.get(name)) is not None else "NULL"
        for name in (check.column, check.beside)
        if name
    ]
    return f" || '{AND_BESIDE}' || ".join(cells)


def failed_query(found: Recognised, options: ParseOptions, settings: Settings) -> str:
    """SQL of ``failed_checks``: the rows of ``broken_rows``, each with the checks that fail."""
    options, checks = replace(options, quick_numbers=False), all_checks(found.table, found.header_cells)
    names = cell_names(found.width)
    taken = f"line, unclosed, surplus, {names}"
    cleaned = cleaned_select(found.table, found.positions, options, "broken_rows", taken)
    deciding = next((column.range_by.column for column in found.table.columns if column.range_by), None)
    decider = f'"{deciding}"' if deciding else "NULL"
    values = values_select(found.table, options, cleaned)
    # Nearly every row has a cell that holds something: the others need not be looked through.
    filled = f"coalesce({', '.join(map(cell, found.table.columns))}) IS NOT NULL"
    blank = f"trim(concat({names}, surplus), {quoted(BLANKS)}) = ''"
    # As ``cells_as_json`` writes them; with what is left over, where something is.
    texts = ", ".join(f"to_json(coalesce({cell}, ''))" for cell in settled_cells(found, options))
    left_over = "CASE WHEN surplus <> '' THEN concat(', ', to_json(surplus)) END"
    raw = f"concat('[', concat_ws(', ', {texts}), {left_over}, ']')"
    broken = broken_list([(check, _received(check, found)) for check in checks])
    return (
        f"SELECT line, CASE WHEN {filled} THEN false ELSE {blank} END AS is_blank, "
        f"{raw} AS raw, {broken} AS broken, {decider} AS decider, "
        f"{key_as_text(found.table, settings)} AS key FROM ({values}) ORDER BY line"
    )
