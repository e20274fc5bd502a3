"""The same key twice in one file: the first row stays, an identical repeat is left out, others are errors."""

from __future__ import annotations

from dataclasses import dataclass

import duckdb
import numpy as np

from broodyear.intake.staging import Staged
from broodyear.schemas import Table
from broodyear.settings import Settings
from broodyear.store.layout import key_sql, value_columns

#: From so many rows on, uniqueness is first tried by hashes, which is several times cheaper than grouping.
HASHED_FROM_ROWS = 200_000


@dataclass(frozen=True)
class Repeat:
    """One row whose key an earlier row of the file has. first_line: that row; identical: nothing differs."""

    line: int
    first_line: int
    identical: bool


def find_repeats(
    connection: duckdb.DuckDBPyConnection, table: Table, staged: Staged, settings: Settings
) -> list[Repeat]:
    """The rows of ``checked`` (those without errors) that repeat a key, in line order."""
    key = key_sql(table, settings)
    if staged.rows >= HASHED_FROM_ROWS and _all_differ(connection, key):
        return []
    rows = connection.execute(_repeats_query(table, key, staged)).fetchall()
    return [Repeat(int(line), int(first), bool(identical)) for line, first, identical in rows]


def _all_differ(connection: duckdb.DuckDBPyConnection, key: tuple[str, ...]) -> bool:
    """Whether all keys have different hashes; then they differ. Equal hashes prove nothing."""
    query = f"SELECT hash({', '.join(key)}) AS h FROM checked WHERE raw IS NULL"
    hashes = np.asarray(connection.execute(query).fetchnumpy()["h"])
    hashes.sort()
    return not bool((hashes[1:] == hashes[:-1]).any())


def _repeats_query(table: Table, key: tuple[str, ...], staged: Staged) -> str:
    named = ", ".join(f"{part} AS k{position}" for position, part in enumerate(key))
    keys = ", ".join(f"k{position}" for position in range(len(key)))
    values = ", ".join(f'"{name}"' for name, _ in value_columns(table))
    return (
        f"WITH rows AS MATERIALIZED (SELECT {staged.line} AS line, {named}, row({values}) AS held FROM checked "
        f"WHERE raw IS NULL), doubled AS MATERIALIZED (SELECT {keys}, min(line) AS first_line FROM rows "
        f"GROUP BY {keys} HAVING count(*) > 1) "
        f"SELECT rows.line, first_line, rows.held IS NOT DISTINCT FROM first.held FROM rows "
        f"JOIN doubled USING ({keys}) JOIN rows AS first ON first.line = first_line "
        "WHERE rows.line <> first_line ORDER BY rows.line"
    )
