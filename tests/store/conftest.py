"""What every test of the store leaves out, and a small store to open."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from tests.built_once import built_once

from broodyear.intake import load_paths, suspicions
from broodyear.store import open_store


@pytest.fixture(autouse=True)
def without_suspicions(monkeypatch: pytest.MonkeyPatch) -> None:
    """Looking across rows takes half of each small load, and the store only keeps what is found."""
    monkeypatch.setattr(suspicions, "find_suspicions", lambda *given: [])


@pytest.fixture
def loaded(tmp_path: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with two tanks, and the file they came from with a third, rejected row."""

    def build(folder: Path) -> None:
        (folder / "tanks.csv").write_text("tank_id,volume_l\nT-1,190\nT-2,\nT-3,many\n", encoding="utf-8")
        with open_store(folder / "store.duckdb", for_loading=True) as store:
            load_paths(store, [folder / "tanks.csv"])

    shutil.copytree(built_once(tmp_path_factory, "two_tanks", build), tmp_path, dirs_exist_ok=True)
    return tmp_path / "store.duckdb"
