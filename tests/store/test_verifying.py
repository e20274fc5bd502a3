"""Damaged stores: said in a sentence with exit 13, and what is whole of them can be saved."""

from __future__ import annotations

import shutil
from pathlib import Path

import duckdb
import pytest
from tests.built_once import built_once, sample_store
from tests.store.damage import BLOCK, HEAD, QUICK, Source, damaged_runs, make_source

from broodyear.cli import main
from broodyear.errors import StoreUnavailable
from broodyear.intake import load_paths
from broodyear.layouts import read_layouts
from broodyear.places import data_folder
from broodyear.store import open_store, verify_store

#: Damaged copies of the default run; tests/benchmarks has 300.
COPIES = 15
SEED = 1512


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Source:
    return make_source(sample_store(tmp_path_factory), tmp_path_factory.mktemp("source"))


def test_damaged_copies_never_end_with_a_mistake_of_the_program(
    source: Source, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def run(words: list[str]) -> tuple[int, str]:
        return main(words), capsys.readouterr().err

    codes, wrong = damaged_runs(source, COPIES, SEED, tmp_path, QUICK, run)
    assert not wrong
    assert codes[13] >= COPIES // 3


def test_a_whole_store_is_said_to_be_whole(source: Source) -> None:
    found = verify_store(source.plain)
    assert not found.problems
    assert found.text.endswith("All of it can be read, and it agrees with the ledger.")


@pytest.fixture
def many(tmp_path: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of one's own of two uploads, the second large enough for many blocks."""

    def build(folder: Path) -> None:
        (folder / "sites.csv").write_text("site_id,region\nS-1,R1\nS-2,R1\n", encoding="utf-8")
        rows = "".join(f"T-{number * 7919 % 1_000_003},{number % 400}.5\n" for number in range(200_000))
        (folder / "tanks.csv").write_text("tank_id,volume_l\nT-x,many\n" + rows, encoding="utf-8")
        with open_store(folder / "s.duckdb", for_loading=True) as store:
            load_paths(store, [folder / "sites.csv", folder / "tanks.csv"])

    return Path(shutil.copy(built_once(tmp_path_factory, "many_tanks", build) / "s.duckdb", tmp_path))


def test_what_is_whole_of_a_damaged_store_is_saved_and_loads_again(many: Path, tmp_path: Path) -> None:
    content = bytearray(many.read_bytes())
    with duckdb.connect(str(many), read_only=True) as connection:
        [(sent,)] = connection.execute("SELECT path FROM uploads WHERE upload = 2").fetchall()
        # Blocks that hold rows of the first row group and of no other.
        blocks = connection.execute(
            "SELECT block_id FROM pragma_storage_info('received_tanks') WHERE block_id >= 0 GROUP BY block_id "
            "HAVING max(row_group_id) = 0 AND count(*) = 1"
        ).fetchall()
    for (block,) in blocks[:1]:
        content[HEAD + block * BLOCK + 5000] ^= 1
    many.write_bytes(content)
    found = verify_store(many, tmp_path / "rescued")
    assert "received_tanks" in found.problems[0] and "rows cannot be read" in found.problems[0]
    assert found.send_again == (f"{sent} (upload 2)",)
    assert "Send again: " in found.text
    (tanks,) = (part for part in found.parts if part.name == "received_tanks")
    assert 0 < tanks.readable < 200_000
    with open_store(tmp_path / "new.duckdb", for_loading=True) as store:
        result = load_paths(store, [tmp_path / "rescued"])
        assert result.exit_code == 0
        assert len(store.table("tanks")) == tanks.readable
        assert len(store.table("sites")) == 2


def test_a_ledger_that_does_not_add_up_is_told(many: Path) -> None:
    with duckdb.connect(str(many)) as connection:
        connection.execute("DELETE FROM received_tanks WHERE tank_id = 'T-0'")
        connection.execute("DELETE FROM rejected_rows")
    found = verify_store(many)
    assert "has 199,999 rows where its ledger says 200,000" in found.problems[0]


def test_files_that_feed_several_tables_are_counted_by_table(tmp_path: Path) -> None:
    kept = data_folder("synthetic_data") / "sample_as_kept"
    place, layouts = tmp_path / "s.duckdb", read_layouts(kept / "layouts.toml")
    with open_store(place, for_loading=True) as store:
        load_paths(store, [kept], layouts=layouts)
    assert verify_store(place).problems == ()
    with duckdb.connect(str(place)) as connection:
        # As many rows of the upload as before, and one of them in the wrong table.
        connection.execute("DELETE FROM received_losses WHERE upload = 4 AND line = 5")
        connection.execute(
            "INSERT INTO received_temperatures SELECT * FROM received_temperatures WHERE upload = 4 AND line = 5"
        )
    (problem,) = verify_store(place).problems
    assert problem.endswith("diaries 2025.xlsx#GUL-01) has 9 rows where its ledger says 10")


def test_a_wal_that_cannot_be_read_is_left_out_and_told(source: Source, tmp_path: Path) -> None:
    place = tmp_path / "s.duckdb"
    place.write_bytes(source.broken_off.read_bytes())
    wal = tmp_path / "s.duckdb.wal"
    content = bytearray(source.broken_off.with_name("s.duckdb.wal").read_bytes())
    content[len(content) // 2] ^= 0xFF
    wal.write_bytes(content)
    try:
        open_store(place).close()
    except StoreUnavailable:
        assert f"{wal} cannot be read" in verify_store(place).problems[0]
    else:
        assert verify_store(place).problems
