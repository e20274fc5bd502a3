"""Damaged files end in a finding, never in a traceback, a lost row or a hang; 20 000 in tests/benchmarks."""

from __future__ import annotations

from tests.intake.mutated import run

FILES = 48


def test_mutated_files() -> None:
    seen = run(FILES, seed=3)
    assert seen.total() == FILES
    assert set(seen) == {"all good", "some rows kept out", "refused"}
