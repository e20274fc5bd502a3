"""Examples in docstrings run and print what they say."""

from __future__ import annotations

import doctest
import importlib

import pytest

MODULES = [
    "broodyear.survival.fit",
    "broodyear.statistics.connectivity",
    "broodyear.statistics.multiplicity",
    "tests.simulated.tank_seasons",
]


@pytest.mark.parametrize("name", MODULES)
def test_examples(name):
    results = doctest.testmod(importlib.import_module(name))
    assert results.attempted > 0
    assert results.failed == 0
