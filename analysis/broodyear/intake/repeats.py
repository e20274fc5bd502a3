"""The same key twice in one file: the first row stays, an identical repeat is left out, others are errors. Rows
under two labels declared to mean one have one key too; alike, both stay, for the labels may part again."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import duckdb
import numpy as np

from broodyear.findings import Finding
from broodyear.intake.cell_sql import hour_columns
from broodyear.intake.checking import Verdict
from broodyear.intake.rejected import Rejected, cells_as_json
from broodyear.intake.staging import Staged
from broodyear.schemas import Table
from broodyear.settings import Settings
from broodyear.store.joining import LABEL_COLUMNS, label_sql, meant_key
from broodyear.store.layout import hour_flag, key_sql, value_columns
from broodyear.store.ledger import held_lines


def keys_in_order(connection: duckdb.DuckDBPyConnection, table: Table) -> bool:
    """Whether the good rows of ``checked`` prove by their order alone that all their keys differ.

    A stream is the rows on end that agree in all of the key but its moment. The keys differ when moments rise
    within each stream and no stream comes again. False proves nothing.
    """
    moments = [name for name in table.primary_key if table.column(name).kind == "moment"]
    others = [f'"{name}"' for name in table.primary_key if name not in moments]
    if len(moments) != 1 or not others or table.key_season_of:
        return False
    begins = " OR ".join(f"{name} IS DISTINCT FROM lag({name}) OVER ()" for name in others)
    rises = f'"{moments[0]}" > lag("{moments[0]}") OVER ()'
    # In whatever order the database takes the rows: the proof holds for any.
    steps = f"SELECT {', '.join(others)}, {begins} AS begins, {rises} AS rises FROM checked WHERE NOT broken"
    disorder = "count(*) FILTER (begins) > 1 OR NOT bool_and(begins OR rises)"
    query = f"SELECT 1 FROM ({steps}) GROUP BY {', '.join(others)} HAVING {disorder} LIMIT 1"
    return not connection.execute(query).fetchall()


#: From so many rows on, uniqueness is first tried by the order of the file, then by hashes: either is several
#: times cheaper than grouping.
HASHED_FROM_ROWS = 200_000
#: Hashes are compared in parts of about this many, so that a large file needs no more memory than a small one.
HASHES_AT_A_TIME = 25_000_000


@dataclass(frozen=True)
class Repeat:
    """One row whose key an earlier row of the file has. number, first: of the row and of that one (see
    ``Staged``); identical: nothing differs; by_clock: the time came twice that night, so both rows are good;
    key, first_key: of both, as texts; they differ where labels are joined."""

    number: int
    first: int
    identical: bool
    by_clock: bool = False
    key: tuple[str, ...] = ()
    first_key: tuple[str, ...] = ()


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
    settings = _joining_here(connection, table, settings)
    key = meant_key(table, settings) if settings.same else key_sql(table, settings)
    if staged.rows >= HASHED_FROM_ROWS and (
        (not settings.same and keys_in_order(connection, table)) or _all_differ(connection, key, staged.rows)
    ):
        return []
    once = f"SELECT 1 FROM checked WHERE NOT broken GROUP BY {', '.join(key)} HAVING count(*) > 1 LIMIT 1"
    if not connection.execute(once).fetchall():
        return []
    rows = connection.execute(_repeats_query(table, key, staged, earlier, settings)).fetchall()
    second: dict[int, int] = {}
    found = (_repeat(second, *row) for row in rows)
    return [repeat for repeat in found if repeat is not None]


def _joining_here(connection: duckdb.DuckDBPyConnection, table: Table, settings: Settings) -> Settings:
    """The settings with those entries alone by which two labels of the keys in ``checked`` mean one. What a tank,
    site or batch is, is taken together from all its rows: there none count."""
    columns = [name for name in table.primary_key if name in LABEL_COLUMNS]
    if not settings.same or table.primary_key == tuple(columns):
        return replace(settings, same=())
    found: dict[str, set[str]] = {}
    for name in columns:
        labels = connection.execute(f'SELECT DISTINCT "{name}"::VARCHAR FROM checked WHERE NOT broken').fetchall()
        found[LABEL_COLUMNS[name]] = {label for (label,) in labels}
    met = (one for one in settings.same if len(found.get(one.kind, set()) & {one.label, *one.also}) > 1)
    return replace(settings, same=tuple(met))


def _repeat(
    second: dict[int, int], number: int, first: int, same: int, again: bool, doubled: bool, *keys: list[str]
) -> Repeat | None:
    """same: the first row of the key with the same values; again: one before it has its labels too, else both stay
    (None); second: first row of a key -> the row that has it rightly, in the second of two hours that clocks show
    alike; doubled: the row lies in such an hour; keys: of the row and of the first."""
    if same in (first, second.get(first)):
        return Repeat(number, same, identical=True) if again else None
    is_second = doubled and first not in second
    if is_second:
        second[first] = number
    return Repeat(number, first, False, is_second, *map(tuple, keys))


def _all_differ(connection: duckdb.DuckDBPyConnection, key: tuple[str, ...], rows: int) -> bool:
    """Whether all keys have different hashes; then they differ. Equal hashes prove nothing."""
    parts = max(-(-rows // HASHES_AT_A_TIME), 1)
    hashed = f"SELECT hash({', '.join(key)}) AS h FROM checked WHERE NOT broken"
    for part in range(parts):
        # Rows of one key agree in its first column, so they are in the same part.
        found = connection.execute(f"{hashed} AND hash({key[0]}) % {parts} = {part}").fetchnumpy()
        hashes = np.asarray(found["h"])
        hashes.sort()
        if (hashes[1:] == hashes[:-1]).any():
            return False
    return True


def _repeats_query(
    table: Table, key: tuple[str, ...], staged: Staged, earlier: tuple[int, ...], settings: Settings
) -> str:
    named = ", ".join(f"{part} AS k{position}" for position, part in enumerate(key))
    keys = ", ".join(f"k{position}" for position in range(len(key)))
    written = ", ".join(f"{part}::VARCHAR" for part in key_sql(table, settings))
    values = ", ".join(label_sql(f'"{name}"', name, settings) for name, _ in value_columns(table))
    timed = [column for column in hour_columns(table) if column.name in table.primary_key]
    hour = f'"{hour_flag(timed[0])}" AND clock_doubled("{timed[0].name}")' if timed else "false"
    stands = f"{staged.number} IN ({held_numbers(table, staged, earlier)})" if earlier else "false"
    return (
        f"WITH rows AS MATERIALIZED (SELECT {staged.number} AS number, {named}, coalesce({hour}, false) AS twice, "
        f"{stands} AS stands, row({values}) AS held, [{written}] AS written FROM checked WHERE NOT broken), "
        f"doubled AS MATERIALIZED (SELECT {keys}, min_by(number, (NOT stands, number)) AS first FROM rows "
        f"GROUP BY {keys} HAVING count(*) > 1), "
        "marked AS (SELECT rows.*, first, first_value(number) OVER alike AS same, row_number() OVER (PARTITION BY "
        "first, held, written ORDER BY NOT stands, number) > 1 AS again, first_value(written) OVER (PARTITION BY "
        f"first ORDER BY NOT stands, number) AS first_written FROM rows JOIN doubled USING ({keys}) "
        "WINDOW alike AS (PARTITION BY first, held ORDER BY NOT stands, number)) "
        "SELECT number, first, same, again, twice, written, first_written FROM marked "
        "WHERE number <> first AND NOT stands ORDER BY number"
    )


def held_numbers(table: Table, staged: Staged, earlier: tuple[int, ...]) -> str:
    """SQL of the numbers of the rows that earlier uploads of the same bytes hold.

    Where a row of the file gives several, they are held when all of them are: one that was kept out is taken again
    with those beside it, which changes nothing about them.
    """
    if staged.per_line == 1:
        return held_lines(table, earlier)
    held = f"SELECT line, count(*) AS rows FROM ({held_lines(table, earlier)}) GROUP BY line"
    made = f"SELECT {staged.line} AS line, count(*) AS rows FROM checked GROUP BY ALL"
    whole = f"SELECT line FROM ({held}) JOIN ({made}) USING (line, rows)"
    return f"SELECT {staged.number} FROM checked WHERE {staged.line} IN ({whole})"


def report_repeats(
    path: str,
    table: Table,
    staged: Staged,
    repeats: list[Repeat],
    cells: Mapping[int, tuple[str, ...]],
    verdict: Verdict,
    *,
    of_several_tables: bool,
) -> list[int]:
    """Put the repeats into the verdict; returns the rows left out. cells: as received, by number.

    of_several_tables: the file feeds several, so that its lines name a site or a batch again without being repeats
    themselves; such rows are counted and keep nothing out.
    """
    left_out = [repeat for repeat in repeats if not repeat.by_clock]
    identical = [repeat for repeat in left_out if repeat.identical]
    if of_several_tables:
        verdict.repeated = len(identical)
    elif identical:
        verdict.add(_identical(path, table, staged.per_line, identical))
    for repeat in left_out:
        if repeat.identical and of_several_tables:
            continue
        line, received = repeat.number // staged.per_line, cells_as_json(cells.get(repeat.number, ()))
        if repeat.identical:
            problems = f"repeats line {repeat.first // staged.per_line} exactly"
            verdict.rejected.add(Rejected(line, received, problems, mendable=False))
        else:
            finding = _conflict(path, table, staged.per_line, repeat)
            verdict.add(finding)
            verdict.rejected.add(
                Rejected(line, received, f"{finding.message}. {finding.advice}", key=list(repeat.key))
            )
    return [repeat.number for repeat in left_out]


def _identical(path: str, table: Table, per_line: int, repeats: list[Repeat]) -> Finding:
    """One warning for all rows that repeat another exactly."""
    count = f"{len(repeats):,} rows repeat" if len(repeats) > 1 else "1 row repeats"
    line, first = repeats[0].number // per_line, repeats[0].first // per_line
    message = f"{count} an earlier row exactly; the first of them repeats line {first}"
    advice = "Nothing needs doing: each row was taken once."
    return Finding(path, line, table.name, None, None, "warning", "identical_repeat", message, advice)


def _conflict(path: str, table: Table, per_line: int, repeat: Repeat) -> Finding:
    """An error for one row that has the key of another and other values."""
    *others, last = table.primary_key
    key = f"{', '.join(others)} and {last}" if others else last
    message = f"the same {key} as line {repeat.first // per_line}, with other values; the first row was kept"
    advice = "Decide which row is right and leave the other out, or mend what tells them apart."
    labels = zip(table.primary_key, repeat.key, repeat.first_key, strict=False)
    joined = [(name, *pair) for name, *pair in labels if pair[0] != pair[1]]
    if joined:
        meanings = " and ".join(f"{own} and {first} mean one {LABEL_COLUMNS[name]}" for name, own, first in joined)
        message = f"{meanings} (layouts.toml), so it is {message}"
        advice += " If they are two, take the entry out of layouts.toml and load the row's copy."
    line = repeat.number // per_line
    return Finding(path, line, table.name, None, None, "error", "duplicate_key", message, advice)
