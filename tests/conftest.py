"""Rules that hold for every test."""

from __future__ import annotations

import os
import random
from collections.abc import Iterator

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("MPLBACKEND", "Agg")

import numpy as np
import pytest


@pytest.fixture(autouse=True)
def global_random_generators_stay_put() -> Iterator[None]:
    """Randomness comes from generators passed in: a test that moves a global one fails."""
    before = random.getstate(), np.random.get_state()  # noqa: NPY002 - it is the legacy one we guard
    yield
    after = random.getstate(), np.random.get_state()  # noqa: NPY002
    assert before[0] == after[0], "the global random generator of `random` was used"
    assert all(np.array_equal(a, b) for a, b in zip(before[1], after[1], strict=True)), (
        "numpy's global one was used"
    )
