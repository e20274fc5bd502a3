"""The ledger: the same bytes again, corrections, and taking uploads back."""

from __future__ import annotations

import shutil
from pathlib import Path

import pandas as pd
import pytest
from tests.built_once import built_once

from broodyear.errors import UsageError
from broodyear.intake import load_paths
from broodyear.schemas import TABLE_NAMES
from broodyear.store import Store, open_store


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Uploads: tanks, a file of losses, and two corrections of it that came later."""
    return write_uploads(tmp_path)


def write_uploads(folder: Path) -> Path:
    files = {
        "tanks.csv": "tank_id\nT-1\nT-2\n",
        "losses_a.csv": "tank_id,checked_on,stage,dead\nT-1,2024-11-11,egg,2\nT-1,2024-11-12,egg,3\n",
        "losses_b.csv": "tank_id,checked_on,stage,dead\nT-1,2024-11-12,egg,5\nT-2,2024-11-12,egg,1\n",
        "losses_c.csv": "tank_id,checked_on,stage,dead\nT-1,2024-11-12,egg,7\n",
    }
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def load(store: Store, folder: Path, *names: str) -> None:
    for name in names:
        assert load_paths(store, [folder / name]).exit_code == 0


def contents(store: Store) -> dict[str, pd.DataFrame]:
    """Every table as it reads, whatever the numbers of the uploads."""
    return {name: store.table(name).drop(columns=["upload"]) for name in TABLE_NAMES}


def same(one: dict[str, pd.DataFrame], other: dict[str, pd.DataFrame]) -> bool:
    return all(one[name].equals(other[name]) for name in TABLE_NAMES)


def dead(store: Store) -> list[tuple[str, str, int]]:
    frame = store.table("losses").sort_values(["tank_id", "checked_on"])
    return [(row.tank_id, f"{row.checked_on:%d}", int(row.dead)) for row in frame.itertuples()]


def test_the_same_bytes_again_change_nothing(folder: Path) -> None:
    with open_store(folder / "s.duckdb", for_loading=True) as store:
        load(store, folder, "tanks.csv", "losses_a.csv")
        before, ledger = contents(store), store.uploads()
        again = load_paths(store, [folder / "losses_a.csv"])
        assert again.exit_code == 0
        assert again.files[0].notes[0].startswith("the same bytes as upload 2 of ")
        assert same(before, contents(store))
        assert store.uploads().equals(ledger)


def test_a_later_row_supersedes_and_the_earlier_one_stays_readable(folder: Path) -> None:
    with open_store(folder / "s.duckdb", for_loading=True) as store:
        load(store, folder, "tanks.csv", "losses_a.csv", "losses_b.csv")
        assert dead(store) == [("T-1", "11", 2), ("T-1", "12", 5), ("T-2", "12", 1)]
        query = "SELECT dead, upload, line, superseded_by FROM received_losses WHERE superseded_by IS NOT NULL"
        assert store.connection.execute(query).fetchall() == [(3, 2, 3, 3)]


def test_withdrawing_restores_exactly(folder: Path) -> None:
    with open_store(folder / "one.duckdb", for_loading=True) as store:
        load(store, folder, "tanks.csv", "losses_a.csv")
        expected = contents(store)
    with open_store(folder / "two.duckdb", for_loading=True) as store:
        load(store, folder, "tanks.csv", "losses_a.csv", "losses_b.csv")
        assert "losses_b.csv" in store.withdraw(3)
        assert same(contents(store), expected)
        assert store.uploads()["withdrawn"].tolist() == [False, False, True]


@pytest.mark.parametrize(
    ("withdrawn", "expected"), [((3,), 7), ((4,), 5), ((3, 4), 3), ((4, 3), 3), ((2,), 7), ((2, 3), 7)]
)
def test_withdrawing_from_a_chain_of_corrections(
    withdrawn: tuple[int, ...], expected: int, tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """2, 3 and 4 give 3, 5 and 7 dead for the same check; the latest that stands is what reads."""

    def build(folder: Path) -> None:
        with open_store(folder / "s.duckdb", for_loading=True) as store:
            load(store, write_uploads(folder), "tanks.csv", "losses_a.csv", "losses_b.csv", "losses_c.csv")

    place = shutil.copy(built_once(tmp_path_factory, "corrected_twice", build) / "s.duckdb", tmp_path)
    with open_store(place, for_loading=True) as store:
        for upload in withdrawn:
            store.withdraw(upload)
        assert [row for row in dead(store) if row[:2] == ("T-1", "12")] == [("T-1", "12", expected)]


def test_what_was_withdrawn_can_be_loaded_again(folder: Path) -> None:
    with open_store(folder / "s.duckdb", for_loading=True) as store:
        load(store, folder, "tanks.csv", "losses_a.csv", "losses_b.csv")
        before = contents(store)
        store.withdraw(3)
        load(store, folder, "losses_b.csv")
        assert same(before, contents(store))
        assert store.uploads()["withdrawn"].tolist() == [False, False, True, False]


def test_only_a_standing_upload_can_be_withdrawn(folder: Path) -> None:
    with open_store(folder / "s.duckdb", for_loading=True) as store:
        load(store, folder, "tanks.csv")
        with pytest.raises(UsageError, match="there is no upload 9"):
            store.withdraw(9)
        store.withdraw(1)
        with pytest.raises(UsageError, match="upload 1 is withdrawn already"):
            store.withdraw(1)


def test_rows_whose_tank_comes_later_can_be_loaded_then(folder: Path) -> None:
    (folder / "more.csv").write_text("tank_id\nT-2\n", encoding="utf-8")
    (folder / "few.csv").write_text("tank_id\nT-1\n", encoding="utf-8")
    with open_store(folder / "s.duckdb", for_loading=True) as store:
        load(store, folder, "few.csv")
        first = load_paths(store, [folder / "losses_b.csv"])
        assert (first.exit_code, first.files[0].rows_accepted) == (10, 1)
        same_again = load_paths(store, [folder / "losses_b.csv"])
        assert (same_again.exit_code, same_again.files[0].rows_read) == (0, 0)
        load(store, folder, "more.csv", "losses_b.csv")
        assert dead(store) == [("T-1", "12", 5), ("T-2", "12", 1)]
        assert store.uploads()["rows_accepted"].tolist() == [1, 1, 1, 1]


def test_a_strict_load_with_a_mistake_loads_nothing(folder: Path) -> None:
    (folder / "exits.csv").write_text("tank_id,exited_on,fate,count\nT-1,2025-05-16,gone,9\n", encoding="utf-8")
    with open_store(folder / "s.duckdb", for_loading=True) as store:
        result = load_paths(store, [folder], strict=True)
        assert result.exit_code == 10
        assert all("nothing was loaded" in report.notes[-1] for report in result.files)
        assert store.uploads().empty
        (folder / "exits.csv").unlink()
        assert load_paths(store, [folder], strict=True).exit_code == 0
        assert len(store.uploads()) == 4


def test_files_of_one_load_may_come_in_any_order(folder: Path) -> None:
    with open_store(folder / "s.duckdb", for_loading=True) as store:
        paths = [folder / "losses_a.csv", folder / "tanks.csv"]
        result = load_paths(store, paths)
        assert result.exit_code == 0
        assert [report.path for report in result.files] == [str(path) for path in paths]
