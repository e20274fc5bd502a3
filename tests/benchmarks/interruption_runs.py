"""Commands stopped at random moments by a signal: nothing is lost or mixed, and the next run tells all.

Each kind of run has a way to begin anew, a command that is stopped, and what must hold afterwards.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.desk.conftest import Visitor
from tests.desk.large_files import at_rest
from tests.desk.test_server import hand_over, load
from tests.store.interruption import NAMES, summary, write_uploads

from broodyear.cli import main
from broodyear.desk import findings_book
from broodyear.desk.workplace import Workplace
from broodyear.outputs import RECORD
from broodyear.store import open_store, verify_store

KINDS = ("load", "withdraw", "report", "desk")
#: A command that was not stopped ends within this on a machine that does other things as well.
AT_MOST_S = 180.0
#: From when to when a command is stopped, as shares of the time it takes: before that it only starts.
MOMENTS = (0.2, 1.0)
#: How many times as many commands as are to be stopped are begun: on a busy machine many end before their moment.
MOST_BEGUN = 4
REPORT_SEASON = 2024


@dataclass(frozen=True)
class Ended:
    """How a command ended, with what it said."""

    code: int
    out: str
    err: str


@dataclass(frozen=True)
class Prepared:
    """What every trial begins from. uploads: files of which some rows are bad; loaded, withdrawn: stores with all
    of them, and with the last withdrawn; reports: a report's folder before and after more was loaded; whole_s: how
    long each kind of command takes, from its start."""

    uploads: Path
    loaded: Path
    withdrawn: Path
    reports: tuple[Path, Path]
    whole_s: dict[str, float]


def run(words: list[str]) -> Ended:
    """A command in this process."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main(words)
    return Ended(code, out.getvalue(), err.getvalue())


def stopped(words: list[str], after_s: float, number: signal.Signals, folder: Path) -> Ended:
    """A command in a process of its own, sent a signal after so many seconds."""
    (folder / "tmp").mkdir(exist_ok=True)
    child = subprocess.Popen(
        [sys.executable, "-m", "broodyear", *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env={**os.environ, "TMPDIR": str(folder / "tmp")}, start_new_session=True,
    )  # fmt: skip
    try:
        out, err = child.communicate(timeout=after_s)
    except subprocess.TimeoutExpired:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(child.pid, number)
        out, err = child.communicate(timeout=AT_MOST_S)
    return Ended(child.returncode, out, err)


def prepare(folder: Path, small_programme: Path) -> Prepared:
    """Stores and reports to begin from. small_programme: uploads of a programme to report on."""
    uploads, loaded, withdrawn = folder / "uploads", folder / "loaded.duckdb", folder / "withdrawn.duckdb"
    write_uploads(uploads)
    whole_s = {
        "load": _timed(
            ["load", str(uploads), "--store", str(loaded), "--rejects", str(folder / "to_mend")], folder
        )
    }
    shutil.copyfile(loaded, withdrawn)
    whole_s["withdraw"] = _timed(["withdraw", "3", "--store", str(withdrawn)], folder)
    programme = folder / "programme.duckdb"
    reports = []
    for name in ("before", "after"):
        files = sorted(small_programme.glob("*.csv"))
        chosen = [str(file) for file in files if name == "after" or file.stem != "losses"]
        assert run(["load", *chosen, "--store", str(programme)]).code in {0, 10}
        reports.append(folder / name)
        whole_s["report"] = _timed(_report(programme, reports[-1]), folder)
    assert run(_report(programme, folder / "again")).code == 0
    assert contents(folder / "again") == contents(reports[1]) != contents(reports[0])
    return Prepared(uploads, loaded, withdrawn, (reports[0], reports[1]), whole_s)


def _report(store: Path, out: Path) -> list[str]:
    return ["report", "season", "--season", str(REPORT_SEASON), "--store", str(store), "--out", str(out)]


def _timed(words: list[str], folder: Path) -> float:
    began = time.monotonic()
    ended = stopped(words, AT_MOST_S, signal.SIGKILL, folder)
    assert ended.code in {0, 10}, ended
    return time.monotonic() - began


def contents(folder: Path) -> dict[str, str]:
    """Every file below a folder with the hash of its bytes; hidden ones left out, but for those left half-done."""
    return {
        str(place.relative_to(folder)): hashlib.sha256(place.read_bytes()).hexdigest()
        for place in sorted(folder.rglob("*"))
        if place.is_file() and place.name != RECORD
    }


def trials(
    kind: str, count: int, number: signal.Signals, seed: int, begun: Prepared, folder: Path
) -> Counter[str]:
    """Stop ``count`` commands of a kind at random moments; what was seen. Fails on any harm.

    A command that ended before its moment is seen as such and another is begun, at most so many times.
    """
    rng = random.Random(f"{kind} {number} {seed}")
    seen: Counter[str] = Counter()
    for trial in range(MOST_BEGUN * count):
        if seen["stopped"] == count:
            break
        place = folder / f"{kind}_{number}_{trial}"
        place.mkdir()
        after_s = rng.uniform(*MOMENTS) * begun.whole_s.get(kind, 0.0)
        seen.update(TRIALS[kind](begun, place, after_s, number, rng))
        left = list((place / "tmp").glob("broodyear-work-*"))
        assert not left, left
        shutil.rmtree(place)
    return seen


def _ends_in_words(ended: Ended, number: signal.Signals) -> str:
    assert "mistake of the program" not in ended.err and "Traceback" not in ended.err, ended
    if ended.code in {0, 10}:
        return "ended before"
    assert ended.code == (130 if number == signal.SIGINT else -number), ended
    assert number != signal.SIGINT or "stopped" in ended.err, ended
    return "stopped"


@contextlib.contextmanager
def _same_temporary_folder(place: Path) -> Iterator[None]:
    """The next run has the same folder for temporary files, and clears it."""
    import tempfile

    before = tempfile.tempdir
    tempfile.tempdir = str(place / "tmp")
    try:
        yield
    finally:
        tempfile.tempdir = before


def _load(begun: Prepared, place: Path, after_s: float, number: signal.Signals, _rng: random.Random) -> list[str]:
    store, to_mend = place / "s.duckdb", place / "to_mend"
    words = ["load", str(begun.uploads), "--store", str(store), "--rejects", str(to_mend), "--format", "json"]
    ended = stopped(words, after_s, number, place)
    seen = [_ends_in_words(ended, number)]
    for copy in to_mend.glob("*.csv"):
        assert copy.read_text(encoding="utf-8").endswith("\n")
    told = _errors(ended.out) if ended.out.endswith("}\n") else set()
    if store.exists():
        found = verify_store(store)
        assert not [problem for problem in found.problems if "broke off" not in problem], found.problems
        seen.append(f"{found.uploads} uploads there")
        assert number != signal.SIGINT or _says_what_is_kept(ended, found.uploads), (ended, found.uploads)
        listed = run(["uploads", "--store", str(store)])
        untold = bool(found.uploads) and not told
        assert listed.code == 0 and (not untold or "before it told" in listed.err), (listed, ended)
    else:
        seen.append("no store")
    with _same_temporary_folder(place):
        again = run(words)
    assert again.code in {0, 10} and not list(to_mend.glob("*broodyear-part*"))
    assert told | _errors(again.out) == _errors(run(_checked(begun)).out)
    _same_as(begun.loaded, store)
    return seen


def _says_what_is_kept(ended: Ended, uploads: int) -> bool:
    """Whether a stopped load said rightly what is in the store."""
    if ended.code != 130:
        return True
    if not uploads:
        return bool(re.search("[Tt]he store is as it was|before anything was begun", ended.err))
    return bool(re.search(rf"\b{uploads} (is|are) in the store|All of this load was done", ended.err))


def _checked(begun: Prepared) -> list[str]:
    return ["check", str(begun.uploads), "--format", "json", "--store", str(begun.uploads / "none.duckdb")]


def _errors(said: str) -> set[tuple[str, int]]:
    found = json.loads(said)["findings"]
    return {(Path(one["path"]).name, one["line"]) for one in found if one["level"] == "error"}


def _same_as(expected: Path, store: Path) -> None:
    with open_store(expected) as one, open_store(store) as other:
        assert summary(one) == summary(other)


def _withdraw(
    begun: Prepared, place: Path, after_s: float, number: signal.Signals, _r: random.Random
) -> list[str]:
    store = place / "s.duckdb"
    shutil.copyfile(begun.loaded, store)
    words = ["withdraw", "3", "--store", str(store)]
    ended = stopped(words, after_s, number, place)
    seen = [_ends_in_words(ended, number)]
    found = verify_store(store)
    assert not [problem for problem in found.problems if "broke off" not in problem], found.problems
    with open_store(store) as opened:
        is_withdrawn = bool(opened.uploads()["withdrawn"].iloc[2])
    _same_as(begun.withdrawn if is_withdrawn else begun.loaded, store)
    seen.append("withdrawn" if is_withdrawn else "stands")
    if ended.code == 130 and "anything was begun" not in ended.err:
        assert ("is withdrawn" in ended.err) == is_withdrawn, ended
    assert run(words).code == (2 if is_withdrawn else 0)
    _same_as(begun.withdrawn, store)
    return seen


def _report_trial(
    begun: Prepared, place: Path, after_s: float, number: signal.Signals, _rng: random.Random
) -> list[str]:
    out, store = place / "season", place / "s.duckdb"
    shutil.copytree(begun.reports[0], out)
    shutil.copyfile(begun.reports[0].parent / "programme.duckdb", store)
    ended = stopped(_report(store, out), after_s, number, place)
    seen = [_ends_in_words(ended, number)]
    old, new = (contents(folder) for folder in begun.reports)
    aside = place / ".season.broodyear-old"
    now = contents(out if out.exists() else aside)
    assert now in (old, new)
    seen.append("the old report there" if now == old else "the new report there")
    with _same_temporary_folder(place):
        assert run(_report(store, out)).code == 0
    assert contents(out) == new
    assert sorted(one.name for one in place.iterdir()) == ["s.duckdb", "season", "tmp"]
    return seen


class _Desk:
    """A desk in a group of processes of its own, as a terminal starts it."""

    def __init__(self, store: Path) -> None:
        words = [sys.executable, "-m", "broodyear", "desk", "--no-browser", "--store", str(store)]
        self.process = subprocess.Popen(
            words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
        )
        assert self.process.stdout is not None
        entry = re.search(r"http://\S+", self.process.stdout.readline())
        assert entry
        self.base, _, self.token = entry.group().partition("/enter?token=")
        self.port = int(self.base.rsplit(":", 1)[1])

    def end(self, number: signal.Signals) -> int:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self.process.pid, number)
        _out, err = self.process.communicate(timeout=AT_MOST_S)
        assert "Traceback" not in err, err
        return self.process.returncode


def _desk(begun: Prepared, place: Path, _s: float, number: signal.Signals, rng: random.Random) -> list[str]:
    store = place / "s.duckdb"
    desk = _Desk(store)
    visitor = Visitor(desk)
    for name in NAMES:
        hand_over(visitor, name, (begun.uploads / name).read_bytes())
    load(visitor)
    # A worker takes as long as a command, and is counted from here.
    time.sleep(rng.uniform(0.0, begun.whole_s["load"]))
    code = desk.end(number)
    assert code == (-number if number == signal.SIGKILL else 0)
    seen = ["stopped"]
    waiting_for_workers(store)
    if store.exists():
        found = verify_store(store)
        assert not [problem for problem in found.problems if "broke off" not in problem], found.problems
        seen.append(f"{found.uploads} uploads there")
    told = _told_by(store)
    desk = _Desk(store)
    try:
        visitor = Visitor(desk)
        at_rest(visitor, AT_MOST_S)
        page = visitor.ask("GET", "/")[1].decode()
        there = [name for name in NAMES if f"{name}" in page]
        assert there == list(NAMES) or told, "what was handed over waits, or was loaded and told"
        with contextlib.suppress(AssertionError):
            assert load(visitor) == 303
        at_rest(visitor, AT_MOST_S)
    finally:
        desk.end(signal.SIGTERM)
    assert told | _told_by(store) == _errors(run(_checked(begun)).out)
    with open_store(begun.loaded) as one, open_store(store) as other:
        expected, held = summary(one), summary(other)
        for ledger in (expected, held):
            ledger["uploads"] = [[Path(line[0]).name, *line[1:]] for line in ledger["uploads"]]  # type: ignore[attr-defined]
        assert expected == held
    assert not list(Workplace(store).files.glob("*"))
    return seen


def waiting_for_workers(store: Path) -> None:
    """Wait until no worker of a desk that is gone has the store any more."""
    until = time.monotonic() + AT_MOST_S
    while store.exists() and time.monotonic() < until:
        try:
            open_store(store).close()
            return
        except Exception:
            time.sleep(0.2)


def _told_by(store: Path) -> set[tuple[str, int]]:
    """File and line of the errors that the desk shows of its last load."""
    book = findings_book.read(Workplace(store).loaded)
    if book is None:
        return set()
    found = book.leaf(findings_book.Sieve(level="error"), 0)
    found += book.leaf(findings_book.Sieve(level="error"), 1)
    return {(Path(one["path"]).name, one["line"]) for one in found}


TRIALS = {"load": _load, "withdraw": _withdraw, "report": _report_trial, "desk": _desk}
