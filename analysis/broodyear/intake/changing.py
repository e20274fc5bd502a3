"""What a file changes among rows that are there already: what it leaves, what it clears, and where files disagree.

A column that a file lacks leaves what earlier files said of the row, and so does a default that stands for it; a
blank cell under a heading clears. All of it is done for a whole file at once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import duckdb

from broodyear.derived import statement
from broodyear.findings import Change, Finding
from broodyear.intake.known import Known
from broodyear.schemas import Table
from broodyear.settings import Settings
from broodyear.store.export import moment_sql
from broodyear.store.joining import joined_rows, meant_key
from broodyear.store.layout import hour_flag, key_sql, merged_values, same_key, sql_type, unsaid_columns
from broodyear.store.ledger import key_as_text

#: So many changed cells of one column are listed for one file; the rest are counted in its notes.
MOST_LISTED = 20_000
#: What is said to whoever sent files that disagree.
STANDS = (
    "Of two files of one load the one that sorts later stands: decide which is right, and mend the other or leave "
    "it out."
)


def note_standing(known: Known, table: Table, given: frozenset[str]) -> int:
    """Make the temporary table ``standing_rows`` of those whose keys come again in ``checked``; their number, or
    where labels are joined, that of the rows in ``standing_as_read``: the same as everything reads them.

    A row that does not say by which instrument it was read is of the one that read then, where there is only one,
    and the file brings no other moments of that tank.
    """
    connection, settings = known.connection, known.settings
    joined = joined_rows(table, settings, table.name)
    if not known.has_rows(table):
        return 0
    then = _on_the_days_checked(connection, table)
    if table.name == "temperatures" and "instrument" not in given:
        connection.execute(
            f"CREATE OR REPLACE TEMP VIEW read_then AS SELECT * FROM temperatures AS v WHERE {then}"
        )
        # Of a moment that nobody has read yet there is nothing to adopt, and nothing to change.
        again = "SELECT 1 FROM read_then SEMI JOIN checked USING (tank_id, read_at) LIMIT 1"
        if joined is None and not connection.execute(again).fetchall():
            return 0
        adopted = statement("intake/adopted_instruments")
        connection.execute(
            f"UPDATE checked AS c SET instrument = a.instrument FROM ({adopted}) AS a "
            "WHERE (c.tank_id, c.read_at, c.read_at_has_hour) = (a.tank_id, a.read_at, a.read_at_has_hour)"
        )
    same = f"{same_key(table, settings, 'v.', 'c.')} AND {then}"
    count = _keep(connection, "standing_rows", table.name, same)
    if joined is None:
        return count
    keys = zip(key_sql(table, settings, "v."), meant_key(table, settings, "c."), strict=True)
    same = " AND ".join(f"{left} = {right}" for left, right in keys)
    return _keep(connection, "standing_as_read", f"({joined})", f"{same} AND {then}")


def _on_the_days_checked(connection: duckdb.DuckDBPyConnection, table: Table) -> str:
    """SQL that tells whether the day of a row ``v`` lies among those of the good rows in ``checked``, where the
    key of the table has one: told in figures, it spares reading most of a large store."""
    dated = next((name for name in table.primary_key if table.column(name).kind in {"date", "moment"}), None)
    if dated is None:
        return "true"
    query = f'SELECT min("{dated}")::VARCHAR, max("{dated}")::VARCHAR FROM checked WHERE NOT broken'
    [(first, last)] = connection.execute(query).fetchall()
    kind = sql_type(table.column(dated))
    return f"v.\"{dated}\" BETWEEN {kind} '{first}' AND {kind} '{last}'" if first else "true"


def _keep(connection: duckdb.DuckDBPyConnection, name: str, rows: str, same: str) -> int:
    """Make a temporary table of those ``rows`` (SQL) that are the ``same`` as a good row of ``checked``."""
    query = f"SELECT v.* FROM {rows} AS v SEMI JOIN (SELECT * FROM checked WHERE NOT broken) AS c ON {same}"
    [(count,)] = connection.execute(f"CREATE OR REPLACE TEMP TABLE {name} AS {query}").fetchall()
    return int(count)


def leave_unsaid(
    connection: duckdb.DuckDBPyConnection, table: Table, given: frozenset[str], upload: int, settings: Settings
) -> None:
    """Give the rows of ``upload`` what the rows in ``standing_rows`` hold in columns that the file lacks."""
    unsaid = unsaid_columns(table, given)
    if unsaid:
        connection.execute(
            f"UPDATE received_{table.name} AS n SET {merged_values(table, unsaid)} FROM standing_rows AS e "
            f"WHERE n.upload = {upload} AND {same_key(table, settings, 'n.', 'e.')}"
        )


@dataclass(frozen=True)
class Changes:
    """What a file changes. changes: cells of rows there before the run; unlisted: those too many to list;
    disagreements: warnings where an earlier file of this run says something else."""

    changes: list[Change]
    disagreements: list[Finding]
    unlisted: int


def find_changes(
    connection: duckdb.DuckDBPyConnection,
    table: Table,
    upload: int,
    path: str,
    of_this_run: Mapping[int, str],
    settings: Settings,
) -> Changes:
    """What the rows of ``upload`` change in what is read; ``standing_rows`` holds the rows as they were,
    ``standing_as_read`` those under joined labels.

    of_this_run: path of each upload of this run so far.
    """
    changes: list[Change] = []
    disagreements: list[Finding] = []
    unlisted = 0
    for row in _differences(connection, table, upload, settings):
        key, column, old, new, line, earlier, earlier_line = row
        if earlier in of_this_run:
            other = of_this_run[earlier]
            message = f"{key}: {column} is {_shown(new)} here and {_shown(old)} in {other}, line {earlier_line}"
            here = Finding(path, line, table.name, column, new, "warning", "files_disagree", message, STANDS)
            disagreements.append(here._replace(other_path=other))
        elif len(changes) < MOST_LISTED:
            changes.append(Change(table.name, key, column, old, new, path, line))
        else:
            unlisted += 1
    return Changes(changes, disagreements, unlisted)


def _differences(
    connection: duckdb.DuckDBPyConnection, table: Table, upload: int, settings: Settings
) -> list[tuple[str, str, str | None, str | None, int, int, int]]:
    columns = [column for column in table.columns if column.name not in table.primary_key]
    if table.key_season_of:
        columns.append(table.column(table.key_season_of))
    key = f"array_to_string({key_as_text(table, settings, 'n.')}, ', ')"
    same = same_key(table, settings, "n.", "e.")
    joined = joined_rows(table, settings, table.name)
    before, now = (
        ("standing_rows", f"received_{table.name}") if joined is None else ("standing_as_read", f"({joined})")
    )
    parts = [
        f"SELECT {key}, '{column.name}', {_text(table, column.name, 'e.')} AS old, "
        f"{_text(table, column.name, 'n.')} AS new, n.line AS line, e.upload, e.line "
        f"FROM {before} AS e JOIN {now} AS n ON {same} WHERE n.upload = {upload} "
        "AND old IS DISTINCT FROM new"
        for column in columns
    ]
    return connection.execute(f"{' UNION ALL '.join(parts)} ORDER BY line, 2").fetchall() if parts else []


def _text(table: Table, name: str, prefix: str) -> str:
    """SQL of a value as text, a moment as it is uploaded."""
    column = table.column(name)
    if column.kind == "moment":
        return moment_sql(f'{prefix}"{name}"', f'{prefix}"{hour_flag(column)}"')
    return f'{prefix}"{name}"::VARCHAR'


def _shown(value: str | None) -> str:
    return "blank" if value is None else value
