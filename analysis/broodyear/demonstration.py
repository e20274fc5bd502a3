"""The demonstration: an invented programme written, loaded and reviewed in one go."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

from broodyear.errors import NothingToAnalyse, Refused
from broodyear.findings import CheckResult
from broodyear.outputs import begin_folder, end_folder
from broodyear.reports import writer

STORE_FILE = "broodyear.duckdb"
_OWN = ("uploads", "to_mend", "reports", "truth.json", STORE_FILE, f"{STORE_FILE}.wal", f"{STORE_FILE}.tmp")


@dataclass(frozen=True)
class Demo:
    """What the demonstration wrote: its folder, and a few lines that say what to open first."""

    folder: Path
    summary: str


def make_demo(
    folder: Path, *, seed: int, seasons: int, tanks: int, progress: Callable[[int, int, str], None] | None = None
) -> Demo:
    """Write uploads, store and every report of an invented programme under ``folder``.

    Raises UsageError for a size that cannot be simulated, and for a folder that holds something other than an
    earlier demonstration as it was written.
    """
    from broodyear.intake import load_paths
    from broodyear.store import open_store
    from broodyear.synthetic import Shape, refuse_odd_sizes, simulate, write_truth, write_uploads

    step = progress or (lambda done, total, what: None)
    refuse_odd_sizes(Shape(seasons, tanks))
    begin_folder(folder, "demo", _OWN)
    step(0, 5, "writing the invented programme")
    programme = simulate(seed, seasons=seasons, tanks=tanks)
    write_uploads(programme, folder / "uploads")
    write_truth(programme, folder / "truth.json")
    with open_store(folder / STORE_FILE, for_loading=True) as store:
        step(1, 5, "loading its uploads")
        loaded = load_paths(store, [str(folder / "uploads")], rejects=folder / "to_mend")
        store.keep_derived()
    season = programme.last_season
    refused = _write_reports(folder, season, step)
    end_folder(folder, "demo")
    return Demo(folder, _summary(folder, season, loaded, refused))


def _write_reports(folder: Path, season: int, step: Callable[[int, int, str], None]) -> dict[str, str]:
    """Write the three reports, two at a time: each reads the store in a process of its own.

    Returns why, for each report that so small a programme cannot carry.
    """
    step(2, 5, f"reviewing season {season}, comparing regions, validating thermal-unit models")
    refused = {}
    with ProcessPoolExecutor(max_workers=2, mp_context=get_context("spawn")) as workers:
        # The longest first.
        pages = {
            "season": workers.submit(_write_report, folder, "season", season, sites=True),
            "development": workers.submit(_write_report, folder, "development"),
            "regions": workers.submit(_write_report, folder, "regions"),
        }
        for done, (kind, page) in enumerate(pages.items(), start=3):
            try:
                page.result()
            except (Refused, NothingToAnalyse) as error:
                refused[kind] = str(error)
            step(done, 5, "writing reports")
    return refused


def _write_report(folder: Path, kind: str, *which: int, **options: bool) -> None:
    from broodyear.store import open_store

    with open_store(folder / STORE_FILE) as store:
        writer(kind)(store, *which, folder / "reports" / kind, **options)


#: The reports in the order in which to read them, each with what it is; {season} is the last one.
_REPORTS = {
    "season": "the annual review of season {season}",
    "regions": "regions compared fairly",
    "development": "thermal-unit models validated",
}


def _summary(folder: Path, season: int, loaded: CheckResult, refused: Mapping[str, str]) -> str:
    accepted = sum(report.rows_accepted for report in loaded.files)
    rejected = sum(report.rows_to_mend for report in loaded.files)
    written = [kind for kind in _REPORTS if kind not in refused]
    return "\n".join(
        [
            "An invented programme; no real tank, place or fish is in it.",
            f"  {len(loaded.files)} files read: {accepted:,} rows loaded, {rejected:,} sent back to mend "
            f"({folder / 'to_mend'}), {len(loaded.findings):,} findings",
            *(
                f"{'Open first:' if number == 0 else 'then' if number == 1 else '':>11}  "
                f"{folder / 'reports' / kind / kind}.html   {_REPORTS[kind].format(season=season)}"
                for number, kind in enumerate(written)
            ),
            *(f"Not written, of so small a programme: {kind} ({why})" for kind, why in refused.items()),
            f"What was planted in the invented records: {folder / 'truth.json'}",
        ]
    )
