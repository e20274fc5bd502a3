"""A folder of every kind of page."""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.reports import invented, invented_development, invented_regions

from broodyear.reports.development import write_development
from broodyear.reports.regions import write_regions
from broodyear.reports.season.page import write_season


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
