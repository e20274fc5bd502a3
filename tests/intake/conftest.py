"""A small programme to load records into."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path

import duckdb
import pytest

from broodyear.intake import suspicions
from broodyear.intake.shapes import make_readable

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
    folder = tmp_path / "uploads"
    folder.mkdir()
    (folder / "sites.csv").write_text("site_id,region\nS-01,R1\nS-02,R2\n", encoding="utf-8")
    (folder / "tanks.csv").write_text("tank_id,volume_l\nT-001,190\nT-002,190\nT-003,\n", encoding="utf-8")
    (folder / "batches.csv").write_text(
        "batch_id,donor_stock,species,brood_year\nB-1,STOCK-A,chinook,2024\nB-2,STOCK-B,coho,2024\n",
        encoding="utf-8",
    )
    return folder


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
