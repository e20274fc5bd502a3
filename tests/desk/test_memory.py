"""A large logger file passes through little memory; the full size is in the benchmarks."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from tests.desk.conftest import RunningDesk
from tests.desk.large_files import hand_over_and_load, write_logger_file

from broodyear.intake.sources import ENDINGS
from broodyear.store import open_store

FILE_BYTES = 20_000_000
#: The server only passes bytes on; what it takes does not depend on the file.
MOST_SERVER_MB = 60
MOST_TOGETHER_MB = 500


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="memory is read from /proc")
def test_a_logger_file_passes_through_little_memory(
    run_desk: Callable[[Path], RunningDesk], tmp_path: Path
) -> None:
    rows = write_logger_file(tmp_path / "temperatures.csv", FILE_BYTES)
    desk = run_desk(tmp_path / "store.duckdb")
    watch, _ = hand_over_and_load(desk, tmp_path / "temperatures.csv", 120)
    assert watch.server < MOST_SERVER_MB and watch.together < MOST_TOGETHER_MB, vars(watch)
    with open_store(tmp_path / "store.duckdb") as store:
        uploads = store.uploads()
    assert int(uploads["rows_accepted"].max()) == rows


def test_the_server_is_light_and_leaves_the_store_to_the_worker() -> None:
    code = (
        "import sys; from broodyear.desk import server, files_pages; "
        "from broodyear.desk.app import create_app; "
        "from broodyear.desk import reports_pages, store_pages, words_pages, work_pages; "
        "print(sorted({'duckdb', 'pandas', 'numpy'} & set(sys.modules)), *files_pages.ENDINGS)"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert said == ["[]", *ENDINGS]
