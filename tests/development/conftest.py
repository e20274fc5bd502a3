"""Invented programmes for the tests of development."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from .programmes import Programme, simulate_programme


@pytest.fixture(scope="session")
def simulate() -> Callable[..., Programme]:
    """The simulator: ``simulate(seed, tanks=…, batches=…, …)``."""
    return simulate_programme


@pytest.fixture(scope="session")
def programme() -> Programme:
    """One programme for tests that only need an ordinary one."""
    return simulate_programme(20240801, tanks=200, batches=15)
