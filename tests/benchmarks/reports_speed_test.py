"""Seconds of the demo's reports; seconds and memory of both large reports.

The large ones cover 20 seasons of 1 000 tanks.

Run: python -m pytest tests/benchmarks/reports_speed_test.py -s
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from broodyear.cli import main
from broodyear.store import open_store
from broodyear.synthetic import Programme, simulate, write_uploads

#: The size promised: the longest programme known of, at the size of the largest.
SEASONS, TANKS, REGIONS = 20, 1_000, 6
#: Both reports one after the other on two cores: as long as somebody waits without going away.
BOTH_SECONDS = 25.0
#: Each process of a report, so that a computer of 8 GB can do something else meanwhile.
MOST_MEMORY_MB = 4_000
#: A reading a day from delivery on: enough for every tank to have a temperature, which doubles the models to fit.
DAYS_READ = 110
#: Most rows have a mean temperature, so that the models with temperature are of full size.
LEAST_WITH_TEMPERATURE = 0.7
#: Memory is looked at this often.
BREATH_SECONDS = 0.05


@dataclass(frozen=True)
class Took:
    """Wall-clock seconds of a report's command, and the most memory its processes held together."""

    seconds: float
    memory_mb: float


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """The programme with a reading a day (4 million rows in all), loaded as the command loads."""
    folder = tmp_path_factory.mktemp("large")
    programme = simulate(1, seasons=SEASONS, tanks=TANKS, regions=REGIONS, with_readings=False)
    write_uploads(programme, folder / "uploads")
    daily_readings(programme).to_csv(folder / "uploads" / "temperatures.csv", index=False)
    main(["load", str(folder / "uploads"), "--store", str(folder / "large.duckdb"), "--format", "csv"])
    yield folder / "large.duckdb"


def daily_readings(programme: Programme) -> pd.DataFrame:
    """One reading a day for every tank-season: its own mean of 7.1–10.7 °C, and half a degree to and fro."""
    rng = np.random.default_rng(1)
    delivered = programme.clean.deliveries
    days = np.tile(np.arange(DAYS_READ), len(delivered))
    first = pd.to_datetime(delivered["delivered_on"]).dt.normalize().repeat(DAYS_READ).reset_index(drop=True)
    own_c = rng.uniform(7.6, 10.2, len(delivered)).repeat(DAYS_READ)
    readings = pd.DataFrame(
        {
            "tank_id": delivered["tank_id"].repeat(DAYS_READ).to_numpy(),
            "read_at": (first + pd.to_timedelta(days, unit="D")).dt.strftime("%Y-%m-%d"),
            "water_temp": (own_c + rng.uniform(-0.5, 0.5, len(own_c))).round(1),
            "unit": "C",
            "instrument": "thermometer",
        }
    )
    return readings.drop_duplicates(["tank_id", "read_at"])


def memory_mb(process: int) -> float:
    """Resident memory of a process and those it started."""
    total = 0.0
    for one in (process, *children(process)):
        try:
            status = Path(f"/proc/{one}/status").read_text(encoding="utf-8")
        except OSError:
            continue  # it has ended meanwhile
        total += sum(int(line.split()[1]) / 1024 for line in status.splitlines() if line.startswith("VmRSS"))
    return total


def children(process: int) -> list[int]:
    """Processes whose parent is this one."""
    found = []
    for status in Path("/proc").glob("[0-9]*/stat"):
        try:
            words = status.read_text(encoding="utf-8").rpartition(")")[2].split()
        except OSError:
            continue
        if int(words[1]) == process:
            found.append(int(status.parent.name))
    return found


def timed(*words: str) -> Took:
    """Run a command in a fresh process."""
    began, most = time.perf_counter(), 0.0
    process = subprocess.Popen([sys.executable, "-m", "broodyear", *words], stdout=subprocess.DEVNULL)
    while process.poll() is None:
        most = max(most, memory_mb(process.pid))
        time.sleep(BREATH_SECONDS)
    assert process.returncode == 0
    return Took(time.perf_counter() - began, most)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="memory is read from /proc")
def test_both_reports_together_keep_nobody_waiting(store: Path, tmp_path: Path) -> None:
    with open_store(store) as opened:
        outcomes = opened.result("tank_outcomes")
    assert outcomes["season"].nunique() == SEASONS
    assert (outcomes.groupby(["season", "outcome"]).size() == TANKS).all()
    assert outcomes["mean_water_temp_c"].notna().mean() > LEAST_WITH_TEMPERATURE
    last = str(outcomes["season"].max())
    common = ("--store", str(store), "--quiet")
    review = timed("report", "season", "--season", last, "--out", str(tmp_path / "season"), *common)
    regions = timed("report", "regions", "--out", str(tmp_path / "regions"), *common)
    for name, took in (("season", review), ("regions", regions)):
        print(f"\n{name}: {took.seconds:.1f} s, {took.memory_mb:.0f} MB at most", end="")
    print(f"\nboth: {review.seconds + regions.seconds:.1f} s; aim {BOTH_SECONDS:.0f} s")
    assert review.seconds + regions.seconds < BOTH_SECONDS
    assert max(review.memory_mb, regions.memory_mb) < MOST_MEMORY_MB


#: The review of the demo's store, on two processors that have nothing else to do, and the sheets of its 70 sites.
REVIEW_SECONDS, SHEETS_SECONDS = 5.0, 3.0
#: The least of so many runs: what else a computer does can only add.
TIMES = 5


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The store that `broodyear demo` makes."""
    folder = tmp_path_factory.mktemp("demo") / "demo"
    assert main(["demo", "--out", str(folder), "--quiet"]) == 0
    return folder / "broodyear.duckdb"


def least(store: Path, folder: Path, *more: str) -> float:
    """Seconds of the quickest of several reviews, each in a process of its own."""
    with open_store(store) as opened:
        last = str(opened.table("setups")["season"].max())
    words = ("report", "season", "--season", last, "--store", str(store), "--quiet", *more)
    return min(timed(*words, "--out", str(folder / str(number))).seconds for number in range(TIMES))


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="memory is read from /proc")
def test_the_review_of_the_demo_takes_less_than_five_seconds(demo: Path, tmp_path: Path) -> None:
    plain, with_sheets = least(demo, tmp_path / "plain"), least(demo, tmp_path / "sheets", "--sites")
    sheets = len(list((tmp_path / "sheets" / "0" / "sites").glob("*.eml")))
    print(f"\nreview of the demo: {plain:.1f} s; aim {REVIEW_SECONDS:.0f} s")
    print(f"its {sheets} sheets: {with_sheets - plain:.1f} s more; aim {SHEETS_SECONDS:.0f} s")
    assert sheets >= 70
    assert plain <= REVIEW_SECONDS
    assert with_sheets - plain <= SHEETS_SECONDS


#: Reports of the demo's store, as long as somebody looks at the screen.
REPORT_SECONDS = {"regions": 2.0, "development": 5.0}


@pytest.mark.parametrize("report", REPORT_SECONDS)
def test_a_report_of_the_demo_takes_no_longer_than_one_waits_for_it(
    demo: Path, tmp_path: Path, report: str
) -> None:
    words = ("report", report, "--store", str(demo), "--quiet", "--out")
    took = min(timed(*words, str(tmp_path / str(number))).seconds for number in range(TIMES))
    print(f"\n{report} report of the demo: {took:.1f} s; aim {REPORT_SECONDS[report]:.0f} s")
    assert took <= REPORT_SECONDS[report]
