"""A real browser for the tests of pages, and a folder of every kind of page."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from tests.reports import invented, invented_development, invented_regions

from broodyear.reports.development import write_development
from broodyear.reports.printing import BROWSERS
from broodyear.reports.regions import write_regions
from broodyear.reports.season import write_season

if TYPE_CHECKING:
    from playwright.sync_api import Browser

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


@pytest.fixture(scope="session")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """One page of every kind, by name."""
    folder = tmp_path_factory.mktemp("pages")
    season = write_season(invented.season_results(40), folder / "season", invented.uploads(), sites=True)
    bare = write_season(invented.refused_results(), folder / "refused", invented.uploads())
    regions = write_regions(invented_regions.results(), folder / "regions", invented.uploads())
    development = write_development(invented_development.results(), folder / "development", invented.uploads())
    return {
        "development": development.page,
        "season": season.page,
        "site": season.sheets[1],
        "refused": bare.page,
        "regions": regions.page,
    }
