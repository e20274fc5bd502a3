"""Programmes shared by the tests of the simulator: simulated once."""

from __future__ import annotations

import pickle
import time
from pathlib import Path

import pytest
from tests.built_once import built_once

from broodyear.synthetic import Programme, simulate

SEED = 7


@pytest.fixture(scope="session")
def timed_programme(tmp_path_factory: pytest.TempPathFactory) -> tuple[Programme, float]:
    """The default programme, five seasons of ninety tanks in four regions, and the processor seconds it took."""

    def build(folder: Path) -> None:
        start = time.process_time()
        made = simulate(SEED), time.process_time() - start
        (folder / "programme.pickle").write_bytes(pickle.dumps(made))

    place = built_once(tmp_path_factory, "programme", build) / "programme.pickle"
    programme, seconds = pickle.loads(place.read_bytes())
    return programme, seconds


@pytest.fixture(scope="session")
def programme(timed_programme: tuple[Programme, float]) -> Programme:
    """The default programme."""
    return timed_programme[0]
