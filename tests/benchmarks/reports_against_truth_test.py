"""The review of a full-size invented programme against what was planted in it; prints hits, misses, false flags.

Run: python -m pytest tests/benchmarks/reports_against_truth_test.py -s
"""

from __future__ import annotations

import json
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from tests.reports.pages import written_rows

from broodyear.intake import load_paths
from broodyear.reports.regions import report_regions
from broodyear.reports.season import report_season
from broodyear.store import open_store
from broodyear.synthetic import simulate, write_truth, write_uploads

SEED, SEASONS, TANKS = 20250101, 6, 84
FLAGS = ("below_expected", "watch")
#: Planted circumstances that cost fish: a tank flagged in one of them is no false flag.
POOR_ROOMS, POOR_GRAVEL, WARM_C = ("hallway",), ("layered_stones",), 11.0


@dataclass(frozen=True)
class Review:
    """Rows of the written tables, the planted truth, and how long both reports took."""

    setups: list[dict[str, str]]
    changes: list[dict[str, str]]
    regions: list[dict[str, str]]
    warm: set[str]
    truth: dict[str, Any]
    season: int
    seconds: float


@pytest.fixture(scope="module")
def review(tmp_path_factory: pytest.TempPathFactory) -> Review:
    """Simulated, loaded, reported."""
    folder: Path = tmp_path_factory.mktemp("programme")
    programme = simulate(SEED, seasons=SEASONS, tanks=TANKS)
    write_uploads(programme, folder / "uploads")
    write_truth(programme, folder / "truth.json")
    with open_store(folder / "programme.duckdb", for_loading=True) as store:
        load_paths(store, [str(folder / "uploads")])
    with open_store(folder / "programme.duckdb") as store:
        started = time.perf_counter()
        report_season(store, programme.last_season, folder / "season")
        report_regions(store, folder / "regions")
        seconds = time.perf_counter() - started
    exposure = written_rows(folder / "season", "exposure.csv")
    warm = {
        row["tank_id"]
        for row in exposure
        if row["mean_water_temp_c"] and float(row["mean_water_temp_c"]) >= WARM_C
    }
    return Review(
        setups=[
            row
            for row in written_rows(folder / "season", "setups.csv")
            if row["outcome"] == "delivered_to_release"
        ],
        changes=written_rows(folder / "season", "changes.csv"),
        regions=written_rows(folder / "regions", "regions.csv"),
        warm=warm,
        truth=json.loads((folder / "truth.json").read_text(encoding="utf-8")),
        season=programme.last_season,
        seconds=seconds,
    )


def planted(review: Review) -> tuple[set[str], set[str]]:
    """Tanks that collapsed this season, and tanks that were planted as poor by themselves or by their site."""
    truth, season = review.truth, review.season
    collapsed = {one["tank_id"] for one in truth["collapsed"] if one["season"] == season}
    poor = {
        name
        for one in (*truth["poor_tanks"], *truth["poor_sites"])
        if season in one["seasons"]
        for name in one["tanks"]
    }
    return collapsed, poor


def test_planted_tanks_are_flagged_and_ordinary_ones_are_not(review: Review) -> None:
    judged = {row["tank_id"]: row for row in review.setups if row["verdict"] != "too_few_records"}
    flagged = {name for name, row in judged.items() if row["verdict"] in FLAGS}
    collapsed, poor = planted(review)
    excused = {
        name
        for name, row in judged.items()
        if row["room_type"] in POOR_ROOMS or row["gravel_practice"] in POOR_GRAVEL or name in review.warm
    }
    false = flagged - collapsed - poor - excused
    missed = (collapsed | poor) & set(judged) - flagged
    print(
        f"\n{len(judged)} judged; collapsed and judged {len(collapsed & set(judged))}, of them flagged"
        f" {len(collapsed & flagged)}; planted poor {len(poor & set(judged))}, of them flagged"
        f" {len(poor & flagged)}; flagged in planted circumstances {len((flagged & excused) - collapsed - poor)};"
        f" false flags {sorted(false)}; missed {sorted(missed)}; both reports {review.seconds:.0f} s"
    )
    assert collapsed & set(judged) <= flagged
    assert len(poor & flagged) >= 0.5 * len(poor & set(judged))
    assert len(false) <= 0.02 * len(judged)


def test_practices_that_cost_fish_come_first_among_the_changes(review: Review) -> None:
    single = [row for row in review.changes if row["practice"] != "room_and_gravel"][:4]
    named = {(row["practice"], row["level"]) for row in single}
    print("\n" + "\n".join(f"{row['change']}: {row['difference_points']} points" for row in single))
    assert {("room_type", "hallway"), ("gravel_practice", "layered_stones")} <= named


def test_no_region_is_blamed_for_its_batches(review: Review) -> None:
    notes = [row["note"] for row in review.regions]
    assert not [note for note in notes if note.startswith(("lower than", "higher than"))]
    shared = review.truth["regions_truth"]["batches_shared"]
    separable = {row["region"]: row["separable"] == "true" for row in review.regions}
    assert separable == {region: number > 0 for region, number in shared.items()}
