"""A load killed with SIGKILL at 200 random moments (seeded). Run with: pytest tests/benchmarks -k kills -s"""

from __future__ import annotations

from pathlib import Path

from tests.store.interruption import run_trials

TRIALS = 200
SEED = 20_241_108


def test_kills(tmp_path: Path) -> None:
    seen = run_trials(TRIALS, SEED, tmp_path)
    print(f"\n{TRIALS} loads: {dict(sorted(seen.items()))}; every store whole, and the same after loading again")
    assert seen["killed"] >= TRIALS // 2
    assert len([kind for kind in seen if kind.endswith("uploads there")]) >= 2
