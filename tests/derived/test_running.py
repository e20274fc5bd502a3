"""Running queries over a store."""

from __future__ import annotations

import duckdb
import pytest
from tests.queries.simulated_store import simulated_store
from tests.queries.small_programme import new_programme

from broodyear.derived import all_queries, read_derived, run_queries
from broodyear.errors import NothingToAnalyse, UsageError
from broodyear.settings import Settings

#: Tables whose numbers come out of sums over many rows or of running sums.
SUMMED = (
    "daily_temperature",
    "thermal_units",
    "exposure_windows",
    "instrument_offsets",
    "tank_seasons",
    "stage_survival",
    "batch_summary",
    "accounting",
)


def contents(connection: duckdb.DuckDBPyConnection) -> dict[str, list[tuple[object, ...]]]:
    return {name: connection.execute(f"SELECT * FROM {name} ORDER BY ALL").fetchall() for name in SUMMED}


def test_the_same_records_give_the_same_bits_on_any_number_of_threads() -> None:
    connection = simulated_store(5, seasons=2, tanks=80)
    found = []
    for threads in (1, 2, 4):
        connection.execute(f"SET threads = {threads}")
        run_queries(connection, Settings())
        found.append(contents(connection))
    connection.close()
    assert found[0] == found[1] == found[2]


def test_running_twice_changes_nothing_and_touches_no_record() -> None:
    programme = new_programme()
    before = programme.connection.execute("SELECT table_name FROM duckdb_tables() WHERE NOT temporary").fetchall()
    run_queries(programme.connection, Settings())
    run_queries(programme.connection, Settings())
    after = programme.connection.execute("SELECT table_name FROM duckdb_tables() WHERE NOT temporary").fetchall()
    programme.connection.close()
    assert before == after


def test_a_table_of_records_that_is_missing_is_named() -> None:
    connection = duckdb.connect(":memory:")
    with pytest.raises(NothingToAnalyse, match="no table batches, .*; load the records into it first"):
        run_queries(connection, Settings())
    connection.close()


def test_only_what_is_wanted_is_made() -> None:
    programme = new_programme()
    run_queries(programme.connection, Settings(), ["tank_eggs"])
    made = programme.connection.execute("SELECT table_name FROM duckdb_tables() WHERE temporary").fetchall()
    programme.connection.close()
    names = {name for (name,) in made}
    assert "tank_eggs" in names
    assert "tank_seasons" not in names


def test_settings_reach_the_queries() -> None:
    programme = new_programme()
    run_queries(programme.connection, Settings(warm_limit_c=11.5, season_start_month=9), ["settings"])
    found = programme.connection.execute("SELECT warm_limit_c, season_start_month FROM settings").fetchall()
    programme.connection.close()
    assert found == [(11.5, 9)]


def test_a_derived_table_is_read_in_the_order_of_its_key() -> None:
    connection = simulated_store(5, seasons=1, tanks=80)
    run_queries(connection, Settings(), ["daily_temperature"])
    frame = read_derived(connection, "daily_temperature")
    connection.close()
    assert frame["tank_id"].tolist() == sorted(frame["tank_id"])
    assert list(frame.columns) == [column.name for column in all_queries()["daily_temperature"].returns]


def test_a_name_no_query_makes_is_refused() -> None:
    programme = new_programme()
    with pytest.raises(UsageError, match="there is no query 'daily'"):
        read_derived(programme.connection, "daily")
    programme.connection.close()
