"""Every public function has an example, and it runs as it stands."""

from __future__ import annotations

import doctest
import inspect
from importlib import import_module

import pytest

import broodyear
import broodyear.development

PUBLIC = {
    **{name: getattr(broodyear.development, name) for name in broodyear.development.__all__ if name.islower()},
    **{name: getattr(broodyear, name) for name in broodyear.__all__ if not name.startswith("_")},
}
#: They take a store with seasons of records, as notebooks/validate_a_model.ipynb does, run among the tests.
FROM_A_STORE = {"assess_development", "forecast_stages", "forecast_table", "own_fits"}


@pytest.mark.parametrize("name", PUBLIC)
def test_examples_of_public_names_run(name: str) -> None:
    found = PUBLIC[name]
    examples = doctest.DocTestFinder(recurse=False).find(found, name, globs=vars(inspect.getmodule(found)).copy())
    assert examples and (examples[0].examples or name in FROM_A_STORE), f"{name} has no example"
    runner = doctest.DocTestRunner()
    for example in examples:
        assert runner.run(example).failed == 0


@pytest.mark.parametrize(
    "name",
    ["broodyear.schemas.frames", "broodyear.shown", "broodyear.development.models.sources",
     "broodyear.statistics.multiplicity", "broodyear.statistics.numbers", "tests.simulated.tank_seasons"],
)  # fmt: skip
def test_examples_of_modules_run(name: str) -> None:
    results = doctest.testmod(import_module(name))
    assert results.attempted > 0 and results.failed == 0
