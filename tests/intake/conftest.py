"""A small programme to load records into."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

import duckdb
import pytest
from tests.built_once import built_once

from broodyear.intake import load_paths, suspicions
from broodyear.intake.shapes import make_readable
from broodyear.store import Store, open_store

Write = Callable[[str, str | bytes], Path]


@cache
def readable() -> duckdb.DuckDBPyConnection:
    """A session with the macros by which cells are read, for whoever changes nothing that lasts in it."""
    connection = duckdb.connect()
    make_readable(connection)
    return connection


@pytest.fixture
def uploads(tmp_path: Path) -> Path:
    """A folder with two sites, three tanks and two batches."""
    return write_uploads(tmp_path / "uploads")


def write_uploads(folder: Path) -> Path:
    """Write the two sites, three tanks and two batches into a new folder."""
    folder.mkdir()
    (folder / "sites.csv").write_text("site_id,region\nS-01,R1\nS-02,R2\n", encoding="utf-8")
    (folder / "tanks.csv").write_text("tank_id,volume_l\nT-001,190\nT-002,190\nT-003,\n", encoding="utf-8")
    (folder / "batches.csv").write_text(
        "batch_id,donor_stock,species,brood_year\nB-1,STOCK-A,chinook,2024\nB-2,STOCK-B,coho,2024\n",
        encoding="utf-8",
    )
    return folder


@pytest.fixture
def store(tmp_path: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """A store of one's own that holds those uploads, 1 to 3, open for loading."""

    def build(folder: Path) -> None:
        with open_store(folder / "s.duckdb", for_loading=True) as new:
            load_paths(new, [write_uploads(folder / "uploads")])

    shutil.copy(built_once(tmp_path_factory, "small_programme", build) / "s.duckdb", tmp_path)
    with open_store(tmp_path / "s.duckdb", for_loading=True) as opened:
        yield opened


@pytest.fixture
def write(uploads: Path) -> Write:
    """A function that writes one more file, as text or bytes, into the folder of uploads."""

    def write_file(name: str, content: str | bytes) -> Path:
        place = uploads / name
        place.write_bytes(content if isinstance(content, bytes) else content.encode())
        return place

    return write_file


@pytest.fixture
def with_suspicions() -> None:
    """For tests of what is found across rows."""


@pytest.fixture(autouse=True)
def suspicions_only_where_asked_for(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Looking across rows takes half of each small load: left out where only what the reader finds is asked."""
    if "with_suspicions" not in request.fixturenames:
        monkeypatch.setattr(suspicions, "find_suspicions", lambda *given: [])
