"""Rules that hold for every test."""

from __future__ import annotations

import datetime as dt
import gc
import os
import random
import shutil
from collections.abc import Generator, Iterator
from importlib.resources import files
from typing import TYPE_CHECKING

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("MPLBACKEND", "Agg")

import hypothesis
import numpy as np
import pytest

from broodyear import clock
from broodyear.__main__ import OBJECTS_BETWEEN_SEARCHES
from broodyear.reports.printing import BROWSERS
from broodyear.store import opening

if TYPE_CHECKING:
    from playwright.sync_api import Browser


# Objects in circles are looked for as seldom as in a command; with the usual number, a fifth of the time of
# collecting goes into it.
gc.set_threshold(OBJECTS_BETWEEN_SEARCHES)


def pytest_collection_finish() -> None:
    """What was collected stays to the end, so that nobody looks through it again."""
    gc.freeze()


# Stores are not waited for until they have reached the disk: tests kill programs, but do not cut the power.
opening.CONFIG["fsync_mode"] = "NONE"


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers(config: pytest.Config) -> int | None:
    """A whole run uses every processor; files named one by one run in this process, which starts at once."""
    whole = {config.rootpath, *(config.rootpath / name for name in config.getini("testpaths"))}
    named = {(config.invocation_params.dir / arg.partition("::")[0]).resolve() for arg in config.args}
    return None if named & whole else 0


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(
    collector: pytest.Collector,
) -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """Every other process collects from the end, so that in a fresh checkout each compiles half of the files."""
    report = yield
    if isinstance(collector, pytest.Dir) and os.environ.get("PYTEST_XDIST_WORKER", "")[-1:] in {*"13579"}:
        report.result.reverse()
    return report


#: Where files take longest; they are dealt out first, so that none is begun when all others are done.
LONGEST_FIRST = ("sweep", "desk", "reports", "commands", "store", "development")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Long files come first; what drives a browser can be left out: `-m "not browser"`."""
    places = {config.rootpath / "tests" / name: place for place, name in enumerate(LONGEST_FIRST)}
    items.sort(key=lambda item: (places.get(item.path.parent, len(places)), item.path))
    for item in items:
        if "browser" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.browser)


# A generated case that takes long on a busy machine is no failure; what must be quick is measured in benchmarks.
hypothesis.settings.register_profile("untimed", deadline=None)
hypothesis.settings.load_profile("untimed")


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


@pytest.fixture(autouse=True)
def files_are_loaded_long_after_their_dates(monkeypatch: pytest.MonkeyPatch) -> None:
    """No date in a fixture lies in the future, whenever the tests run."""
    monkeypatch.setattr(clock, "today", lambda: dt.date(2100, 1, 1))


#: Flags that keep the browser from talking to anyone.
QUIET = [
    "--disable-gpu", "--disable-quic", "--disable-background-networking", "--disable-component-update",
    "--disable-sync", "--no-first-run",
]  # fmt: skip


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """The system's own Chromium, driven by playwright; nothing is downloaded."""
    playwright = pytest.importorskip(
        "playwright.sync_api", reason="the test extra is not installed: no playwright"
    )
    found = next((path for name in BROWSERS if (path := shutil.which(name))), None)
    if found is None:
        pytest.skip(f"no browser is installed: none of {', '.join(BROWSERS)} is on PATH")
    # One browser is driven for the whole run: a process can drive only one at a time.
    # The system's superuser, as in a container, gets no sandbox; the pages are our own and fetch nothing.
    alone = ["--no-sandbox"] if os.geteuid() == 0 else []
    with playwright.sync_playwright() as driver:
        started = driver.chromium.launch(executable_path=found, args=[*QUIET, *alone])
        yield started
        started.close()


@pytest.fixture(scope="session")
def axe_source() -> str:
    """axe-core, from the package that carries it."""
    pytest.importorskip("axe_playwright_python", reason="the test extra is not installed: no axe-core")
    return (files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8")
