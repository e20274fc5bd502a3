"""Checking and loading a set of paths: every file on its own, codes resolved over all of them and the store."""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import BinaryIO

import duckdb

from broodyear.errors import UnreadableFile
from broodyear.findings import CheckResult, FileReport, Finding
from broodyear.intake.filing import Filed, Opened, file_upload, keep_findings, open_upload
from broodyear.intake.rejects import write_rejects
from broodyear.intake.sources import Missing, Source, find_sources
from broodyear.schemas import TABLE_NAMES
from broodyear.settings import Settings
from broodyear.store import Store, ledger
from broodyear.store.opening import unavailable
from broodyear.store.scratch import scratch_store

#: Called with the number of steps done, how many there are, and what is being done.
Progress = Callable[[int, int, str], None]


@dataclass
class _Run:
    """One run over a set of files. loads: it is to change the store; whole: all files in one transaction;
    order: place of each path among those given; seen: hash of the bytes -> path."""

    connection: duckdb.DuckDBPyConnection
    settings: Settings
    folder: Path
    progress: Progress | None
    loads: bool
    whole: bool = False
    filed: list[Filed] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    order: dict[str, int] = field(default_factory=dict)
    seen: dict[str, str] = field(default_factory=dict)

    def say(self, done: int, total: int, what: str) -> None:
        """Tell how far the run is."""
        if self.progress:
            self.progress(done, total, what)

    def result(self, rejects: str | Path | None) -> CheckResult:
        """Reports and findings in the order in which the files were given."""
        self.filed.sort(key=lambda filed: self.order.get(filed.report.path, -1))
        if rejects is not None:
            write_rejects(Path(rejects), self.filed)
        findings = tuple(finding for filed in self.filed for finding in filed.findings)
        return CheckResult(tuple(filed.report for filed in self.filed), findings, tuple(self.refused))


def check_paths(
    paths: Iterable[str | Path],
    *,
    store: str | Path | Store | None = None,
    settings: Settings | None = None,
    stdin: BinaryIO | None = None,
    progress: Progress | None = None,
    rejects: str | Path | None = None,
) -> CheckResult:
    """Read and check every file that ``paths`` mean, and load nothing.

    store: a store whose codes count as known and whose rows the files are compared with (it is only read).
    stdin: what the path - reads (default: standard input). progress: told what is being done.
    rejects: a folder for a copy of the rejected rows of each file, with what is wrong with them.
    Returns a report per file and every finding. Raises StoreUnavailable when the store cannot be read.
    """
    settings = settings or (store.settings if isinstance(store, Store) else Settings())
    sources, missing = find_sources(paths, stdin or sys.stdin.buffer)
    with _working_folder() as folder, scratch_store(folder, store, settings) as connection:
        run = _Run(connection, settings, folder, progress, loads=False)
        _take_all(run, sources, missing)
        _suspect(run)
    return run.result(rejects)


def load_paths(
    store: Store,
    paths: Iterable[str | Path],
    *,
    strict: bool = False,
    settings: Settings | None = None,
    stdin: BinaryIO | None = None,
    progress: Progress | None = None,
    rejects: str | Path | None = None,
) -> CheckResult:
    """Check every file that ``paths`` mean and load the good rows into ``store`` (opened for loading).

    Each file is one upload and one transaction. strict: nothing at all is loaded when any row has an error or any
    file is refused. The other parameters, and what is returned, are as in ``check_paths``.
    Raises StoreUnavailable when the store cannot be written; uploads finished before that stay.
    """
    settings = settings or store.settings
    sources, missing = find_sources(paths, stdin or sys.stdin.buffer)
    with _working_folder() as folder:
        run = _Run(store.connection, settings, folder, progress, loads=True, whole=strict)
        try:
            if strict:
                _load_all_or_nothing(run, sources, missing)
            else:
                _take_all(run, sources, missing)
                _suspect(run)
        except duckdb.Error as error:
            raise unavailable(store.path, error) from None
    return run.result(rejects)


def _load_all_or_nothing(run: _Run, sources: list[Source], missing: list[Missing]) -> None:
    run.connection.execute("BEGIN")
    try:
        _take_all(run, sources, missing)
        failed = bool(run.result(None).exit_code)
        run.connection.execute("ROLLBACK" if failed else "COMMIT")
    except BaseException:
        _roll_back(run.connection)
        raise
    if failed:
        run.filed = [_not_loaded(filed) for filed in run.filed]
    else:
        _suspect(run)


def _not_loaded(filed: Filed) -> Filed:
    notes = (*filed.report.notes, "nothing was loaded, because not all rows of this load are good")
    return replace(filed, report=replace(filed.report, notes=notes))


@contextmanager
def _working_folder() -> Iterator[Path]:
    folder = Path(tempfile.mkdtemp(prefix="broodyear-"))
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _take_all(run: _Run, sources: list[Source], missing: list[Missing]) -> None:
    """Read all files first, then check them in the order in which tables refer to each other."""
    run.order = {source.shown: number for number, source in enumerate(sources)}
    for absent in missing:
        _refuse(run, absent.shown, absent.message, absent.advice)
    tried = [_opened(run, source, number, len(sources)) for number, source in enumerate(sources)]
    opened = [file for file in tried if file is not None]
    opened.sort(key=lambda file: TABLE_NAMES.index(file.found.table.name))
    for number, file in enumerate(opened):
        run.say(len(opened) + number, 2 * len(opened), f"checking {file.source.shown}")
        if not _known_already(run, file):
            _take(run, file)


def _opened(run: _Run, source: Source, number: int, count: int) -> Opened | None:
    run.say(number, 2 * count, f"reading {source.shown}")
    try:
        return open_upload(source, run.folder, number)
    except UnreadableFile as error:
        _refuse(run, source.shown, *error.args)
        return None


def _refuse(run: _Run, path: str, message: str, advice: str) -> None:
    run.refused.append(path)
    finding = Finding(path, None, None, None, None, "error", "file_refused", message, advice)
    run.filed.append(Filed(FileReport(path, None, 0, 0, 0, 0), [finding]))


def _known_already(run: _Run, file: Opened) -> bool:
    """Whether there is nothing to do, because the same bytes came before: earlier in this run, or in a load that
    stands. A check looks at them again all the same, and says so."""
    path, sha256 = file.source.shown, file.text.sha256
    if sha256 in run.seen:
        return _leave_out(run, file, f"the same bytes as {run.seen[sha256]}; nothing was added")
    run.seen[sha256] = path
    before = ledger.standing(run.connection, sha256)
    if not before:
        return False
    same = f"the same bytes as upload {before[-1].upload} of {before[-1].loaded_at:%Y-%m-%d %H:%M}"
    if not run.loads:
        file.text.notes.append(f"{same}; loading it again would change nothing")
        return False
    numbers = tuple(earlier.upload for earlier in before)
    if ledger.lacks_codes(run.connection, numbers) and _take(run, file, earlier=numbers):
        return True
    return _leave_out(run, file, f"{same}; nothing was changed")


def _leave_out(run: _Run, file: Opened, note: str) -> bool:
    run.filed.append(Filed(FileReport(file.source.shown, file.found.table.name, 0, 0, 0, 0, (note,))))
    return True


def _take(run: _Run, file: Opened, earlier: tuple[int, ...] = ()) -> bool:
    """File one upload, wholly or not at all. With uploads ``earlier`` (see ``file_upload``): False when nothing is
    added to them."""
    begin, commit, back = ("", "", "") if run.whole else ("BEGIN", "COMMIT", "ROLLBACK")
    _execute(run, begin)
    try:
        filed = file_upload(run.connection, file, run.settings, earlier)
        added = filed.report.rows_accepted > 0 or not earlier
        _execute(run, commit if added else back)
    except UnreadableFile as error:
        # Nothing is written before the last row is read, so in a whole run there is nothing to take back.
        _execute(run, back)
        _refuse(run, file.source.shown, *error.args)
        return True
    except BaseException:
        _roll_back(run.connection)
        raise
    if added:
        run.filed.append(filed)
    return added


def _execute(run: _Run, statement: str) -> None:
    if statement:
        run.connection.execute(statement)


def _roll_back(connection: duckdb.DuckDBPyConnection) -> None:
    try:
        connection.execute("ROLLBACK")
    except duckdb.Error:
        # The database has ended the transaction itself; what went wrong is being raised already.
        return


def _suspect(run: _Run) -> None:
    """Look across rows and files for what may be wrong although every row by itself is possible."""
    from broodyear.intake.suspicions import find_suspicions

    uploads = {filed.upload: filed for filed in run.filed if filed.upload is not None}
    if not uploads:
        return
    found = find_suspicions(run.connection, tuple(uploads), run.settings)
    run.connection.execute("BEGIN")
    for upload, filed in uploads.items():
        mine = [replace(finding, path=filed.report.path) for number, finding in found if number == upload]
        keep_findings(run.connection, upload, mine)
        filed.findings += mine
    run.connection.execute("COMMIT")
