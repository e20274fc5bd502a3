"""A store that cannot be used is left as it is, and the reason is said in one sentence."""

from __future__ import annotations

import hashlib
import os
import stat
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import duckdb
import pytest
from tests.full_disk import no_room_beyond

from broodyear.errors import NothingToAnalyse, Refused, StoreUnavailable, UsageError
from broodyear.intake import load_paths
from broodyear.store import Store, open_existing_for_change, open_store, opening


def refusal(place: Path, *, for_loading: bool) -> str:
    before = place.read_bytes() if place.is_file() else None
    with pytest.raises(StoreUnavailable) as caught:
        open_store(place, for_loading=for_loading)
    assert caught.value.exit_code == 13
    assert before is None or place.read_bytes() == before
    return str(caught.value)


def test_a_new_store_is_for_its_owner_alone(tmp_path: Path) -> None:
    open_store(tmp_path / "store.duckdb", for_loading=True).close()
    assert stat.S_IMODE((tmp_path / "store.duckdb").stat().st_mode) == 0o600


def test_a_missing_store_is_only_created_for_loading(tmp_path: Path) -> None:
    place = tmp_path / "new.duckdb"
    with pytest.raises(NothingToAnalyse, match="does not exist; load records first"):
        open_store(place)
    with pytest.raises(NothingToAnalyse):
        open_existing_for_change(place)
    assert not place.exists()
    with open_store(place, for_loading=True) as store:
        assert store.uploads().empty
    assert [path.name for path in tmp_path.iterdir()] == ["new.duckdb"]


@pytest.mark.parametrize("for_loading", [False, True])
@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"tank_id\nT-1\n" * 1000, "is not a store"),
        (b"", "is empty, not a store"),
        (b"\0" * 100_000, "is not a store"),
    ],
)
def test_another_file_is_no_store(content: bytes, message: str, for_loading: bool, tmp_path: Path) -> None:
    place = tmp_path / "records.csv"
    place.write_bytes(content)
    assert message in refusal(place, for_loading=for_loading)


@pytest.mark.parametrize("for_loading", [False, True])
def test_another_database_is_no_store(for_loading: bool, tmp_path: Path) -> None:
    place = tmp_path / "other.duckdb"
    with duckdb.connect(str(place)) as connection:
        connection.execute("CREATE TABLE mine (a INTEGER)")
    assert "not a broodyear store" in refusal(place, for_loading=for_loading)


def test_a_store_that_another_run_made_meanwhile_is_not_replaced(tmp_path: Path) -> None:
    place = tmp_path / "s.duckdb"
    with open_store(place, for_loading=True) as first:
        before = place.stat().st_ino
        # As a second run does that found no store a moment ago; what it then opens is not its own, so it looks.
        assert not opening._create(place)
        assert place.stat().st_ino == before
        assert len(first.uploads()) == 0
    assert [path.name for path in tmp_path.iterdir()] == ["s.duckdb"]


@pytest.mark.parametrize("for_loading", [False, True])
def test_a_link_that_leads_nowhere_is_not_replaced_by_a_new_store(for_loading: bool, tmp_path: Path) -> None:
    place = tmp_path / "s.duckdb"
    place.symlink_to(tmp_path / "drive" / "s.duckdb")
    with pytest.raises(
        StoreUnavailable, match="is a link to .*drive/s.duckdb, which is not there; bring that back"
    ):
        open_store(place, for_loading=for_loading)
    assert place.is_symlink()


def test_a_folder_is_no_store(tmp_path: Path) -> None:
    assert "is not a file" in refusal(tmp_path, for_loading=False)


@pytest.mark.parametrize("for_loading", [False, True])
def test_a_newer_store_is_left_alone(for_loading: bool, loaded: Path) -> None:
    with duckdb.connect(str(loaded)) as connection:
        connection.execute("UPDATE meta SET value = '99' WHERE key = 'store_version'")
    assert "was written by a newer broodyear (store version 99" in refusal(loaded, for_loading=for_loading)


@pytest.mark.parametrize("for_loading", [False, True])
def test_a_damaged_head(for_loading: bool, loaded: Path) -> None:
    content = bytearray(loaded.read_bytes())
    content[4096 + 20 : 3 * 4096] = b"\xa5" * (2 * 4096 - 20)
    loaded.write_bytes(content)
    assert refusal(loaded, for_loading=for_loading)


def test_damage_further_in_shows_when_it_is_read(tmp_path: Path) -> None:
    rows = "".join(f"T-{number},{number % 400}.5\n" for number in range(60_000))
    (tmp_path / "tanks.csv").write_text("tank_id,volume_l\n" + rows, encoding="utf-8")
    place = tmp_path / "store.duckdb"
    with open_store(place, for_loading=True) as store:
        load_paths(store, [tmp_path / "tanks.csv"])
    content = bytearray(place.read_bytes())
    for start in range(4096 * 4, len(content) - 4096, 4096):
        content[start + 100 : start + 200] = b"\xa5" * 100
    place.write_bytes(content)
    with pytest.raises(StoreUnavailable, match="damaged"), open_store(place) as store:
        store.table("tanks")


@contextmanager
def held_by_another_process(place: Path) -> Iterator[None]:
    code = f"import duckdb, sys; c = duckdb.connect({str(place)!r}); print('open', flush=True); sys.stdin.read()"
    other = subprocess.Popen([sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    assert other.stdin and other.stdout
    try:
        assert other.stdout.readline() == b"open\n"
        yield
    finally:
        other.stdin.close()
        other.wait(timeout=30)
        other.stdout.close()


@pytest.mark.parametrize("for_loading", [False, True])
def test_a_store_open_elsewhere(for_loading: bool, loaded: Path) -> None:
    with held_by_another_process(loaded):
        assert "is open in another program (process " in refusal(loaded, for_loading=for_loading)
    with open_store(loaded) as store:
        assert len(store.table("tanks")) == 2


def test_a_store_open_here_for_reading_cannot_be_opened_for_loading(loaded: Path) -> None:
    with open_store(loaded):
        assert "is open" in refusal(loaded, for_loading=True)


def test_reading_never_writes(loaded: Path) -> None:
    before = loaded.read_bytes()
    with open_store(loaded) as store:
        store.table("tanks")
        with pytest.raises(StoreUnavailable):
            store.withdraw(1)
    assert loaded.read_bytes() == before


def test_unknown_tables_are_named(loaded: Path) -> None:
    with open_store(loaded) as store, pytest.raises(UsageError, match="there is no table 'fish'"):
        store.table("fish")


def test_extensions_are_never_fetched(loaded: Path) -> None:
    with open_store(loaded) as store:
        wanted = "SELECT value FROM duckdb_settings() WHERE name IN (?, ?) ORDER BY name"
        names = ["autoinstall_known_extensions", "autoload_known_extensions"]
        assert store.connection.execute(wanted, names).fetchall() == [("false",), ("false",)]


def try_to_load(store: Store, upload: Path) -> str:
    with pytest.raises(StoreUnavailable) as caught:
        load_paths(store, [upload])
    return str(caught.value)


@contextmanager
def mounted(place: Path, *options: str) -> Iterator[None]:
    """A small file system of its own at ``place``; skips where that is not allowed."""
    place.mkdir(exist_ok=True)
    done = subprocess.run(
        ["mount", "-t", "tmpfs", *options, "tmpfs", str(place)], capture_output=True, check=False
    )
    if done.returncode:
        pytest.skip("mounting a small file system needs rights this machine does not give")
    try:
        yield
    finally:
        subprocess.run(["umount", str(place)], check=True)


def test_a_full_disk_leaves_what_was_there(loaded: Path, tmp_path: Path) -> None:
    rows = "".join(hashlib.sha256(b"%d" % number).hexdigest()[:50] + "\n" for number in range(120_000))
    upload = tmp_path / "many_tanks.csv"
    upload.write_text("tank_id\n" + rows, encoding="utf-8")
    disk = tmp_path / "disk"
    with mounted(disk, "-o", "size=3m"):
        place = disk / "store.duckdb"
        place.write_bytes(loaded.read_bytes())
        store = open_store(place, for_loading=True)
        try:
            assert "ran out of space" in try_to_load(store, upload)
        finally:
            store.close()
        with open_store(place) as store:
            assert store.table("tanks")["tank_id"].tolist() == ["T-1", "T-2"]
            assert len(store.uploads()) == 1


def test_without_room_for_temporary_files_no_store_is_begun(tmp_path: Path) -> None:
    opening.empty_store.cache_clear()
    with no_room_beyond(10_000), pytest.raises(Refused, match="the folder for temporary files, .*, is full"):
        open_store(tmp_path / "s.duckdb", for_loading=True)
    assert list(tmp_path.iterdir()) == []


def test_a_read_only_folder(loaded: Path, tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    with mounted(disk, "-o", "size=20m"):
        place = disk / "store.duckdb"
        place.write_bytes(loaded.read_bytes())
        subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
        assert "cannot be opened for writing here" in refusal(place, for_loading=True)
        assert "cannot be opened for writing here" in refusal(disk / "new.duckdb", for_loading=True)
        with open_store(place) as store:
            assert len(store.table("tanks")) == 2


def test_a_folder_without_permission(loaded: Path, tmp_path: Path) -> None:
    if os.geteuid() == 0:
        pytest.skip("root may write anywhere; the read-only folder stands in for this")
    folder = tmp_path / "closed"
    folder.mkdir(mode=0o500)
    assert "cannot be opened for writing here" in refusal(folder / "new.duckdb", for_loading=True)
