"""100 kills and 50 times Ctrl-C (seeded) over load, withdraw, report and the desk.

Run: python -m pytest tests/benchmarks/interruptions_test.py -s (BROODYEAR_STOPS=3 stops each three times)
"""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest
from tests.benchmarks.interruption_runs import KINDS, Prepared, prepare, trials
from tests.sweep.small_programmes import SMALL_PROGRAMMES, write_uploads

SEED = 20_241_120
#: How often each of the four kinds is stopped: 4 × 25 kills, 4 × 13 times Ctrl-C.
STOPS = {signal.SIGKILL: 25, signal.SIGINT: 13}


@pytest.fixture(scope="module")
def begun(tmp_path_factory: pytest.TempPathFactory) -> Prepared:
    folder = tmp_path_factory.mktemp("begun")
    small = next(programme for programme in SMALL_PROGRAMMES if programme.name == "2x4")
    return prepare(folder, write_uploads(small, folder / "programme"))


@pytest.mark.parametrize("number", STOPS, ids=lambda number: number.name)
@pytest.mark.parametrize("kind", KINDS)
def test_nothing_is_lost_and_all_is_told(
    kind: str, number: signal.Signals, begun: Prepared, tmp_path: Path
) -> None:
    count = int(os.environ.get("BROODYEAR_STOPS", STOPS[number]))
    seen = trials(kind, count, number, SEED, begun, tmp_path)
    print(f"\n{kind}, {count} times {number.name}: {dict(sorted(seen.items()))}")
    assert seen["stopped"] == count
