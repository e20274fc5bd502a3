"""Programmes shared by the tests of the simulator: simulated once."""

from __future__ import annotations

import time

import pytest

from broodyear.synthetic import Programme, simulate

SEED = 7


@pytest.fixture(scope="session")
def timed_programme() -> tuple[Programme, float]:
    """The default programme, five seasons of ninety tanks in four regions, and the processor seconds it took."""
    start = time.process_time()
    return simulate(SEED), time.process_time() - start


@pytest.fixture(scope="session")
def programme(timed_programme: tuple[Programme, float]) -> Programme:
    """The default programme."""
    return timed_programme[0]
