"""A folder of every kind of page."""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path

import pytest
from tests.built_once import sample_store
from tests.reports import invented, invented_development, invented_regions

from broodyear.reports.development import write_development
from broodyear.reports.regions import write_regions
from broodyear.reports.season.page import write_season
from broodyear.reports.week import report_week
from broodyear.store import open_store


@pytest.fixture(scope="session")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """One page of every kind, by name."""
    folder = tmp_path_factory.mktemp("pages")
    season = write_season(invented.season_results(40), folder / "season", invented.uploads(), sites=True)
    bare = write_season(invented.refused_results(), folder / "refused", invented.uploads())
    regions = write_regions(invented_regions.results(), folder / "regions", invented.uploads())
    development = write_development(invented_development.results(), folder / "development", invented.uploads())
    place = Path(shutil.copy(sample_store(tmp_path_factory), folder / "week.duckdb"))
    with open_store(place) as store:
        week = report_week(store, folder / "week", as_of=dt.date(2024, 12, 16))
    return {
        "development": development.page,
        "season": season.page,
        "site": season.sheets[1],
        "index": season.sheets[1].parent / "index.html",
        "week": week.page,
        "refused": bare.page,
        "regions": regions.page,
    }
