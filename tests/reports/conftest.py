"""A folder of every kind of page."""

from __future__ import annotations

import datetime as dt
import json
import shutil
from pathlib import Path

import pytest
from tests.built_once import built_once, sample_store
from tests.reports import invented, invented_development, invented_regions

from broodyear.reports.development import write_development
from broodyear.reports.parts import Drawing, FigureView
from broodyear.reports.regions import write_regions
from broodyear.reports.season.page import write_season
from broodyear.reports.week import report_week
from broodyear.store import open_store


@pytest.fixture
def without_drawings(monkeypatch: pytest.MonkeyPatch) -> None:
    """For tests of words: drawing takes four fifths of the time of a page, whose figures are blank here."""

    def blank(drawing: Drawing) -> FigureView:
        return FigureView(drawing.name, "<svg></svg>", drawing.caption, drawing.alt, drawing.table)

    monkeypatch.setattr(Drawing, "drawn", blank)


@pytest.fixture(scope="session")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """One page of every kind, by name."""

    def build(folder: Path) -> None:
        season = write_season(invented.season_results(14), folder / "season", invented.uploads(), sites=True)
        made = {
            "development": write_development(
                invented_development.results(), folder / "development", invented.uploads()
            ).page,
            "season": season.page,
            "site": season.sheets[1],
            "index": season.sheets[1].parent / "index.html",
            "refused": write_season(invented.refused_results(), folder / "refused", invented.uploads()).page,
            "regions": write_regions(invented_regions.results(), folder / "regions", invented.uploads()).page,
        }
        place = Path(shutil.copy(sample_store(tmp_path_factory), folder / "week.duckdb"))
        with open_store(place) as store:
            made["week"] = report_week(store, folder / "week", as_of=dt.date(2024, 12, 16)).page
        (folder / "pages.json").write_text(json.dumps({name: str(page) for name, page in made.items()}))

    listed = (built_once(tmp_path_factory, "pages", build) / "pages.json").read_text()
    return {name: Path(page) for name, page in json.loads(listed).items()}
