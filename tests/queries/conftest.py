"""Small programmes for the tests of queries: the eleven tables, filled with the few rows a test needs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import duckdb
import pytest

from broodyear.derived import run_queries
from broodyear.schemas import all_tables, table
from broodyear.settings import Settings
from broodyear.store.layout import value_columns

Row = dict[str, Any]


@dataclass
class Programme:
    """An in-memory stand-in for an open store: the tables as they now read, and what the queries make of them."""

    connection: duckdb.DuckDBPyConnection

    def add(self, table_name: str, *rows: Row) -> None:
        """Insert rows; a moment written as a bare date has no hour. Other columns take their default or NULL."""
        for number, row in enumerate(rows, start=2):
            values = {**_defaults(table_name, row), **row}
            for column in table(table_name).columns:
                if column.kind == "moment" and values.get(column.name) is not None:
                    values[f"{column.name}_has_hour"] = len(str(values[column.name])) > 10
            values |= {"upload": 1, "line": number}
            marks = ", ".join("?" for _ in values)
            names = ", ".join(f'"{name}"' for name in values)
            self.connection.execute(f"INSERT INTO {table_name} ({names}) VALUES ({marks})", list(values.values()))

    def derive(self, settings: Settings | None = None) -> None:
        """Run every query."""
        run_queries(self.connection, settings or Settings())

    def rows(self, name: str, columns: str = "*", where: str = "true") -> list[tuple[Any, ...]]:
        """Rows of a derived table in the order of all their columns."""
        return self.connection.execute(f"SELECT {columns} FROM {name} WHERE {where} ORDER BY ALL").fetchall()

    def one(self, name: str, columns: str = "*", where: str = "true") -> tuple[Any, ...]:
        """The only row of a derived table that fits."""
        found = self.rows(name, columns, where)
        assert len(found) == 1, f"{len(found)} rows of {name} where {where}"
        return found[0]


def _defaults(table_name: str, row: Row) -> Row:
    return {
        "temperatures": {
            "unit": "C",
            "instrument": "logger" if len(str(row.get("read_at", ""))) > 10 else "thermometer",
        },
        "losses": {"entry": "unknown" if row.get("dead") is None else "counted"},
        "stages": {"dating": "seen"},
    }.get(table_name, {})


def make_tables(connection: duckdb.DuckDBPyConnection) -> None:
    """The eleven tables, empty, as the views of a store show them."""
    for each in all_tables():
        columns = ", ".join(f'"{name}" {kind}' for name, kind in value_columns(each))
        connection.execute(f"CREATE TABLE {each.name} ({columns}, upload INTEGER, line BIGINT)")


@pytest.fixture
def empty() -> Iterator[Programme]:
    """A programme without a row."""
    connection = duckdb.connect(":memory:")
    make_tables(connection)
    yield Programme(connection)
    connection.close()


@pytest.fixture
def programme(empty: Programme) -> Programme:
    """One site, one chinook batch, two tanks set up in 2024; the first got 100 eyed eggs at noon on 1 November."""
    empty.add("sites", {"site_id": "S1", "region": "north", "site_kind": "school", "first_season": 2020})
    empty.add("tanks", {"tank_id": "A", "volume_l": 100.0, "chiller_year": 2021}, {"tank_id": "B"})
    empty.add(
        "setups",
        {
            "season": 2024,
            "tank_id": "A",
            "site_id": "S1",
            "room_type": "classroom",
            "gravel_practice": "gravel",
            "set_point_c": 8.0,
            "filled_on": "2024-10-20",
            "closed_on": "2024-11-30",
            "end_reason": "released",
        },
        {"season": 2024, "tank_id": "B", "site_id": "S1", "room_type": "hallway", "gravel_practice": "bare"},
    )
    empty.add("batches", {"batch_id": "B1", "donor_stock": "D1", "species": "chinook", "brood_year": 2024})
    empty.add(
        "deliveries",
        {
            "tank_id": "A",
            "batch_id": "B1",
            "delivered_on": "2024-11-01T12:00",
            "stage_at_delivery": "eyed",
            "thermal_units_at_delivery": 300.0,
            "thermal_unit": "c_days",
            "eggs_live": 100,
        },
    )
    return empty
