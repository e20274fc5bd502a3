"""The demonstration: an invented programme written, loaded and reviewed in one go."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from importlib import import_module
from multiprocessing import get_context
from pathlib import Path

from broodyear.outputs import begin_folder, end_folder

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

    Refuses (UsageError) a folder that holds something other than an earlier demonstration as it was written.
    """
    from broodyear.intake import load_paths
    from broodyear.store import open_store
    from broodyear.synthetic import simulate, write_truth, write_uploads

    step = progress or (lambda done, total, what: None)
    begin_folder(folder, "demo", _OWN)
    step(0, 5, "writing the invented programme")
    programme = simulate(seed, seasons=seasons, tanks=tanks)
    write_uploads(programme, folder / "uploads")
    write_truth(programme, folder / "truth.json")
    with open_store(folder / STORE_FILE, for_loading=True) as store:
        step(1, 5, "loading its uploads")
        loaded = load_paths(store, [str(folder / "uploads")], rejects=folder / "to_mend")
    season = programme.last_season
    _write_reports(folder, season, step)
    end_folder(folder, "demo")
    return Demo(folder, _summary(folder, season, loaded.files, loaded.findings))


def _write_reports(folder: Path, season: int, step: Callable[[int, int, str], None]) -> None:
    """Write the three reports, two at a time: each reads the store in a process of its own."""
    step(2, 5, f"reviewing season {season}, comparing regions, validating thermal-unit models")
    with ProcessPoolExecutor(max_workers=2, mp_context=get_context("spawn")) as workers:
        # The longest first.
        pages = [
            workers.submit(_write_report, folder, "season", season, sites=True),
            workers.submit(_write_report, folder, "development"),
            workers.submit(_write_report, folder, "regions"),
        ]
        for done, page in enumerate(pages, start=3):
            page.result()
            step(done, 5, "writing reports")


def _write_report(folder: Path, kind: str, *which: int, **options: bool) -> None:
    from broodyear.store import open_store

    write = getattr(import_module(f"broodyear.reports.{kind}"), f"report_{kind}")
    with open_store(folder / STORE_FILE) as store:
        write(store, *which, folder / "reports" / kind, **options)


def _summary(folder: Path, season: int, files: tuple[object, ...], findings: tuple[object, ...]) -> str:
    accepted = sum(getattr(report, "rows_accepted", 0) for report in files)
    rejected = sum(getattr(report, "rows_rejected", 0) for report in files)
    reports = folder / "reports"
    return "\n".join(
        [
            "An invented programme; no real tank, place or fish is in it.",
            f"  {len(files)} files read: {accepted:,} rows loaded, {rejected:,} sent back to mend "
            f"({folder / 'to_mend'}), {len(findings):,} findings",
            f"Open first:  {reports / 'season' / 'season.html'}   the annual review of season {season}",
            f"       then  {reports / 'regions' / 'regions.html'}   regions compared fairly",
            f"             {reports / 'development' / 'development.html'}   thermal-unit models validated",
            f"What was planted in the invented records: {folder / 'truth.json'}",
        ]
    )
