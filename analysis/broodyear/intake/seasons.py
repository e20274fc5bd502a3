"""The seasons of the programme: those in which tanks were set up, and rows that fall outside them."""

from __future__ import annotations

import datetime as dt

import duckdb

from broodyear.schemas import Table
from broodyear.settings import Settings, season_of

#: The first and the last day that a year in two figures may lead to.
SeasonSpan = tuple[dt.date, dt.date]


def known_seasons(connection: duckdb.DuckDBPyConnection, settings: Settings) -> SeasonSpan | None:
    """The first and last day of the seasons in which some tank was set up; None when there is none."""
    return _span(connection, "SELECT season FROM setups", settings)


def seasons_of_rows(connection: duckdb.DuckDBPyConnection, settings: Settings) -> SeasonSpan | None:
    """The same, with the seasons of the set-ups that are being checked (the table ``checked``)."""
    return _span(connection, "SELECT season FROM setups UNION ALL SELECT season FROM checked", settings)


def _span(connection: duckdb.DuckDBPyConnection, query: str, settings: Settings) -> SeasonSpan | None:
    possible = f"SELECT min(season), max(season) FROM ({query}) WHERE season BETWEEN 1900 AND 2100"
    [(first, last)] = connection.execute(possible).fetchall()
    if first is None:
        return None
    month, day = settings.season_start_month, settings.season_start_day
    return dt.date(int(first), month, day), dt.date(int(last) + 1, month, day) - dt.timedelta(days=1)


#: So many tanks are named in a note.
_NAMED = 5


def without_setup(
    connection: duckdb.DuckDBPyConnection, table: Table, upload: int, settings: Settings
) -> str | None:
    """A note on tanks of an upload whose rows fall into a season in which they have no set-up; None when all have
    one, or when no set-up is known at all."""
    dated = [name for name in table.primary_key if table.column(name).kind in {"date", "moment"}]
    dated += [table.key_season_of] if table.key_season_of else []
    if not dated or "tank_id" not in table.column_names:
        return None
    meant = settings.meant_by("tank")
    setups = connection.execute("SELECT tank_id, season FROM setups").fetchall()
    known = {(meant.get(tank, tank), season) for tank, season in setups}
    if not known:
        return None
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
        return None
    named = [f"{tank} in {season}/{(season + 1) % 100:02d}" for tank, season in lacking.items()]
    more = f" and {len(named) - _NAMED} more" if len(named) > _NAMED else ""
    listed = ", ".join(named[:_NAMED]) + more
    return f"rows of tanks without a set-up in their season are kept, and join when it arrives: {listed}"
