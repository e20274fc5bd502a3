"""What is slow to make and only read afterwards is made once a run, however many processes share the run."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Callable
from contextlib import redirect_stdout
from io import StringIO
from pathlib import Path

import pytest

from broodyear.cli import main
from broodyear.derived import running
from broodyear.intake import load_paths
from broodyear.store import open_store

ROOT = Path(__file__).resolve().parents[1]
#: The committed uploads of the invented programme.
SAMPLE = ROOT / "synthetic_data" / "sample"


def built_once(factory: pytest.TempPathFactory, name: str, build: Callable[[Path], None]) -> Path:
    """The folder that ``build`` filled for this run; copy from it what you change.

    The first process that asks builds while the others wait at a lock beside the folder. A build that raised
    leaves no mark of completion, so the next process tries again and says the same.
    """
    own = factory.getbasetemp()
    shared = own.parent if "PYTEST_XDIST_WORKER" in os.environ else own
    folder, done = shared / f"once-{name}", shared / f"once-{name}.done"
    with (shared / f"once-{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not done.exists():
            folder.mkdir(exist_ok=True)
            build(folder)
            done.touch()
    return folder


def sample_store(factory: pytest.TempPathFactory) -> Path:
    """A store with the committed sample in it; it keeps its derived tables, so that commands start at once."""

    def build(folder: Path) -> None:
        with (
            open_store(folder / "store.duckdb", for_loading=True) as store,
            pytest.MonkeyPatch.context() as patched,
        ):
            load_paths(store, [SAMPLE])
            patched.setattr(running, "KEEP_FROM_ROWS", 1)
            store.keep_derived()

    return built_once(factory, "sample", build) / "store.duckdb"


def season_report(factory: pytest.TempPathFactory) -> Path:
    """The review of the sample's last season, as its command writes it."""

    def build(folder: Path) -> None:
        words = ["report", "season", "--season", "2024", "--out", str(folder / "report")]
        with redirect_stdout(StringIO()) as said:
            assert main([*words, "--store", str(sample_store(factory))]) == 0
        assert said.getvalue() == f"Open {folder / 'report' / 'season.html'}\n"

    return built_once(factory, "season_report", build) / "report"
