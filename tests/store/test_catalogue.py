"""Only stores as broodyear makes them are opened, and a store that is read reaches no other file."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from broodyear.errors import StoreUnavailable
from broodyear.intake import check_paths, load_paths
from broodyear.schemas import TABLE_NAMES, all_tables
from broodyear.store import export_store, open_existing_for_change, open_store
from broodyear.store.layout import STORE_VERSION

FOREIGN = {
    "another view": ("CREATE VIEW extra AS SELECT * FROM read_text('@SECRET')", "the view extra"),
    "a view of its own changed": (
        "CREATE OR REPLACE VIEW sites AS SELECT content AS site_id FROM read_text('@SECRET')",
        "another view sites than broodyear makes",
    ),
    "a ledger that is a view": (
        "ALTER TABLE meta RENAME TO meta_rows; CREATE VIEW meta AS SELECT 'store_version' AS key, "
        "(SELECT size FROM read_text('@SECRET')) AS value",
        "not a broodyear store",
    ),
    "a macro": ("CREATE MACRO year(a) AS (SELECT max(content) FROM read_text('@SECRET'))", "the macro year"),
    "a default": ("ALTER TABLE uploads ALTER path SET DEFAULT 'x'", "the default uploads.path"),
    "an index": ("CREATE INDEX mine ON received_sites (site_id)", "the index mine"),
    "another table": ("CREATE TABLE notes (a INTEGER)", "the column notes.a"),
    "another column": ("ALTER TABLE uploads ADD COLUMN mood VARCHAR", "the column uploads.mood"),
    "a schema": ("CREATE SCHEMA other", "the schema other"),
    "a sequence": ("CREATE SEQUENCE counter", "the sequence counter"),
}


@pytest.mark.parametrize("name", FOREIGN)
def test_a_database_that_others_changed_is_not_opened(name: str, loaded: Path) -> None:
    secret = loaded.with_name("secret.txt")
    secret.write_text("hidden", encoding="utf-8")
    change, told = FOREIGN[name]
    with duckdb.connect(str(loaded)) as connection:
        connection.execute(change.replace("@SECRET", str(secret)))
    before = loaded.read_bytes()
    for for_loading in (False, True):
        with pytest.raises(StoreUnavailable) as caught:
            open_store(loaded, for_loading=for_loading)
        assert told in str(caught.value)
        assert loaded.read_bytes() == before


def test_a_store_that_is_read_or_changed_reaches_no_other_file(
    loaded: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "passing").mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "passing"))
    for opening in (open_store, open_existing_for_change):
        with opening(loaded) as store:
            for statement in (
                f"SELECT * FROM read_csv('{tmp_path / 'tanks.csv'}')",
                f"COPY tanks TO '{tmp_path / 'out.csv'}'",
                f"ATTACH '{tmp_path / 'other.duckdb'}'",
                "SET enable_external_access = true",
                "INSTALL httpfs",
            ):
                with pytest.raises((duckdb.PermissionException, duckdb.InvalidInputException)):
                    store.connection.execute(statement)


def test_a_store_in_use_still_checks_loads_and_exports(
    loaded: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "passing").mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "passing"))
    more = tmp_path / "tanks_more.csv"
    more.write_text("tank_id\nT-4\n", encoding="utf-8")
    with open_store(loaded) as store:
        assert len(store.table("tanks")) == 2
        assert check_paths([more], store=store).exit_code == 0
        assert tmp_path / "out" / "tanks.csv" in export_store(store, tmp_path / "out")
    with open_existing_for_change(loaded) as store:
        assert len(store.table("tanks")) == 2
        assert load_paths(store, [more]).files[0].rows_accepted == 1


def as_first_version(place: Path) -> None:
    """The store as the first version made it: without what came later."""
    with duckdb.connect(str(place)) as connection:
        connection.execute("DROP TABLE upload_parts")
        for column in ("told_at", "layout"):
            connection.execute(f"ALTER TABLE uploads DROP COLUMN {column}")
        connection.execute("ALTER TABLE findings DROP COLUMN source_column")
        connection.execute("ALTER TABLE rejected_rows DROP COLUMN mendable")
        connection.execute("DROP VIEW trials")
        connection.execute("DROP TABLE received_trials")
        connection.execute("UPDATE meta SET value = '1' WHERE key = 'store_version'")


@pytest.mark.parametrize("for_loading", [False, True])
def test_a_store_of_an_earlier_version_is_brought_up_to_date(for_loading: bool, loaded: Path) -> None:
    with open_store(loaded) as store:
        before = [store.table(name) for name in TABLE_NAMES]
    as_first_version(loaded)
    with open_store(loaded, for_loading=for_loading) as store:
        assert all(store.table(name).equals(frame) for name, frame in zip(TABLE_NAMES, before, strict=True))
        version = store.connection.execute("SELECT value FROM meta WHERE key = 'store_version'").fetchall()
        assert version == [(str(STORE_VERSION),)]
        assert store.untold() is None


def test_words_that_were_declared_since_are_learned(loaded: Path) -> None:
    """A table whose words changed is made anew, and keeps its rows."""
    (loaded.parent / "setups.csv").write_text(
        "season,tank_id,site_id,room_type,gravel_practice\n2024,T-1,S-1,classroom,gravel\n", encoding="utf-8"
    )
    (loaded.parent / "sites.csv").write_text("site_id,region\nS-1,R1\n", encoding="utf-8")
    with open_store(loaded, for_loading=True) as store:
        load_paths(store, [loaded.parent / "sites.csv", loaded.parent / "setups.csv"])
        before = store.table("setups")
        assert len(before) == 1
    words = next(iter(name for table in all_tables() if table.name == "setups" for name in words_of(table)))
    column = words.removeprefix("words_setups_")
    with duckdb.connect(str(loaded)) as connection:
        connection.execute(
            "CREATE TABLE held AS SELECT * REPLACE (room_type::VARCHAR AS room_type) FROM received_setups"
        )
        connection.execute("DROP TABLE received_setups")
        connection.execute(f"DROP TYPE {words}")
        connection.execute(f"CREATE TYPE {words} AS ENUM ('classroom', 'other')")
        connection.execute(
            f"CREATE TABLE received_setups AS SELECT * REPLACE ({column}::{words} AS {column}) FROM held"
        )
        connection.execute("DROP TABLE held")
        connection.execute("UPDATE meta SET value = '1' WHERE key = 'store_version'")
    with open_store(loaded) as store:
        assert store.table("setups").equals(before)


def test_words_that_settings_may_add_to_become_text(loaded: Path) -> None:
    """Species were one of a few words once; rows stay, and others can come."""
    (loaded.parent / "batches.csv").write_text(
        "batch_id,donor_stock,species,brood_year\nB-1,A,chinook,2024\n", encoding="utf-8"
    )
    with open_store(loaded, for_loading=True) as store:
        load_paths(store, [loaded.parent / "batches.csv"])
        before = store.table("batches")
    with duckdb.connect(str(loaded)) as connection:
        connection.execute("DROP VIEW batches")
        connection.execute("CREATE TYPE words_batches_species AS ENUM ('coho', 'chinook')")
        connection.execute(
            "ALTER TABLE received_batches ALTER species TYPE words_batches_species USING "
            "species::words_batches_species"
        )
        connection.execute("UPDATE meta SET value = '4' WHERE key = 'store_version'")
    with open_store(loaded, for_loading=True) as store:
        assert store.table("batches").equals(before)
        kind = store.connection.execute("SELECT typeof(species) FROM received_batches").fetchall()
        assert kind == [("VARCHAR",)]


def words_of(table: object) -> list[str]:
    from broodyear.schemas import Table
    from broodyear.store.layout import words_types

    assert isinstance(table, Table)
    return [name for name in words_types(table) if name.endswith("room_type")]
