"""300 damaged copies of a store (seeded). Run with: pytest tests/benchmarks -k damage -s"""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.built_once import sample_store
from tests.store.damage import COMMANDS, damaged_runs, in_its_own_process, make_source

COPIES = 300
SEED = 20_241_215


def test_damage(tmp_path: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    source = make_source(sample_store(tmp_path_factory), tmp_path / "source")
    codes, wrong = damaged_runs(source, COPIES, SEED, tmp_path, COMMANDS, in_its_own_process)
    print(f"\n{COPIES} damaged copies, exit codes {dict(sorted(codes.items()))}")
    assert not wrong, "\n".join(wrong)
