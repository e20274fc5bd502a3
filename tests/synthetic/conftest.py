"""Programmes shared by the tests of the simulator: simulated once."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import pytest
from tests.simulated.traps import simulate_trap

from broodyear.synthetic import Programme, simulate

SEED = 7


@pytest.fixture(scope="session")
def programme() -> Programme:
    """The default programme: five seasons of ninety tanks in four regions."""
    return simulate(SEED)


@pytest.fixture(scope="session")
def trap() -> Callable[[str], Programme]:
    """A trap's programme by its name, simulated once."""

    @cache
    def of(name: str) -> Programme:
        return simulate_trap(name, SEED)

    return of
