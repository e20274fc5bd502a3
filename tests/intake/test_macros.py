"""The macros of a check or a load are seen while it lasts, and leave nothing behind in the store."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from broodyear.intake import check_paths
from broodyear.intake.macros import with_macros
from broodyear.store import Store, open_store

ATTACHED = "SELECT database_name FROM duckdb_databases() WHERE NOT internal"


@pytest.mark.parametrize("name", ['it"s odd', "a,b.c", "main", "temp"])
def test_a_session_sees_them_and_its_own_store_first(tmp_path: Path, name: str) -> None:
    with open_store(tmp_path / f"{name}.duckdb", for_loading=True) as store, store.for_uploads() as session:
        before = session.execute(ATTACHED).fetchall()
        with with_macros(session, tmp_path):
            read = session.execute(
                "SELECT plain_label('T-01'), yes_or_no_in('Yes'), current_database()"
            ).fetchall()
            assert read == [("t1", True, before[0][0])]
            session.execute("INSERT INTO received_tanks (tank_id) VALUES ('T-1')")
        assert session.execute(ATTACHED).fetchall() == before
        with pytest.raises(duckdb.CatalogException, match="plain_label"):
            session.execute("SELECT plain_label('T-01')")
        assert store.table("tanks")["tank_id"].tolist() == ["T-1"]
    with open_store(tmp_path / f"{name}.duckdb") as again:
        assert len(again.table("tanks")) == 1


def test_school_years_are_read_only_where_they_are_asked_for(tmp_path: Path) -> None:
    with duckdb.connect() as session:
        with with_macros(session, tmp_path, school_years=True):
            session.execute("SELECT season_day_in('3 Nov', NULL, NULL, NULL, 801)")
        with with_macros(session, tmp_path, school_years=False), pytest.raises(duckdb.CatalogException):
            session.execute("SELECT season_day_in('3 Nov', NULL, NULL, NULL, 801)")


def test_what_failed_in_the_block_is_what_is_said(tmp_path: Path) -> None:
    session = duckdb.connect()
    with pytest.raises(ZeroDivisionError), with_macros(session, tmp_path):
        session.close()
        raise ZeroDivisionError


def test_what_the_store_holds_is_known_and_a_table_emptied_again_is_as_one_that_never_had_a_row(
    store: Store, tmp_path: Path
) -> None:
    losses = tmp_path / "losses.csv"
    losses.write_text("tank_id,checked_on,stage,dead\nT-001,2025-01-12,egg,1\n", encoding="utf-8")
    assert check_paths([losses], store=store).findings == ()
    [upload] = store.uploads().query("table == 'tanks'")["upload"]
    store.withdraw(int(upload))
    assert [finding.rule for finding in check_paths([losses], store=store).findings] == ["unknown_tank"]
