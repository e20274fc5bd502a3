"""20 000 damaged files (seeded): no traceback, no lost row, no hang. Run: pytest tests/benchmarks -k fuzz -s"""

from __future__ import annotations

import time

from tests.intake.mutated import run

FILES = 20_000
SEED = 20_241_108


def test_fuzz() -> None:
    began = time.monotonic()
    seen = run(FILES, SEED)
    print(f"\n{FILES:,} mutated files in {time.monotonic() - began:.0f} s: {dict(sorted(seen.items()))}")
    assert seen.total() == FILES
