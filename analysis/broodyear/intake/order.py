"""The quickest proof that no key comes twice: a file as loggers write it, stream after stream, each in order."""

from __future__ import annotations

import duckdb

from broodyear.schemas import Table


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
