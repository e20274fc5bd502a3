"""Checking and loading a set of paths: every file on its own, codes resolved over all of them and the store."""

from __future__ import annotations

import datetime as dt
import gc
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import BinaryIO, TypedDict, Unpack

import duckdb

from broodyear.derived import MACROS, transaction
from broodyear.errors import BroodyearError, Refused, UnreadableFile
from broodyear.findings import CheckResult, FileReport, Finding, Skipped
from broodyear.intake.bodies import read_body
from broodyear.intake.checking import by_line
from broodyear.intake.filing import expect_codes_of, file_upload, keep_findings, with_own_words
from broodyear.intake.known import Known
from broodyear.intake.macros import with_macros
from broodyear.intake.opened import Opened, open_body
from broodyear.intake.recognise import IN_A_LAYOUT, FitsNothing
from broodyear.intake.rejected import Filed, from_ledger, require_rejects, write_rejects
from broodyear.intake.sources import Source, find_sources
from broodyear.intake.together import Together
from broodyear.layouts import Layouts
from broodyear.schemas import TABLE_NAMES
from broodyear.settings import Settings
from broodyear.store import Store, changes_under_way, ledger
from broodyear.store.handle import utc_now
from broodyear.store.ledger import find_open_rows
from broodyear.store.opening import in_plain_words
from broodyear.store.scratch import scratch_store
from broodyear.workspace import working_folder

#: Called with the number of steps done, how many there are, and what is being done.
Progress = Callable[[int, int, str], None]
#: Called with the result of a run, to show it.
Tell = Callable[[CheckResult], None]


@dataclass
class _Run:
    """One run over a set of files. loads: it is to change the store; refused: paths;
    order: place of each path among those given; seen: (hash of the bytes, how they were read) -> path; skipped:
    what was met and not read; late: earlier uploads by number of which nobody was told so far; may_link: the
    database reads the files where they lie; today: the day of the run; waiting: what is to be filed, the first
    of it now; together: the files staged last."""

    settings: Settings
    progress: Progress | None
    loads: bool
    filed: list[Filed] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    order: dict[str, int] = field(default_factory=dict)
    seen: dict[tuple[str, str], str] = field(default_factory=dict)
    skipped: list[Skipped] = field(default_factory=list)
    late: dict[int, Filed] = field(default_factory=dict)
    may_link: bool = True
    today: dt.date | None = None
    waiting: list[Opened] = field(default_factory=list)
    together: Together | None = None

    def say(self, done: int, total: int, what: str) -> None:
        """Tell how far the run is."""
        if self.progress:
            self.progress(done, total, what)

    def result(self) -> CheckResult:
        """Reports and findings in the order in which the files were given."""
        reported = self.reported()
        findings = tuple(finding for filed in reported for finding in filed.findings)
        changes = tuple(change for filed in reported for change in filed.changes)
        reports = tuple(filed.report for filed in reported)
        return CheckResult(reports, findings, tuple(self.refused), tuple(self.skipped), changes)

    def reported(self) -> list[Filed]:
        """All that is to be told: what this run filed, and what an earlier one filed and did not tell."""
        return sorted([*self.late.values(), *self.filed], key=lambda filed: self.order.get(filed.report.path, -1))

    def finished(self, options: Options, mark_reported: Callable[[], None]) -> CheckResult:
        """The result, after its copies were written and it was told. It is told whether or not the copies can be
        written, because what is loaded is loaded; ``mark_reported`` is called then."""
        result = self.result()
        failed = None
        if (rejects := options.get("rejects")) is not None:
            try:
                write_rejects(Path(rejects), self.reported())
            except BroodyearError as error:
                failed = (
                    Refused(f"{error}. Nothing is lost: the store keeps the rejected rows")
                    if self.loads
                    else error
                )
        if (tell := options.get("tell")) is not None:
            tell(result)
        mark_reported()
        if failed is not None:
            raise failed
        return result


@contextmanager
def uncollected() -> Iterator[None]:
    """Pause the collector: findings and rejected rows hold no cycles, and looking for some takes a third of the
    time of making them, whenever it looks while they are held. It goes on afterwards if it was on before."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


class Options(TypedDict, total=False):
    """What ``check_paths`` and ``load_paths`` may be given besides.

    settings: the programme's (default: those of the store). layouts: how files of another shape are read. stdin:
    what the path - reads (default: standard input). progress: told what is being done. rejects: a folder for a
    copy of the rejected rows of each file, with what is wrong with them. tell: shows the result; it is called
    whether or not the copies could be written. today: later dates are warned of; none are when it is not given.
    """

    settings: Settings | None
    layouts: Layouts | None
    stdin: BinaryIO | None
    progress: Progress | None
    rejects: str | Path | None
    tell: Tell | None
    today: dt.date | None


def check_paths(
    paths: Iterable[str | Path], *, store: str | Path | Store | None = None, **options: Unpack[Options]
) -> CheckResult:
    """Read and check every file that ``paths`` mean, and load nothing; options: see ``Options``.

    store: a store whose codes count as known and whose rows the files are compared with (it is only read).
    Returns a report per file and every finding. Raises StoreUnavailable when the store cannot be read, and
    UsageError, before any file is read, when a file lies in ``rejects`` or its copy there would replace another's.
    """
    opened = store if isinstance(store, Store) else None
    with working_folder() as folder:
        run = _run(options, opened, loads=False)
        files = _open_all(run, folder, paths, options)
        _check_all(run, files, folder, store)
    return run.finished(options, lambda: None)


def load_paths(
    store: Store, paths: Iterable[str | Path], *, strict: bool = False, **options: Unpack[Options]
) -> CheckResult:
    """Check every file that ``paths`` mean and load the good rows into ``store`` (opened for loading); options:
    see ``Options``.

    Each file is one upload and one transaction. strict: nothing at all is loaded when any row has an error or any
    file is refused. What is returned is as in ``check_paths``; uploads of an earlier load that ended before it
    told of them are told as well, and count as told once ``tell`` has returned.
    Raises StoreUnavailable when the store cannot be written; uploads finished before that stay.
    """
    with working_folder() as folder:
        run = _run(options, store, loads=True)
        files = _open_all(run, folder, paths, options)
        with in_plain_words(store.path):
            with store.for_uploads() as connection:
                run.late = {
                    upload: from_ledger(connection, upload) for upload in changes_under_way.untold(connection)
                }
            if not strict or _all_good(run, files, folder, store):
                with store.for_uploads() as connection:
                    sent = tuple((file.source.shown, file.body.sha256) for file in files)
                    changes_under_way.begin(connection, changes_under_way.UnderWay(utc_now(), files=sent))
                    _file_all(run, files, connection, folder)

    def mark_reported() -> None:
        """Note which uploads are told."""
        uploads = [filed.upload for filed in (*run.late.values(), *run.filed) if filed.upload is not None]
        with in_plain_words(store.path), store.for_uploads() as connection:
            changes_under_way.note_told(connection, uploads, utc_now())

    return run.finished(options, mark_reported)


def _run(options: Options, store: Store | None, *, loads: bool) -> _Run:
    settings = options.get("settings") or (store.settings if store else Settings())
    return _Run(
        settings, options.get("progress"), loads, may_link=store is None or not store.is_shut_in,
        today=options.get("today"),
    )  # fmt: skip


def _all_good(run: _Run, files: list[Opened], folder: Path, store: Store) -> bool:
    """Whether every row of every file is good; if not, the run holds what is wrong, and nothing is loaded."""
    trial = replace(run, loads=False, filed=list(run.filed), refused=list(run.refused), seen={}, late={})
    _check_all(trial, files, folder, store)
    if trial.result().exit_code == 0:
        return True
    why = "nothing was loaded, because not all rows of this load are good"
    run.filed = [
        replace(filed, report=replace(filed.report, notes=(*filed.report.notes, why))) for filed in trial.filed
    ]
    run.refused = trial.refused
    return False


def _open_all(run: _Run, folder: Path, paths: Iterable[str | Path], options: Options) -> list[Opened]:
    """Read and recognise all files; those that cannot be are refused. In the order in which tables are filed."""
    found = find_sources(paths, options.get("stdin") or sys.stdin.buffer, folder)
    sources = found.found
    run.skipped += found.skipped
    if (rejects := options.get("rejects")) is not None:
        require_rejects(Path(rejects), sources)
    run.order = {source.shown: number for number, source in enumerate(sources)}
    for absent in found.missing:
        _refuse(run, absent.shown, absent.message, absent.advice)
    layouts = options.get("layouts") or Layouts()
    tried = [_opened(run, source, folder, number, layouts) for number, source in enumerate(sources)]
    opened = [file for file in tried if file is not None]
    _refuse_if_nothing_fits(run, sources, opened)
    # A file of several tables comes when the last of them may come. Of two files that disagree the one whose name
    # sorts later stands, in whatever order they are given.
    return sorted(opened, key=lambda file: (TABLE_NAMES.index(file.parts[-1].table.name), file.source.shown))


def _refuse_if_nothing_fits(run: _Run, sources: list[Source], opened: list[Opened]) -> None:
    """Refuse a workbook of which no sheet was read."""
    read = {file.source.container for file in opened} | {path.split("#")[0] for path in run.refused}
    for workbook in dict.fromkeys(source.container for source in sources if source.sheet is not None):
        if workbook is not None and workbook not in read:
            message = "no sheet of the workbook fits a table or a layout"
            _refuse(run, workbook, message, f"Say {IN_A_LAYOUT}")


def _check_all(run: _Run, files: list[Opened], folder: Path, store: str | Path | Store | None) -> None:
    with scratch_store(folder, store, run.settings) as connection:
        _file_all(run, files, connection, folder)
    for filed in run.filed:
        filed.upload = None  # the number was of the passing store


@uncollected()
def _file_all(run: _Run, files: list[Opened], connection: duckdb.DuckDBPyConnection, folder: Path) -> None:
    of_layouts = any(file.dialect.layout is not None for file in files)
    with with_macros(connection, folder, school_years=of_layouts):
        _file_each(run, files, Known(connection, run.settings))
        _suspect(run, connection)


def _file_each(run: _Run, files: list[Opened], known: Known) -> None:
    run.together = None
    files = [with_own_words(file, run.settings) for file in files]
    for file in files:
        # What cannot be read is told when the file's turn comes.
        with suppress(UnreadableFile):
            expect_codes_of(known, file)
    for number, file in enumerate(files):
        run.say(len(files) + number, 2 * len(files), f"checking {file.source.shown}")
        run.waiting = files[number:]
        if not _known_already(run, file, known):
            _take(run, file, known)


def _opened(run: _Run, source: Source, folder: Path, number: int, layouts: Layouts) -> Opened | None:
    run.say(number, 2 * len(run.order), f"reading {source.shown}")
    try:
        return open_body(source, read_body(source, folder, number, run.may_link), layouts.layouts)
    except UnreadableFile as error:
        if source.sheet is not None and isinstance(error, FitsNothing):
            # A sheet that fits nothing stands beside others that do.
            run.skipped.append(Skipped(source.shown, error.args[0]))
        else:
            _refuse(run, source.shown, *error.args)
        return None


def _refuse(run: _Run, path: str, message: str, advice: str) -> None:
    run.refused.append(path)
    finding = Finding(path, None, None, None, None, "error", "file_refused", message, advice)
    run.filed.append(Filed(FileReport(path, None, 0, 0, 0, 0), [finding]))


def _known_already(run: _Run, file: Opened, known: Known) -> bool:
    """Whether there is nothing to do, because the same bytes came before: earlier in this run, or in a load that
    stands. A check looks at them again all the same, and says so."""
    path, sha256, layout = file.source.shown, file.body.sha256, file.layout_text
    if (sha256, layout) in run.seen:
        return _left_out(run, file, f"the same bytes as {run.seen[sha256, layout]}; nothing was added")
    run.seen[sha256, layout], connection = path, known.connection
    before = ledger.standing(connection, sha256, layout)
    if not before:
        return False
    numbers = tuple(before)
    same = f"the same bytes as upload {numbers[-1]} of {before[numbers[-1]]:%Y-%m-%d %H:%M}"
    if not run.loads:
        file.body.notes.append(f"{same}; loading it again would change nothing")
        return False
    lacks = ledger.lacks_codes(connection, numbers)
    lacks = lacks or any(
        ledger.lacks_withdrawn_rows(connection, part.table, sha256, layout) for part in file.parts
    )
    if lacks and _take(run, file, known, numbers):
        return True
    if run.late.keys() & set(numbers):
        return True  # what became of it is told in full
    still = _still_open(connection, numbers, run.settings)
    return _left_out(run, file, f"{same}; nothing was changed{still}")


def _still_open(connection: duckdb.DuckDBPyConnection, uploads: tuple[int, ...], settings: Settings) -> str:
    """How many of the rows of these uploads wait to be mended, to be added to a note."""
    find_open_rows(connection, settings)
    query = "SELECT count(*) FROM waiting WHERE list_contains(?::INTEGER[], upload)"
    [(count,)] = connection.execute(query, [list(uploads)]).fetchall()
    if not count:
        return ""
    are = "is" if count == 1 else "are"
    return f"; {count:,} of its rows {are} still to be mended"


def _left_out(run: _Run, file: Opened, note: str) -> bool:
    run.filed.append(Filed(FileReport(file.source.shown, file.tables, 0, 0, 0, 0, (note,))))
    return True


def _take(run: _Run, file: Opened, known: Known, earlier: tuple[int, ...] = ()) -> bool:
    """File one upload. With uploads ``earlier`` (see ``file_upload``): False when nothing is added to them."""
    so_far = {filed.upload: filed.report.path for filed in run.filed if filed.upload is not None}
    try:
        filed = file_upload(known, file, earlier, so_far, run.today, _staged_together(run, known, earlier))
    except UnreadableFile as error:
        known.forget()
        _refuse(run, file.source.shown, *error.args)
        return True
    if filed is not None:
        run.filed.append(filed)
    return filed is not None


def _staged_together(run: _Run, known: Known, earlier: tuple[int, ...]) -> Together | None:
    """Where the file whose turn it is, is staged with others; None where it is not."""
    if earlier:
        return None
    if run.together is None or not run.together.has(run.waiting[0]):
        run.together = Together(known, run.waiting)
    return None if run.together.is_alone else run.together


def _suspect(run: _Run, connection: duckdb.DuckDBPyConnection) -> None:
    """Look across rows and files for what may be wrong although every row by itself is possible."""
    from broodyear.intake.suspicions import find_suspicions

    uploads = {filed.upload: filed for filed in run.filed if filed.upload is not None}
    if not uploads:
        return
    found = find_suspicions(connection, tuple(uploads), run.settings, {MACROS})
    with transaction(connection):
        for upload, filed in uploads.items():
            mine = [finding._replace(path=filed.report.path) for number, finding in found if number == upload]
            if mine:
                keep_findings(connection, upload, mine)
                filed.findings = sorted([*filed.findings, *mine], key=by_line)
