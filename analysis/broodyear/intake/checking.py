"""What is wrong with the staged rows of one file: every broken check of every row, as findings."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any

import duckdb

from broodyear.findings import Finding
from broodyear.intake.cell_sql import BLANKS, CellCheck, Reading
from broodyear.intake.messages import may_mean_two_days, or_like, words
from broodyear.intake.recognise import Recognised
from broodyear.intake.references import NearCodes
from broodyear.intake.rejected import Rejected, RejectedRows
from broodyear.intake.row_sql import SPOILED, UNKNOWN_RULES, all_checks, broken_list, cleaned_select, values_select
from broodyear.intake.staging import Staged

#: So many findings of one rule and column are listed for one file; the rest are counted in one more.
MOST_LISTED = 20_000
ROWS_PER_PAGE = 10_000


@dataclass
class Verdict:
    """The findings and rejected rows of one file, and how many blank rows were passed over."""

    findings: list[Finding] = field(default_factory=list)
    rejected: RejectedRows = field(default_factory=RejectedRows)
    blank_rows: int = 0
    _listed: Counter[tuple[str, str | None]] = field(default_factory=Counter)

    def add(self, finding: Finding) -> None:
        """Take a finding in, as long as its like have not filled the list."""
        kind = (finding.rule, finding.column)
        self._listed[kind] += 1
        if self._listed[kind] <= MOST_LISTED:
            self.findings.append(finding)

    def close(self, path: str, table: str) -> None:
        """Say how many findings were not listed, and put all in line order."""
        for (rule, column), count in self._listed.items():
            if count > MOST_LISTED:
                alike = [finding for finding in self.findings if (finding.rule, finding.column) == (rule, column)]
                message = f"{count - MOST_LISTED:,} more rows of this file like the {MOST_LISTED:,} listed"
                self.findings.append(
                    Finding(path, None, table, column, None, alike[0].level, rule, message, alike[0].advice)
                )
        self.findings.sort(key=lambda finding: (finding.line is None, finding.line or 0))


def judge(connection: duckdb.DuckDBPyConnection, path: str, found: Recognised, staged: Staged) -> Verdict:
    """Every broken check of the rows in ``checked`` that failed any, with their raw cells."""
    checks = all_checks(found.table, found.header_cells)
    verdict = Verdict()
    strict = replace(staged.reading, plain=False)
    connection.execute(f"CREATE OR REPLACE TEMP TABLE judged AS {_detail_query(found, strict, staged, checks)}")
    codes = NearCodes(connection, found.table)
    for rows in _pages(connection):
        for line, raw, broken, decider in rows:
            cells = _cells(raw, found.width)
            if not any(cell.strip(BLANKS) for cell in cells):
                verdict.blank_rows += 1
            else:
                if not broken:
                    raise RuntimeError(f"{path}, line {line}: set aside without a reason")
                failed = [checks[position] for position in broken]
                spoiled = [check for check in failed if check.rule in SPOILED]
                _reject(verdict, path, found, line, cells, spoiled[:1] or failed, decider, codes)
    return verdict


def _pages(connection: duckdb.DuckDBPyConnection) -> Iterator[list[tuple[Any, ...]]]:
    """The rows of ``judged``, many at a time, so that other queries may be asked in between."""
    first = 0
    while True:
        page = f"SELECT * FROM judged WHERE rowid >= {first} AND rowid < {first + ROWS_PER_PAGE} ORDER BY rowid"
        rows = connection.execute(page).fetchall()
        if not rows:
            return
        yield rows
        first += ROWS_PER_PAGE


def _cells(raw: list[str | None], width: int) -> tuple[str, ...]:
    cells = [cell or "" for cell in raw[: width + 1]]
    return tuple(cells if cells[-1] else cells[:width])


def _reject(
    verdict: Verdict,
    path: str,
    found: Recognised,
    line: int,
    cells: tuple[str, ...],
    broken: list[CellCheck],
    decider: str | None,
    codes: NearCodes,
) -> None:
    problems = []
    for check in broken:
        value = _value(check, found, cells)
        rule = _finer_rule(check, value)
        said = words(check.rule, found.table, check.column, value, decider)
        if check.rule in UNKNOWN_RULES.values() and check.column and value:
            said = or_like(said, codes.near(check.column, value))
        verdict.add(
            Finding(path, line, found.table.name, check.column, value, "error", rule, said.message, said.advice)
        )
        problems.append(f"{check.column + ': ' if check.column else ''}{said.message}. {said.advice}")
    verdict.rejected.add(Rejected(line, cells, " ".join(problems)))


def _finer_rule(check: CellCheck, value: str | None) -> str:
    if check.rule == "not_a_date" and may_mean_two_days((value or "").strip(BLANKS)):
        return "ambiguous_date"
    return check.rule


def _value(check: CellCheck, found: Recognised, cells: tuple[str, ...]) -> str | None:
    if check.column is None:
        return cells[-1] if check.rule == "too_many_cells" else None
    place = found.places.get(check.column)
    return cells[place] if place is not None and cells[place] else None


def _detail_query(found: Recognised, reading: Reading, staged: Staged, checks: list[CellCheck]) -> str:
    raw = ", ".join(f"raw[{place + 1}] AS c{place}" for place in range(found.width))
    source = (
        f"(SELECT {staged.line} AS line, raw, raw[{found.width + 2}] IS NOT NULL AS unclosed, "
        f"raw[{found.width + 1}] AS surplus, {raw} FROM checked WHERE raw IS NOT NULL)"
    )
    cleaned = cleaned_select(found.table, found.places, reading, source, "line, raw, surplus, unclosed")
    deciding = next((column.range_by.column for column in found.table.columns if column.range_by), None)
    decider = f'"{deciding}"' if deciding else "NULL"
    values = values_select(found.table, reading, cleaned)
    return f"SELECT line, raw, {broken_list(checks)} AS broken, {decider} AS decider FROM ({values}) ORDER BY line"
