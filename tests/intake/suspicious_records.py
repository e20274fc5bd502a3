"""One tank's season of plain records, to which a test adds what it is about."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from typing import Any
from unittest.mock import patch

import duckdb

from broodyear.findings import Finding
from broodyear.intake.suspicions import find_suspicions, searching
from broodyear.schemas import all_tables
from broodyear.settings import Settings
from broodyear.store.layout import create_layout, value_columns

Row = dict[str, Any]

SITE: Row = {"site_id": "S1", "region": "north", "site_kind": "school", "weekend_access": False}
TANK: Row = {"tank_id": "T1", "volume_l": 110.0, "chiller_year": 2020, "filter_kind": "internal"}
SETUP: Row = {
    "season": 2024, "tank_id": "T1", "site_id": "S1", "room_type": "classroom", "room_temp_c": 21.0,
    "gravel_practice": "gravel", "set_point_c": 8.0, "differential_c": 1.0, "filled_on": "2024-10-10",
    "closed_on": "2025-05-20", "end_reason": "released",
}  # fmt: skip
BATCH: Row = {
    "batch_id": "B1", "donor_stock": "D1", "species": "chinook", "brood_year": 2024, "spawned_on": "2024-10-01",
}  # fmt: skip
DELIVERY: Row = {
    "tank_id": "T1", "batch_id": "B1", "delivered_on": "2024-11-08", "stage_at_delivery": "eyed",
    "thermal_units_at_delivery": 300.0, "thermal_unit": "c_days", "hatchery_temp_c": 8.0, "eggs_live": 200,
    "count_method": "hand_twice",
}  # fmt: skip


@cache
def _store_in_memory() -> duckdb.DuckDBPyConnection:
    connection = duckdb.connect()
    create_layout(connection)
    return connection


class Records:
    """Rows by table, each table one upload in the order of loading; the first row of a table is line 2."""

    def __init__(self, **tables: list[Row]) -> None:
        plain = {"sites": [SITE], "tanks": [TANK], "setups": [SETUP], "batches": [BATCH], "deliveries": [DELIVERY]}
        self.tables: dict[str, list[Row]] = {**plain, **tables}

    @contextmanager
    def store(self) -> Iterator[tuple[duckdb.DuckDBPyConnection, dict[str, int]]]:
        """A store in memory that holds the rows, and the upload of each table; the same one each time, emptied."""
        with _store_in_memory().cursor() as connection:
            uploads: dict[str, int] = {}
            connection.execute("DELETE FROM uploads")
            for table in all_tables():
                connection.execute(f"DELETE FROM received_{table.name}")
                if table.name in self.tables:
                    uploads[table.name] = number = len(uploads) + 1
                    connection.execute(
                        "INSERT INTO uploads (upload, path, table_name, withdrawn) VALUES (?, ?, ?, false)",
                        [number, f"{table.name}.csv", table.name],
                    )
                    self._fill(connection, table.name, dict(value_columns(table)), number)
            yield connection, uploads

    def _fill(self, connection: duckdb.DuckDBPyConnection, name: str, kinds: dict[str, str], upload: int) -> None:
        rows = self.tables[name]
        columns = list(dict.fromkeys(column for row in rows for column in row))
        texts = [[None if row.get(column) is None else str(row[column]) for row in rows] for column in columns]
        named = ", ".join(f'"{column}"' for column in columns)
        typed = ", ".join(f"nullif(unnest(?::VARCHAR[]), '')::{kinds[column]}" for column in columns)
        connection.execute(
            f"INSERT INTO received_{name} ({named}, upload, line) SELECT {typed}, {upload}, unnest(?::BIGINT[])",
            [*texts, list(range(2, len(rows) + 2))],
        )


def suspicions(records: Records, rule: str, settings: Settings | None = None) -> list[Finding]:
    """The findings of one rule when all records arrive in one load; only its queries are run."""
    asked = [one for one in searching.RULES if one.name == rule] or searching.RULES
    with records.store() as (connection, uploads), patch.object(searching, "RULES", asked):
        found = find_suspicions(connection, tuple(uploads.values()), settings or Settings())
    return [finding for _, finding in found if finding.rule == rule]


def readings(
    values: list[float], *, first: str = "2024-11-09", every_hours: float = 24, instrument: str = "thermometer",
    unit: str = "C", tank_id: str = "T1",
) -> list[Row]:  # fmt: skip
    """A series of readings of one tank at even steps of time."""
    start = dt.datetime.fromisoformat(first)
    return [
        {
            "tank_id": tank_id,
            "read_at": (start + dt.timedelta(hours=every_hours * number)).isoformat(),
            "read_at_has_hour": instrument == "logger",
            "water_temp": value,
            "unit": unit,
            "instrument": instrument,
        }
        for number, value in enumerate(values)
    ]


def losses(
    counts: list[int | None], *, first: str = "2024-11-11", every_days: int = 7, stage: str = "egg"
) -> list[Row]:
    """Dead removed at even steps of days."""
    start = dt.date.fromisoformat(first)
    return [
        {
            "tank_id": "T1",
            "checked_on": (start + dt.timedelta(days=every_days * number)).isoformat(),
            "stage": stage,
            "dead": dead,
            "entry": "unknown" if dead is None else "counted",
        }
        for number, dead in enumerate(counts)
    ]


def stage(
    name: str, first_seen_on: str, *, last_absent_on: str | None = None, dating: str = "seen", tank_id: str = "T1"
) -> Row:
    """One development event."""
    return {
        "tank_id": tank_id, "stage": name, "first_seen_on": first_seen_on, "last_absent_on": last_absent_on,
        "dating": dating,
    }  # fmt: skip


def released(count: int, on: str = "2025-05-20", *, count_method: str | None = "hand_twice") -> Row:
    """Fish let go."""
    return {"tank_id": "T1", "exited_on": on, "fate": "released", "count": count, "count_method": count_method}
