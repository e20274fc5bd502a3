"""Programmes the tests of queries start from."""

from __future__ import annotations

from collections.abc import Iterator

import duckdb
import pytest
from tests.queries.simulated_store import simulated_store
from tests.queries.small_programme import Programme, new_programme

from broodyear.derived import run_queries
from broodyear.settings import Settings


@pytest.fixture
def empty() -> Programme:
    """A programme without a row."""
    return new_programme()


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


@pytest.fixture(scope="session")
def simulated() -> Iterator[duckdb.DuckDBPyConnection]:
    """Two seasons of a simulated programme, derived."""
    connection = simulated_store(3, seasons=2, tanks=80)
    run_queries(connection, Settings())
    yield connection
    connection.close()
