"""A load killed at random moments: what the store holds afterwards, and after loading the same files again."""

from __future__ import annotations

import multiprocessing
import os
import random
import signal
import time
from collections import Counter
from multiprocessing.connection import Connection
from multiprocessing.context import ForkServerContext
from multiprocessing.process import BaseProcess
from pathlib import Path

from broodyear.intake import load_paths
from broodyear.schemas import TABLE_NAMES
from broodyear.store import Store, open_store

READINGS_PER_TANK = 12_000
NAMES = ("tanks.csv", "temperatures_a.csv", "temperatures_b.csv")
_LOAD_TAKES_AT_MOST_S = 60.0


def write_uploads(folder: Path) -> None:
    """Tanks, two files of readings of which the second corrects a part of the first, with some bad rows."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / NAMES[0]).write_text("tank_id\nT-1\nT-2\nT-3\n", encoding="utf-8")
    for name, first in ((NAMES[1], 0), (NAMES[2], READINGS_PER_TANK // 2)):
        lines = ["tank_id,read_at,water_temp"]
        for tank in ("T-1", "T-2", "T-3"):
            for number in range(first, first + READINGS_PER_TANK):
                day, minute = divmod(number, 1440)
                written = "warm" if number % 997 == 5 else f"{7 + number % 40 / 20:.2f}"
                moment = f"2024-10-{1 + day:02d}T{minute // 60:02d}:{minute % 60:02d}"
                lines.append(f"{tank},{moment},{written}")
        (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")


def _load(place: str, paths: list[str], ready: Connection) -> None:
    """Load, and leave a file beside the store once the result was told."""
    ready.send(True)
    with open_store(place, for_loading=True) as store:
        load_paths(store, paths, tell=lambda result: _told(place).touch())
    ready.send(True)


def _told(place: str | Path) -> Path:
    return Path(f"{place}.told")


def summary(store: Store) -> dict[str, object]:
    """What a store holds: counts and sums of every table, and the ledger without its times."""
    held: dict[str, object] = {}
    for name in TABLE_NAMES:
        query = f"SELECT count(*), sum(hash(COLUMNS(* EXCLUDE (upload)))::HUGEINT) FROM {name}"
        held[name] = store.connection.execute(query).fetchall()
    ledger = store.uploads()
    held["uploads"] = ledger[["path", "table", "rows_read", "rows_accepted", "rows_rejected"]].to_numpy().tolist()
    held["rejected"] = store.connection.execute("SELECT count(*) FROM rejected_rows").fetchall()
    return held


def broken_promises(store: Store) -> list[str]:
    """Uploads that are only partly there: rows without a ledger entry, or fewer than it says."""
    query = (
        "SELECT coalesce(u.upload, r.upload), u.rows_accepted, r.n FROM uploads AS u FULL JOIN "
        "(SELECT upload, count(*) AS n FROM (SELECT upload FROM received_tanks UNION ALL "
        "SELECT upload FROM received_temperatures) GROUP BY upload) AS r USING (upload) "
        "WHERE u.rows_accepted IS DISTINCT FROM r.n"
    )
    return [
        f"upload {row[0]}: ledger {row[1]}, rows {row[2]}" for row in store.connection.execute(query).fetchall()
    ]


def run_trials(count: int, seed: int, folder: Path) -> Counter[str]:
    """Kill ``count`` loads at random moments; counts the uploads there at reopening. Fails on any harm."""
    write_uploads(folder / "uploads")
    paths = [str(folder / "uploads" / name) for name in NAMES]
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["tests.store.interruption", "pandas", "broodyear.derived"])
    whole_s, expected = _uninterrupted(context, folder / "whole.duckdb", paths)
    rng = random.Random(seed)
    seen: Counter[str] = Counter()
    for trial in range(count):
        place = folder / f"trial_{trial}.duckdb"
        ended = _killed(context, place, paths, rng.uniform(0, 1.1 * whole_s))
        seen["ended before the kill" if ended else "killed"] += 1
        seen[_after(place, paths, expected)] += 1
        for leftover in folder.glob(f"*trial_{trial}.duckdb*"):
            leftover.unlink()
    return seen


def _start(context: ForkServerContext, place: Path, paths: list[str]) -> tuple[BaseProcess, Connection]:
    here, there = context.Pipe(duplex=False)
    child = context.Process(target=_load, args=(str(place), paths, there))
    child.start()
    there.close()
    assert here.recv()
    return child, here


def _uninterrupted(context: ForkServerContext, place: Path, paths: list[str]) -> tuple[float, dict[str, object]]:
    child, here = _start(context, place, paths)
    began = time.monotonic()
    assert here.recv()
    whole_s = time.monotonic() - began
    child.join(_LOAD_TAKES_AT_MOST_S)
    here.close()
    with open_store(place) as store:
        return whole_s, summary(store)


def _killed(context: ForkServerContext, place: Path, paths: list[str], after_s: float) -> bool:
    """Kill a load after so many seconds; True when it had ended by then."""
    child, here = _start(context, place, paths)
    child.join(after_s)
    ended = child.exitcode is not None
    if child.pid is not None and not ended:
        os.kill(child.pid, signal.SIGKILL)
    child.join(_LOAD_TAKES_AT_MOST_S)
    here.close()
    return ended


def _after(place: Path, paths: list[str], expected: dict[str, object]) -> str:
    there = 0
    if place.exists():
        with open_store(place) as store:
            assert not broken_promises(store)
            there = len(store.uploads())
    with open_store(place, for_loading=True) as store:
        result = load_paths(store, paths)
        assert not broken_promises(store)
        assert summary(store) == expected
        [(rejected,)] = store.connection.execute("SELECT count(*) FROM rejected_rows").fetchall()
        # Either the killed run told its result, or this one tells every row.
        told = sum(report.rows_rejected for report in result.files)
        assert told == rejected or _told(place).exists()
        assert len([finding for finding in result.findings if finding.level == "error"]) == told
    return f"{there} uploads there"
