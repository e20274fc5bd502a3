"""Rows that clash under joined labels: one of the same key came later and stands; no result reads the other."""

from __future__ import annotations

import duckdb
import pandas as pd

from broodyear.schemas import Table, all_tables
from broodyear.settings import Settings
from broodyear.store.joining import joined_rows, meant_in, meant_rows, stored_name
from broodyear.store.layout import quoted, same_key
from broodyear.store.ledger import key_as_text

COLUMNS = ("table_name", "row_key", "differs", "path", "line", "standing_path", "standing_line")


def clashing_rows(connection: duckdb.DuckDBPyConnection, settings: Settings) -> pd.DataFrame:
    """Rows that say something else than the row that stands in their place under joined labels.

    Columns: table_name, row_key (parts joined by commas), differs (column, what the row says, and what stands),
    path and line of the row, standing_path and standing_line of the one that stands. Of what a tank, site or batch
    is, only values that another row of it says otherwise. Empty where no labels are joined.
    """
    found = [_of_table(connection, table, settings) for table in all_tables() if settings.same]
    rows = [row for part in found for row in part]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _of_table(
    connection: duckdb.DuckDBPyConnection, table: Table, settings: Settings
) -> list[tuple[str, str, str, str, int, str, int]]:
    stored = stored_name(connection, table)
    joined = joined_rows(table, settings, stored)
    concerned = [
        f'"{column}" IN ({", ".join(map(quoted, sorted(set(labels.values()))))})'
        for column, labels in meant_in(table, settings).items()
        if column in table.primary_key
    ]
    if joined is None or not concerned:
        return []
    where = " OR ".join(concerned)
    return connection.execute(
        f"SELECT '{table.name}', array_to_string({key_as_text(table, settings, 'r.')}, ', '), "
        f"array_to_string({_differing(table)}, '; ') AS differs, rp.path, r.line, sp.path, s.line "
        f"FROM (SELECT * FROM ({meant_rows(table, settings, stored)}) WHERE {where}) AS r "
        f"JOIN (SELECT * FROM ({joined}) WHERE {where}) AS s ON {same_key(table, settings, 'r.', 's.')} "
        "JOIN uploads AS rp ON rp.upload = r.upload JOIN uploads AS sp ON sp.upload = s.upload "
        "WHERE (r.upload, r.line) <> (s.upload, s.line) AND differs <> '' ORDER BY 2, r.upload, r.line"
    ).fetchall()


def _differing(table: Table) -> str:
    """SQL of a list of texts: the values of row ``r`` that are not those of the row ``s`` that stands.

    A tank, site or batch keeps what only one of its rows says, so there blanks are no difference.
    """
    texts = []
    for column in table.columns:
        if column.name not in table.primary_key:
            row, stands = (f'{prefix}"{column.name}"' for prefix in ("r.", "s."))
            is_said = f" AND {row} IS NOT NULL" if len(table.primary_key) == 1 else ""
            was, now = (f"coalesce({value}::VARCHAR, 'blank')" for value in (row, stands))
            text = f"'{column.name} ' || {was} || ', read as ' || {now}"
            texts.append(f"CASE WHEN {row} IS DISTINCT FROM {stands}{is_said} THEN {text} END")
    return f"[{', '.join(texts)}]"
