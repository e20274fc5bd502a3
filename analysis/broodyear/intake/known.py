"""What is known when a file comes: the seasons of the programme, those in which tanks were set up, and the codes
that other tables may refer to, of the store and of the files loaded so far."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator

import duckdb

from broodyear.derived import MACROS, query_text, statement
from broodyear.findings import first_of
from broodyear.intake.cell_sql import known_name
from broodyear.schemas import Table
from broodyear.settings import SeasonSpan, Settings, season_of
from broodyear.store.joining import LABEL_COLUMNS, joined_codes


def known_seasons(
    connection: duckdb.DuckDBPyConnection, settings: Settings, *, and_checked: bool = False
) -> SeasonSpan | None:
    """The first and last day of the seasons in which some tank was set up; None when there is none. and_checked:
    also those of the set-ups that are being checked (the table ``checked``)."""
    setups = "SELECT season FROM setups" + (" UNION ALL SELECT season FROM checked" if and_checked else "")
    possible = f"SELECT min(season), max(season) FROM ({setups}) WHERE season BETWEEN 1900 AND 2100"
    [(first, last)] = connection.execute(possible).fetchall()
    if first is None:
        return None
    month, day = settings.season_start_month, settings.season_start_day
    return dt.date(int(first), month, day), dt.date(int(last) + 1, month, day) - dt.timedelta(days=1)


#: So many tanks are named in a note.
_NAMED = 5


def without_setup(
    connection: duckdb.DuckDBPyConnection, table: Table, upload: int, settings: Settings
) -> Iterator[str]:
    """A note on tanks of an upload whose rows fall into a season in which they have no set-up; none when all have
    one, or when no set-up is known at all."""
    dated = [name for name in table.primary_key if table.column(name).kind in {"date", "moment"}]
    dated += [table.key_season_of] if table.key_season_of else []
    if not dated or "tank_id" not in table.column_names:
        return
    meant = settings.meant_by("tank")
    setups = connection.execute("SELECT tank_id, season FROM setups").fetchall()
    known = {(meant.get(tank, tank), season) for tank, season in setups}
    if not known:
        return
    rows = connection.execute(
        f'SELECT tank_id, min("{dated[0]}")::DATE, max("{dated[0]}")::DATE FROM received_{table.name} '
        f"WHERE upload = {upload} GROUP BY tank_id ORDER BY tank_id"
    ).fetchall()
    lacking = {
        tank: season
        for tank, first, last in rows
        for season in {season_of(first, settings), season_of(last, settings)}
        if (meant.get(tank, tank), season) not in known
    }
    if not lacking:
        return
    named = [f"{tank} in {season}/{(season + 1) % 100:02d}" for tank, season in lacking.items()]
    listed = first_of(named, _NAMED)
    yield f"rows of tanks without a set-up in their season are kept, and join when it arrives: {listed}"


#: What stands between two codes in one cell.
_BETWEEN = re.compile(r"\s*[&+,;/]\s*|\s+and\s+", re.IGNORECASE)


class NearCodes:
    """Known codes for which the unknown ones in ``failed_checks`` may be meant, looked up when first needed."""

    def __init__(self, connection: duckdb.DuckDBPyConnection, table: Table) -> None:
        self._connection = connection
        self._types = {reference.column: known_name(reference) for reference in table.references}
        self._near: dict[str, dict[str, str]] = {}
        self._known: dict[str, list[str]] = {}

    def near(self, column: str, code: str, check: str) -> str | None:
        """The one known code that an unknown one of ``column`` reads like, or of which it is short; None when none
        or several do. check: what stands before such codes in ``failed_checks``."""
        if column not in self._near:
            known = self._all(column)
            given = {"check": check, "known": known}
            # Planning the search takes longer than most sheets: there is none where nothing is known.
            found = self._connection.execute(statement("intake/near_codes"), given).fetchall() if known else []
            self._near[column] = dict(found)
        return self._near[column].get(code)

    def several(self, column: str, code: str) -> tuple[str, ...]:
        """The known codes that an unknown one of ``column`` names, as "T05 & T06" does; none when it does not name
        two or more and nothing else."""
        known = {one.casefold(): one for one in self._all(column)}
        named = [known.get(part.casefold(), "") for part in _BETWEEN.split(code.strip())]
        return tuple(named) if len(named) > 1 and all(named) else ()

    def _all(self, column: str) -> list[str]:
        if column not in self._known:
            query = f"SELECT unnest(enum_range(NULL::{self._types[column]}))"
            self._known[column] = [code for (code,) in self._connection.execute(query).fetchall() if code]
        return self._known[column]


def expect_no_codes(connection: duckdb.DuckDBPyConnection) -> None:
    """Begin a run: no codes are to come from files that are filed later than those that refer to them. The macros
    by which codes are compared are made."""
    connection.execute(query_text(MACROS))
    connection.execute("CREATE OR REPLACE TEMP TABLE codes_to_come (table_name VARCHAR, code VARCHAR)")


def expect_codes(connection: duckdb.DuckDBPyConnection, table: Table) -> None:
    """The codes of the good rows in ``checked`` are known from now on, although the rows are filed later."""
    (column,) = table.primary_key
    connection.execute(
        f"INSERT INTO codes_to_come SELECT '{table.name}', \"{column}\" FROM checked WHERE NOT broken"
    )


def prepare_known_codes(connection: duckdb.DuckDBPyConnection, table: Table, settings: Settings) -> None:
    """Make a temporary type of the known codes for each reference of ``table``.

    Files are taken in load order (sites, tanks, setups, batches …), so the codes of a whole load are known by the
    time a table refers to them, in whatever order the files came. Of labels that mean one thing all are known when
    one is.
    """
    connection.execute("DROP TABLE IF EXISTS checked")
    for reference in table.references:
        name = known_name(reference)
        connection.execute(f"DROP TYPE IF EXISTS {name}")
        # A type needs at least one value: the empty text, which no checked code can be.
        coming = f"SELECT code FROM codes_to_come WHERE table_name = '{reference.target_table}'"
        stored = f"SELECT {reference.target_column} FROM {reference.target_table}"
        codes = f"SELECT '' AS code UNION {stored} UNION {coming}"
        joined = joined_codes(codes, settings.groups_of(LABEL_COLUMNS[reference.target_column]))
        connection.execute(f"CREATE TEMP TYPE {name} AS ENUM ({joined})")
