"""How long a run of identical readings honest instruments give: a seeded simulation, its numbers kept in SQL."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

HONEST_SD_C = 0.35
"""Spread of honest readings of one tank within a season, °C (common practice; no source)."""
STEPS_C = (0.1, 0.2, 0.5, 0.556, 1.0)
"""Resolutions tabulated, °C; 0.556 is a whole °F."""
NUMBERS_OF_READINGS = (10, 20, 40, 80, 160, 320, 640, 1280)
TRIALS = 4000
SEED = 20240801
EXCEEDED_BY = 0.01
"""Share of honest series whose longest run is longer than the critical one, at most."""


def longest_runs(
    step_c: float, readings: int, *, trials: int, generator: np.random.Generator, sd_c: float = HONEST_SD_C
) -> NDArray[np.int64]:
    """Longest run of identical readings in each of ``trials`` honest series.

    A series is ``readings`` independent normal values (SD ``sd_c`` °C) about a level that sits on a mark of the
    scale, rounded to ``step_c`` °C. Returns an array of ``trials`` lengths. On a mark is where honest runs are
    longest, and tanks held near a whole or half degree are common, so this is the bound that accuses nobody.
    """
    marks = np.round(generator.normal(0.0, sd_c, size=(trials, readings)) / step_c)
    run = np.ones(trials, dtype=np.int64)
    longest = run.copy()
    for position in range(1, readings):
        run = np.where(marks[:, position] == marks[:, position - 1], run + 1, 1)
        longest = np.maximum(longest, run)
    return longest


def critical_run(
    step_c: float, readings: int, *, trials: int, generator: np.random.Generator, exceeded_by: float = EXCEEDED_BY
) -> int:
    """Smallest length that at most ``exceeded_by`` of honest series exceed."""
    lengths = longest_runs(step_c, readings, trials=trials, generator=generator)
    return int(np.quantile(lengths, 1.0 - exceeded_by, method="higher"))


def critical_runs(seed: int = SEED, trials: int = TRIALS) -> list[dict[str, Any]]:
    """The table kept in queries/critical_run_lengths.sql: resolution_c, readings, critical_run."""
    generator = np.random.default_rng(seed)
    return [
        {
            "resolution_c": step_c,
            "readings": readings,
            "critical_run": critical_run(step_c, readings, trials=trials, generator=generator),
        }
        for step_c in STEPS_C
        for readings in NUMBERS_OF_READINGS
    ]
