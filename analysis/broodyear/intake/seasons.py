"""The seasons of the programme: a year in two figures is read only where it falls into one of them."""

from __future__ import annotations

import datetime as dt

import duckdb

from broodyear.intake.date_sql import SeasonSpan
from broodyear.settings import Settings


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
