"""The order of a file as a proof that no key comes twice: it proves only what is so, and findings stay so."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from broodyear.intake import check_paths
from broodyear.intake import repeats as repeats_module
from broodyear.schemas import table

Row = tuple[str, str, str]

IN_ORDER: list[Row] = [
    ("T-1", "2024-11-08T10:00", "logger"),
    ("T-1", "2024-11-08T10:10", "logger"),
    ("T-1", "2024-11-08T10:00", "controller"),
    ("T-2", "2024-11-08T09:00", "logger"),
    ("T-2", "2024-11-08T10:00", "logger"),
]
SAME_TIME_TWICE = [*IN_ORDER, ("T-2", "2024-11-08T10:00", "logger")]
BACKWARDS = [*IN_ORDER, ("T-2", "2024-11-08T09:30", "logger")]
STREAM_AGAIN = [*IN_ORDER, ("T-1", "2024-11-08T10:20", "logger")]


def checked(rows: list[Row]) -> duckdb.DuckDBPyConnection:
    connection = duckdb.connect()
    connection.execute(
        "CREATE TEMP TABLE checked (tank_id VARCHAR, read_at TIMESTAMP, instrument VARCHAR, broken BOOLEAN)"
    )
    for row in rows:
        connection.execute("INSERT INTO checked VALUES (?, ?, ?, false)", row)
    return connection


@pytest.mark.parametrize(
    ("rows", "proved"),
    [(IN_ORDER, True), ([], True), (SAME_TIME_TWICE, False), (BACKWARDS, False), (STREAM_AGAIN, False)],
)
def test_what_order_proves(rows: list[Row], proved: bool) -> None:
    with checked(rows) as connection:
        assert repeats_module.keys_in_order(connection, table("temperatures")) is proved


def test_rows_with_errors_are_passed_over() -> None:
    with checked(IN_ORDER) as connection:
        connection.execute("INSERT INTO checked VALUES ('T-2', NULL, 'logger', true)")
        assert repeats_module.keys_in_order(connection, table("temperatures"))


def test_a_file_longer_than_what_the_database_looks_at_at_once() -> None:
    """A large file is held against itself over the borders between blocks of rows."""
    moments = "TIMESTAMP '2020-01-01' + to_minutes(i) AS read_at, 'logger' AS instrument, false AS broken"
    with duckdb.connect() as connection:
        connection.execute(
            f"CREATE TABLE checked AS SELECT printf('T-%d', i // 100000) AS tank_id, {moments} "
            "FROM range(250000) AS r(i)"
        )
        assert repeats_module.keys_in_order(connection, table("temperatures"))
        for border in (2048, 122880, 200001):
            connection.execute("BEGIN")
            connection.execute(f"UPDATE checked SET read_at = read_at - INTERVAL 1 MINUTE WHERE rowid = {border}")
            assert not repeats_module.keys_in_order(connection, table("temperatures")), border
            connection.execute("ROLLBACK")


def test_a_table_without_a_moment_in_its_key_is_not_proved() -> None:
    with duckdb.connect() as connection:
        assert not repeats_module.keys_in_order(connection, table("losses"))


@pytest.mark.parametrize("rows", [IN_ORDER, SAME_TIME_TWICE, BACKWARDS, STREAM_AGAIN])
def test_the_findings_are_the_same_with_and_without_it(
    rows: list[Row], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "tanks.csv").write_text("tank_id\nT-1\nT-2\n", encoding="utf-8")
    lines = [f"{tank},{at},{number}.5,{instrument}" for number, (tank, at, instrument) in enumerate(rows)]
    text = "\n".join(["tank_id,read_at,water_temp,instrument", *lines, ""])
    (tmp_path / "temperatures.csv").write_text(text, encoding="utf-8")
    usual = check_paths([tmp_path])
    monkeypatch.setattr(repeats_module, "HASHED_FROM_ROWS", 1)
    assert check_paths([tmp_path]) == usual
    expected = [7] if rows is SAME_TIME_TWICE else []
    assert [finding.line for finding in usual.findings if finding.rule == "duplicate_key"] == expected
