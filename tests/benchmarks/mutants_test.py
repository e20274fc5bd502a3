"""Every mutant of a deciding line is caught by the default tests of its area; prints those that are not.

Run: python -m pytest tests/benchmarks/mutants_test.py -s (MUTANTS_OF=setups takes the modules whose path begins
so). Each mutant is one process, forked from one that has imported the libraries, with the changed module in a
copy of the package.
"""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

import pytest
from tests.benchmarks.mutants import MUTANTS, Mutant

ROOT = Path(__file__).resolve().parents[2]
CHOSEN = [one for one in MUTANTS if one.module.startswith(os.environ.get("MUTANTS_OF", ""))]
LEAST_CAUGHT = 0.95
FEWEST = 60
OPTIONS = [
    "--import-mode=importlib", "-p", "no:cacheprovider", "-p", "no:xdist", "-o", "addopts=", "-x", "-q",
    "--rootdir", str(ROOT),
]  # fmt: skip


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of what the package reads, to be changed."""
    folder = tmp_path_factory.mktemp("mutants")
    for name in ("analysis", "schemas", "queries"):
        shutil.copytree(ROOT / name, folder / name)
    return folder


def test_there_are_enough_and_each_stands_where_it_is_said_to() -> None:
    assert len(MUTANTS) >= FEWEST
    lost = [one for one in MUTANTS if _source(ROOT, one).read_text(encoding="utf-8").count(one.before) != 1]
    assert lost == []


def test_the_default_tests_catch_mutants_of_deciding_lines(package: Path) -> None:
    for tests in dict.fromkeys(one.tests for one in CHOSEN):
        assert _passes(package, tests), f"{tests} must pass on what is not changed"
    survived = []
    for one in CHOSEN:
        if _passes_changed(package, one):
            survived.append(one)
            print(f"\nsurvives: {one.module}: {one.before!r} -> {one.after!r}", flush=True)
    print(f"\n{len(CHOSEN) - len(survived)} of {len(CHOSEN)} caught")
    assert len(survived) <= (1.0 - LEAST_CAUGHT) * len(CHOSEN)


def _source(folder: Path, mutant: Mutant) -> Path:
    return folder / "analysis" / "broodyear" / mutant.module


def _passes_changed(package: Path, mutant: Mutant) -> bool:
    path = _source(package, mutant)
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace(mutant.before, mutant.after), encoding="utf-8")
    try:
        return _passes(package, mutant.tests)
    finally:
        path.write_text(text, encoding="utf-8")


def _passes(package: Path, tests: tuple[str, ...]) -> bool:
    """Whether the tests pass in a process of their own that imports the package from there."""
    child = os.fork()
    if child == 0:
        code = 2
        try:
            code = _run(package, tests)
        finally:
            os._exit(code)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0


def _run(package: Path, tests: tuple[str, ...]) -> int:
    silent = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silent, 1)
    os.dup2(silent, 2)
    for name in [name for name in sys.modules if name.partition(".")[0] in ("broodyear", "tests", "conftest")]:
        del sys.modules[name]
    sys.dont_write_bytecode = True
    sys.path.insert(0, str(package / "analysis"))
    os.environ["PYTHONPATH"] = str(package / "analysis")
    os.chdir(ROOT)
    return int(pytest.main([*OPTIONS, *(str(ROOT / "tests" / name) for name in tests)]))
