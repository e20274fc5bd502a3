"""The codes that other tables may refer to: those in the store and those of the files loaded so far."""

from __future__ import annotations

import duckdb

from broodyear.intake.row_sql import known_name
from broodyear.schemas import Table


def prepare_known_codes(connection: duckdb.DuckDBPyConnection, table: Table) -> None:
    """Make a temporary type of the known codes for each reference of ``table``.

    Files are taken in load order (sites, tanks, setups, batches …), so the codes of a whole load are known by the
    time a table refers to them, in whatever order the files came.
    """
    connection.execute("DROP TABLE IF EXISTS checked")
    for reference in table.references:
        name = known_name(reference)
        connection.execute(f"DROP TYPE IF EXISTS {name}")
        # A type needs at least one value: the empty text, which no checked code can be.
        codes = f"SELECT '' UNION SELECT {reference.target_column} FROM {reference.target_table}"
        connection.execute(f"CREATE TEMP TYPE {name} AS ENUM ({codes})")
