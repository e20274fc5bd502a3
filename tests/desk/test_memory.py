"""A large file passes through little memory of the server; the whole way of 1 GB is in the benchmarks."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from tests.desk.conftest import RunningDesk, Visitor
from tests.desk.large_files import Watch, send, write_logger_file

from broodyear.intake.sources import ENDINGS

FILE_BYTES = 40_000_000
#: The server takes 25 MB by itself, and only passes the file on.
MOST_SERVER_MB = 40


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="memory is read from /proc")
def test_a_logger_file_passes_through_little_memory(
    run_desk: Callable[[Path], RunningDesk], tmp_path: Path
) -> None:
    place = tmp_path / "temperatures.csv"
    write_logger_file(place, FILE_BYTES)
    visitor = Visitor(run_desk(tmp_path / "store.duckdb"))
    watch = Watch(visitor.desk)
    send(visitor, place)
    watch.end()
    assert 0 < watch.server < MOST_SERVER_MB, vars(watch)
    kept = next((tmp_path / "store.duckdb.desk" / "files").glob("*/temperatures.csv"))
    assert kept.read_bytes() == place.read_bytes()


def test_the_server_is_light_and_leaves_the_store_to_the_worker() -> None:
    code = (
        "import sys; from broodyear.desk import server, files_pages; "
        "from broodyear.desk.app import create_app; "
        "from broodyear.desk import reports_pages, store_pages, words_pages; "
        "print(sorted({'duckdb', 'pandas', 'numpy'} & set(sys.modules)), *files_pages.ENDINGS)"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert said == ["[]", *ENDINGS]
