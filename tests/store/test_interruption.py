"""A load killed at any moment leaves whole uploads, and loading again ends in the same store."""

from __future__ import annotations

from pathlib import Path

from tests.store.interruption import run_trials

#: Trials of the default run; tests/benchmarks has 200.
TRIALS = 5


def test_a_load_killed_at_random_moments(tmp_path: Path) -> None:
    seen = run_trials(TRIALS, 11, tmp_path)
    assert seen["killed"] >= TRIALS // 2
    assert len([kind for kind in seen if kind.endswith("uploads there")]) >= 2
