"""Checking and loading a set of paths: every file on its own, codes resolved over all of them and the store."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import BinaryIO

import duckdb

from broodyear.errors import StoreUnavailable, UnreadableFile
from broodyear.findings import CheckResult, FileReport, Finding
from broodyear.intake.filing import Filed, Opened, file_upload, keep_findings, open_upload
from broodyear.intake.rejects import write_rejects
from broodyear.intake.sources import Missing, Source, find_sources
from broodyear.intake.suspicions import find_suspicions
from broodyear.schemas import TABLE_NAMES
from broodyear.settings import Settings
from broodyear.store import Store, ledger
from broodyear.store.opening import unavailable
from broodyear.store.scratch import scratch_store

#: Called with what is being done, the number of the file, and how many there are.
Progress = Callable[[str, int, int], None]


@dataclass
class _Run:
    """One run over a set of files."""

    connection: duckdb.DuckDBPyConnection
    settings: Settings
    folder: Path
    progress: Progress | None
    filed: list[Filed] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    seen: dict[str, str] = field(default_factory=dict)


def check_paths(
    paths: Iterable[str | Path],
    *,
    store: str | Path | Store | None = None,
    settings: Settings | None = None,
    stdin: BinaryIO | None = None,
    progress: Progress | None = None,
    rejects_folder: str | Path | None = None,
) -> CheckResult:
    """Read and check every file that ``paths`` mean, and load nothing.

    store: a store whose codes count as known and whose rows the files are compared with (it is only read).
    progress: told about each file. rejects_folder: where to write a copy of the rejected rows of each file.
    Returns a report per file and every finding. Raises StoreUnavailable when the store cannot be read.
    """
    settings = settings or (store.settings if isinstance(store, Store) else Settings())
    sources, missing = find_sources(paths, stdin)
    with _working_folder() as folder, scratch_store(folder, store, settings) as connection:
        run = _Run(connection, settings, folder, progress)
        _take_all(run, sources, missing, one_transaction=False, keep_old=False)
        _suspect(run)
    return _result(run, rejects_folder)


def load_paths(
    store: Store,
    paths: Iterable[str | Path],
    *,
    strict: bool = False,
    settings: Settings | None = None,
    stdin: BinaryIO | None = None,
    progress: Progress | None = None,
    rejects_folder: str | Path | None = None,
) -> CheckResult:
    """Check every file that ``paths`` mean and load the good rows into ``store`` (opened for loading).

    Each file is one upload and one transaction. strict: nothing at all is loaded when any row has an error or any
    file is refused. The other parameters, and what is returned, are as in ``check_paths``.
    Raises StoreUnavailable when the store cannot be written; uploads finished before that stay.
    """
    settings = settings or store.settings
    sources, missing = find_sources(paths, stdin)
    with _working_folder() as folder:
        run = _Run(store.connection, settings, folder, progress)
        try:
            if strict:
                store.connection.execute("BEGIN")
            _take_all(run, sources, missing, one_transaction=strict, keep_old=True)
            if strict:
                store.connection.execute("ROLLBACK" if _result(run, None).exit_code else "COMMIT")
            if not (strict and _result(run, None).exit_code):
                _suspect(run)
        except duckdb.Error as error:
            raise unavailable(store.path, error) from None
    return _result(run, rejects_folder)


@contextmanager
def _working_folder() -> Iterator[Path]:
    folder = Path(tempfile.mkdtemp(prefix="broodyear-"))
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _take_all(
    run: _Run, sources: list[Source], missing: list[Missing], *, one_transaction: bool, keep_old: bool
) -> None:
    for absent in missing:
        _refuse(run, absent.shown, absent.message, absent.advice)
    opened = [
        file for number, source in enumerate(sources) if (file := _opened(run, source, number, len(sources)))
    ]
    opened.sort(key=lambda file: TABLE_NAMES.index(file.found.table.name))
    for number, file in enumerate(opened):
        if run.progress:
            run.progress(f"checking {file.source.shown}", number, len(opened))
        if not _known_already(run, file, skip=keep_old):
            _take(run, file, one_transaction)


def _opened(run: _Run, source: Source, number: int, count: int) -> Opened | None:
    if run.progress:
        run.progress(f"reading {source.shown}", number, count)
    try:
        return open_upload(source, run.folder, number)
    except UnreadableFile as error:
        _refuse(run, source.shown, *error.args)
        return None


def _refuse(run: _Run, path: str, message: str, advice: str) -> None:
    run.refused.append(path)
    finding = Finding(path, None, None, None, None, "error", "file_refused", message, advice)
    run.filed.append(Filed(FileReport(path, None, 0, 0, 0, 0), [finding]))


def _known_already(run: _Run, file: Opened, *, skip: bool) -> bool:
    """Whether the same bytes stand in the store or came earlier in this run: then there is nothing to do."""
    path, sha256 = file.source.shown, file.text.sha256
    if sha256 in run.seen:
        note = f"the same bytes as {run.seen[sha256]}; nothing was added"
    else:
        run.seen[sha256] = path
        before = ledger.same_bytes(run.connection, sha256)
        if before is None or before.withdrawn:
            return False
        when = f"{before.loaded_at:%Y-%m-%d %H:%M}"
        note = f"the same bytes as upload {before.upload} of {when}; nothing was changed"
    run.filed.append(Filed(FileReport(path, file.found.table.name, 0, 0, 0, 0, (note,))))
    return True


def _take(run: _Run, file: Opened, one_transaction: bool) -> None:
    if not one_transaction:
        run.connection.execute("BEGIN")
    try:
        filed = file_upload(run.connection, file, run.settings)
        if not one_transaction:
            run.connection.execute("COMMIT")
    except UnreadableFile as error:
        if not one_transaction:
            run.connection.execute("ROLLBACK")
        _refuse(run, file.source.shown, *error.args)
        return
    except BaseException:
        _roll_back(run.connection)
        raise
    run.filed.append(filed)


def _roll_back(connection: duckdb.DuckDBPyConnection) -> None:
    try:
        connection.execute("ROLLBACK")
    except duckdb.Error:
        # The database has ended the transaction itself; what went wrong is being raised already.
        return


def _suspect(run: _Run) -> None:
    """Look across rows and files for what may be wrong although every row by itself is possible."""
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


def _result(run: _Run, rejects_folder: str | Path | None) -> CheckResult:
    if rejects_folder is not None:
        write_rejects(Path(rejects_folder), run.filed)
    findings = [finding for filed in run.filed for finding in filed.findings]
    return CheckResult(tuple(filed.report for filed in run.filed), tuple(findings), tuple(run.refused))


__all__ = ["Progress", "StoreUnavailable", "check_paths", "load_paths"]
