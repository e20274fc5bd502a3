"""The order of a file as a proof that no key comes twice: it proves only what is so, and findings stay so."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from broodyear.intake import check_paths, order
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


@pytest.mark.parametrize("at_a_time", [1, 2, 3, 100])
@pytest.mark.parametrize(
    ("rows", "proved"),
    [(IN_ORDER, True), ([], True), (SAME_TIME_TWICE, False), (BACKWARDS, False), (STREAM_AGAIN, False)],
)
def test_what_order_proves(rows: list[Row], proved: bool, at_a_time: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """In parts of any size: a part's first row is held against the last of the part before it."""
    monkeypatch.setattr(order, "ROWS_AT_A_TIME", at_a_time)
    with checked(rows) as connection:
        assert order.keys_in_order(connection, table("temperatures"), len(rows)) is proved


def test_rows_with_errors_are_passed_over() -> None:
    with checked(IN_ORDER) as connection:
        connection.execute("INSERT INTO checked VALUES ('T-2', NULL, 'logger', true)")
        assert order.keys_in_order(connection, table("temperatures"), len(IN_ORDER) + 1)


def test_too_many_streams_are_left_to_the_other_proof(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(order, "MOST_STREAMS", 2)
    with checked(IN_ORDER) as connection:
        assert not order.keys_in_order(connection, table("temperatures"), len(IN_ORDER))


def test_a_table_without_a_moment_in_its_key_is_not_proved() -> None:
    with duckdb.connect() as connection:
        assert not order.keys_in_order(connection, table("losses"), 5)


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
