"""The same key twice in one file: the first row stays, an identical repeat is left out, others are errors."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

import duckdb
import numpy as np

from broodyear.findings import Finding
from broodyear.intake.cell_sql import hour_columns
from broodyear.intake.checking import Verdict
from broodyear.intake.clock_changes import is_doubled
from broodyear.intake.order import keys_in_order
from broodyear.intake.rejected import Rejected
from broodyear.intake.staging import Staged
from broodyear.schemas import Table
from broodyear.settings import Settings
from broodyear.store.layout import hour_flag, key_sql, value_columns
from broodyear.store.ledger import held_lines

#: From so many rows on, uniqueness is first tried by the order of the file, then by hashes: either is several
#: times cheaper than grouping.
HASHED_FROM_ROWS = 200_000
#: Hashes are compared in parts of about this many, so that a large file needs no more memory than a small one.
HASHES_AT_A_TIME = 25_000_000


@dataclass(frozen=True)
class Repeat:
    """One row whose key an earlier row of the file has. first_line: that row; identical: nothing differs;
    by_clock: the time came twice that night, so both rows are good; key: as texts."""

    line: int
    first_line: int
    identical: bool
    by_clock: bool = False
    key: tuple[str, ...] = ()


def find_repeats(
    connection: duckdb.DuckDBPyConnection,
    table: Table,
    staged: Staged,
    settings: Settings,
    earlier: tuple[int, ...] = (),
) -> list[Repeat]:
    """The rows of ``checked`` (those without errors) that repeat a key, in line order.

    earlier: uploads of the same bytes; the rows that they hold came first, wherever they stand in the file.
    """
    key = key_sql(table, settings)
    if staged.rows >= HASHED_FROM_ROWS and (
        keys_in_order(connection, table, staged.rows) or _all_differ(connection, key, staged.rows)
    ):
        return []
    rows = connection.execute(_repeats_query(table, key, staged, earlier)).fetchall()
    second: dict[int, int] = {}
    return [_repeat(second, *row) for row in rows]


def _repeat(
    second: dict[int, int], line: int, first_line: int, same_line: int, moment: dt.datetime | None, key: list[str]
) -> Repeat:
    """same_line: the first row of the key with the same values; second: first row of a key -> the row that has it
    rightly, in the second of two hours that clocks show alike."""
    if same_line in (first_line, second.get(first_line)):
        return Repeat(line, same_line, identical=True)
    is_second = moment is not None and is_doubled(moment) and first_line not in second
    if is_second:
        second[first_line] = line
    return Repeat(line, first_line, identical=False, by_clock=is_second, key=tuple(key))


def _all_differ(connection: duckdb.DuckDBPyConnection, key: tuple[str, ...], rows: int) -> bool:
    """Whether all keys have different hashes; then they differ. Equal hashes prove nothing."""
    parts = max(-(-rows // HASHES_AT_A_TIME), 1)
    hashed = f"SELECT hash({', '.join(key)}) AS h FROM checked WHERE NOT broken"
    # Rows of one key agree in its first column, so they are in the same part.
    return all(
        _part_differs(connection, f"{hashed} AND hash({key[0]}) % {parts} = {part}") for part in range(parts)
    )


def _part_differs(connection: duckdb.DuckDBPyConnection, query: str) -> bool:
    hashes = np.asarray(connection.execute(query).fetchnumpy()["h"])
    hashes.sort()
    return not bool((hashes[1:] == hashes[:-1]).any())


def _repeats_query(table: Table, key: tuple[str, ...], staged: Staged, earlier: tuple[int, ...]) -> str:
    named = ", ".join(f"{part} AS k{position}" for position, part in enumerate(key))
    keys = ", ".join(f"k{position}" for position in range(len(key)))
    texts = ", ".join(f"k{position}::VARCHAR" for position in range(len(key)))
    values = ", ".join(f'"{name}"' for name, _ in value_columns(table))
    timed = [column for column in hour_columns(table) if column.name in table.primary_key]
    moment = f'CASE WHEN "{hour_flag(timed[0])}" THEN "{timed[0].name}" END' if timed else "NULL::TIMESTAMP"
    stands = f"{staged.line} IN ({held_lines(table, earlier)})" if earlier else "false"
    return (
        f"WITH rows AS MATERIALIZED (SELECT {staged.line} AS line, {named}, {moment} AS moment, "
        f"{stands} AS stands, row({values}) AS held FROM checked WHERE NOT broken), "
        f"doubled AS MATERIALIZED (SELECT {keys}, min_by(line, (NOT stands, line)) AS first_line FROM rows "
        f"GROUP BY {keys} HAVING count(*) > 1), "
        "told AS (SELECT rows.*, first_line, first_value(line) OVER (PARTITION BY first_line, held "
        f"ORDER BY NOT stands, line) AS same_line FROM rows JOIN doubled USING ({keys})) "
        f"SELECT line, first_line, same_line, moment, [{texts}] FROM told WHERE line <> first_line AND NOT stands "
        "ORDER BY line"
    )


def report_repeats(
    path: str, table: Table, repeats: list[Repeat], cells: Mapping[int, list[str]], verdict: Verdict
) -> list[int]:
    """Put the repeats into the verdict; returns the lines that are left out. cells: their cells as received."""
    _report_identical(path, table, [repeat for repeat in repeats if repeat.identical], verdict)
    left_out = [repeat for repeat in repeats if not repeat.by_clock]
    for repeat in left_out:
        received = tuple(cells.get(repeat.line, ()))
        if repeat.identical:
            problems = f"repeats line {repeat.first_line} exactly"
            verdict.rejected.add(Rejected(repeat.line, received, problems, mendable=False))
        else:
            problems = _conflict(path, table, repeat, verdict)
            verdict.rejected.add(Rejected(repeat.line, received, problems, key=list(repeat.key)))
    return [repeat.line for repeat in left_out]


def _report_identical(path: str, table: Table, identical: list[Repeat], verdict: Verdict) -> None:
    if not identical:
        return
    count = f"{len(identical):,} rows repeat" if len(identical) > 1 else "1 row repeats"
    line, first = identical[0].line, identical[0].first_line
    message = f"{count} an earlier row exactly; the first of them repeats line {first}"
    advice = "Nothing needs doing: each row was taken once."
    verdict.add(Finding(path, line, table.name, None, None, "warning", "identical_repeat", message, advice))


def _conflict(path: str, table: Table, repeat: Repeat, verdict: Verdict) -> str:
    *others, last = table.primary_key
    key = f"{', '.join(others)} and {last}" if others else last
    message = f"the same {key} as line {repeat.first_line}, with other values; the first row was kept"
    advice = "Decide which row is right and leave the other out, or mend what tells them apart."
    verdict.add(Finding(path, repeat.line, table.name, None, None, "error", "duplicate_key", message, advice))
    return f"{message}. {advice}"
