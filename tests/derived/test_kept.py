"""Derived tables kept in a large store: shown only for exactly the rows and settings they were made from."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path

import duckdb
import pytest
from tests.queries.simulated_store import store_of

from broodyear.derived import has_other_settings, keep_derived, run_queries, running
from broodyear.derived.catalogue import needed_for
from broodyear.intake import check_paths, load_paths, suspicions
from broodyear.settings import Settings
from broodyear.store import Store, open_store, verify_store
from broodyear.synthetic import Programme, simulate

SETTINGS = Settings()
READINGS = "tank_id,read_at,water_temp\nT1,2024-11-0{day}T08:00,7.5\nT1,2024-11-0{day}T09:00,7.6\n"


@pytest.fixture
def every_store_is_large(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(running, "KEEP_FROM_ROWS", 1)


@pytest.fixture
def few_queries(monkeypatch: pytest.MonkeyPatch) -> None:
    """The derived tables are thermal units and what they read: enough to tell whether some are kept. Loads do not
    look across rows, for which they would need the others."""
    few = needed_for(["thermal_units"])
    monkeypatch.setattr(running, "all_queries", lambda: few)
    monkeypatch.setattr(suspicions, "find_suspicions", lambda *given: [])


@cache
def programme() -> Programme:
    return simulate(5, seasons=2, tanks=20)


@pytest.fixture
def records() -> Iterator[duckdb.DuckDBPyConnection]:
    connection = store_of(programme())
    connection.execute("UPDATE uploads SET rows_accepted = 1000")
    yield connection
    connection.close()


def contents(connection: duckdb.DuckDBPyConnection) -> dict[str, list[tuple[object, ...]]]:
    tables = running.queries_to_keep()
    return {name: connection.execute(f"SELECT * FROM {name} ORDER BY ALL").fetchall() for name in tables}


def days_of_readings(connection: duckdb.DuckDBPyConnection) -> int:
    row = connection.execute("SELECT count(*) FROM instrument_days").fetchone()
    assert row is not None
    return int(row[0])


def stored_store(folder: Path, name: str = "store") -> Store:
    store = open_store(folder / f"{name}.duckdb", for_loading=True)
    (folder / "tanks.csv").write_text("tank_id\nT1\n", encoding="utf-8")
    for day in (1, 2):
        (folder / f"readings_{day}.csv").write_text(READINGS.format(day=day), encoding="utf-8")
    load_paths(store, [folder / "tanks.csv", folder / "readings_1.csv"])
    return store


def test_kept_tables_hold_what_working_out_anew_gives(
    every_store_is_large: None, records: duckdb.DuckDBPyConnection
) -> None:
    run_queries(records, SETTINGS)
    anew = contents(records)
    assert keep_derived(records.cursor(), SETTINGS)
    run_queries(records, SETTINGS)
    assert contents(records) == anew
    for name, rows in anew.items():
        assert records.execute(f"SELECT count(*) FROM kept.{name}").fetchone() == (len(rows),)


@pytest.mark.usefixtures("few_queries")
def test_a_kept_table_is_read_and_nothing_behind_it_is_made(
    every_store_is_large: None, records: duckdb.DuckDBPyConnection
) -> None:
    keep_derived(records.cursor(), SETTINGS)
    records.execute("DELETE FROM kept.thermal_units")
    run_queries(records, SETTINGS, ["thermal_units"])
    assert records.execute("SELECT count(*) FROM thermal_units").fetchone() == (0,)
    made = records.execute("SELECT table_name FROM duckdb_tables() WHERE temporary").fetchall()
    assert ("instrument_days",) not in made


@pytest.mark.usefixtures("few_queries")
def test_other_settings_are_worked_out_anew(
    every_store_is_large: None, records: duckdb.DuckDBPyConnection
) -> None:
    keep_derived(records.cursor(), SETTINGS)
    records.execute("DELETE FROM kept.instrument_days")
    run_queries(records, SETTINGS)
    assert days_of_readings(records) == 0
    run_queries(records, replace(SETTINGS, warm_limit_c=12.0))
    assert days_of_readings(records) > 0


@pytest.mark.usefixtures("few_queries")
def test_other_settings_are_told_from_other_rows(
    every_store_is_large: None, records: duckdb.DuckDBPyConnection
) -> None:
    other = replace(SETTINGS, warm_limit_c=12.0)
    assert not has_other_settings(records, SETTINGS), "nothing is kept"
    keep_derived(records.cursor(), SETTINGS)
    assert [has_other_settings(records, one) for one in (SETTINGS, other)] == [False, True]
    records.execute("UPDATE uploads SET rows_accepted = rows_accepted + 1")
    assert running.kept_tables(records, SETTINGS) == frozenset()
    assert [has_other_settings(records, one) for one in (SETTINGS, other)] == [False, True]
    records.execute("UPDATE kept.fingerprint SET fingerprint = 'onedigestofanearlierversion'")
    assert not has_other_settings(records, other)


@pytest.mark.usefixtures("few_queries")
def test_rows_that_come_or_go_make_what_was_kept_void(every_store_is_large: None, tmp_path: Path) -> None:
    with stored_store(tmp_path) as store:
        assert store.keep_derived()
        assert len(store.result("instrument_days")) == 1
        load_paths(store, [tmp_path / "readings_2.csv"])
        run_queries(store.connection, store.settings)
        assert days_of_readings(store.connection) == 2
        assert store.keep_derived()
        store.withdraw(3)
        assert len(store.result("instrument_days")) == 1


@pytest.mark.usefixtures("few_queries")
def test_the_same_bytes_again_leave_what_is_kept(every_store_is_large: None, tmp_path: Path) -> None:
    with stored_store(tmp_path) as store:
        store.keep_derived()
        store.connection.execute("DELETE FROM kept.instrument_days")
        load_paths(store, [tmp_path / "readings_1.csv"])
        assert store.keep_derived()
        assert len(store.result("instrument_days")) == 0


@pytest.mark.usefixtures("few_queries")
def test_a_small_store_keeps_nothing(records: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch) -> None:
    assert not keep_derived(records.cursor(), SETTINGS)
    monkeypatch.setattr(running, "KEEP_FROM_ROWS", 1)
    assert keep_derived(records.cursor(), SETTINGS)
    monkeypatch.setattr(running, "KEEP_FROM_ROWS", 100_000)
    assert not keep_derived(records.cursor(), SETTINGS)
    assert records.execute("SELECT count(*) FROM duckdb_tables() WHERE schema_name = 'kept'").fetchone() == (0,)


def test_kept_tables_that_cannot_be_written_leave_the_store_in_use(
    every_store_is_large: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*arguments: object) -> None:
        raise duckdb.IOException("No space left on device")

    with stored_store(tmp_path) as store:
        monkeypatch.setattr("broodyear.derived.running.write_kept", full)
        assert not store.keep_derived()
        assert len(store.result("instrument_days")) == 1


@pytest.mark.usefixtures("few_queries")
def test_a_store_opened_to_read_shows_what_is_kept(every_store_is_large: None, tmp_path: Path) -> None:
    with stored_store(tmp_path) as store:
        store.keep_derived()
        store.connection.execute("DELETE FROM kept.instrument_days")
    with open_store(tmp_path / "store.duckdb") as store:
        assert len(store.result("instrument_days")) == 0


@pytest.mark.parametrize("name", ["kept", 'it"s kept', "temp", "main"])
def test_whatever_the_file_is_called(every_store_is_large: None, tmp_path: Path, name: str) -> None:
    place = tmp_path / f"{name}.duckdb"
    with stored_store(tmp_path, name) as store:
        assert store.keep_derived()
        assert len(store.result("instrument_days")) == 1
    with open_store(place, settings=replace(SETTINGS, warm_limit_c=12.0), for_loading=True) as store:
        assert store.keep_derived()
        store.connection.execute(f"DELETE FROM {running.kept_in_store(store.connection)['instrument_days']}")
        assert len(store.result("instrument_days")) == 0
    assert verify_store(place).problems == ()
    with open_store(place) as store:
        assert len(store.result("instrument_days")) == 1
        checked = check_paths([tmp_path / "readings_2.csv"], store=store)
    assert checked.exit_code == 0
