"""What each command about uploads and the store does, one function of the same name each; their exit codes."""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Sequence
from contextlib import nullcontext
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from broodyear import clock
from broodyear.console import Programme, Progress, progress, say
from broodyear.errors import EXIT_DONE, EXIT_FILE_UNREADABLE, EXIT_STORE_UNAVAILABLE, UsageError
from broodyear.findings import first_of
from broodyear.formulas import csv_text
from broodyear.layouts import require_layouts_file
from broodyear.outputs import append_to
from broodyear.stopping import stopped_with

if TYPE_CHECKING:
    import pandas as pd

    from broodyear.findings import CheckResult
    from broodyear.settings import SeasonSpan
    from broodyear.store import Store


def check(programme: Programme, *, paths: Sequence[str], format: str, rejects: Path | None) -> int:
    """Read and check files; load nothing."""
    from broodyear.intake import check_paths

    settings, layouts = programme.settings, programme.layouts
    kept = programme.opened() if programme.store.exists() else nullcontext()
    with progress(programme.quiet) as line, kept as store:
        result = check_paths(
            paths, store=store, settings=settings, layouts=layouts, rejects=rejects, progress=line,
            tell=partial(_print_result, line, format), today=clock.today(),
        )  # fmt: skip
    return result.exit_code


def load(programme: Programme, *, paths: Sequence[str], format: str, rejects: Path | None, strict: bool) -> int:
    """Check files and load their good rows; rejected rows are kept with their reason."""
    from broodyear.intake import load_paths
    from broodyear.intake.rejected import require_rejects_of
    from broodyear.store import open_store
    from broodyear.store.changes_under_way import ALL_DONE, AS_IT_WAS

    layouts = programme.layouts
    if rejects is not None and not programme.store.exists():
        require_rejects_of(paths, rejects)
    shown: list[CheckResult] = []

    def tell(result: CheckResult) -> None:
        _print_result(line, format, result)
        shown.append(result)

    with (
        progress(programme.quiet) as line,
        # Also while the store is being opened or closed.
        stopped_with(lambda: ALL_DONE if shown else AS_IT_WAS),
        open_store(programme.store, for_loading=True, settings=programme.settings) as store,
        stopped_with(lambda: store.kept_of_load(told=bool(shown))),
    ):
        _say_broken_off(store)
        result = load_paths(
            store, paths, strict=strict, layouts=layouts, rejects=rejects, progress=line, tell=tell,
            today=clock.today(),
        )  # fmt: skip
        line(0, 0, "working out what reports start from")
        kept = store.keep_derived()
    _say_if_not_kept(programme, kept)
    return result.exit_code


#: So many files that need no layout are named, by what reads them; the rest are counted.
_NAMED = 3


def layout(programme: Programme, *, paths: Sequence[str], out: Path | None) -> int:
    """Draft how files of another shape become rows of the tables."""
    from broodyear.intake.drafting import draft_all, draft_text
    from broodyear.workspace import working_folder

    layouts = programme.layouts
    if out is not None:
        require_layouts_file(out)
    seasons = _seasons(programme)
    with working_folder() as scratch, progress(programme.quiet) as line:
        made = draft_all(paths, scratch, layouts=layouts, stdin=sys.stdin.buffer, seasons=seasons, progress=line)
    text = "\n".join(draft_text(draft) for draft in made.drafts)
    if text and out is not None:
        append_to(out, f"\n{text}" if out.exists() else text, "layout")
        print(out)
    else:
        sys.stdout.write(text)
    for how in dict.fromkeys(how for _, how in made.settled):
        paths = [path for path, other in made.settled if other == how]
        read = "needs no layout: it is" if len(paths) == 1 else "need no layout: they are"
        programme.say(f"{first_of(paths, _NAMED)} {read} read by {how}")
    for skipped in made.skipped:
        say(f"{skipped.path}: not read; {skipped.reason}")
    if any(draft.unknown or draft.ticks for draft in made.drafts):
        programme.say("Fill in what is marked # ? before you load by these layouts.")
    return EXIT_DONE if made.drafts or made.settled else EXIT_FILE_UNREADABLE


def _seasons(programme: Programme) -> SeasonSpan | None:
    """The seasons that a store knows, in which years of two figures must lie."""
    from broodyear.intake.known import known_seasons

    if not programme.store.exists():
        return None
    with programme.opened() as store, store.for_uploads() as connection:
        return known_seasons(connection, store.settings)


def _say_broken_off(store: Store) -> None:
    if remark := store.broken_off():
        say(remark)


def _say_if_not_kept(programme: Programme, kept: bool) -> None:
    if not kept:
        programme.say(
            "The disk or the memory is too full to keep what reports start from in the store. Nothing is lost; "
            "every report works it out for itself, which takes longer."
        )


def _print_result(line: Progress, format: str, result: CheckResult) -> None:
    """Take the progress line away, then show the result."""
    from broodyear.intake.rendering import render

    line.close()
    sys.stdout.write(render(result, format))
    sys.stdout.flush()


def uploads(programme: Programme, *, format: str) -> int:
    """List what was loaded, when, from which bytes."""
    with programme.opened() as store:
        ledger = store.uploads()
    sys.stdout.write(_frame_text(ledger, format))
    return EXIT_DONE


def withdraw(programme: Programme, *, upload: int) -> int:
    """Take one upload back; everything reads as if it had never come."""
    from broodyear.store import open_existing_for_change
    from broodyear.store.changes_under_way import AS_IT_WAS

    done = ""
    with (
        stopped_with(lambda: f"stopped. Upload {upload} is withdrawn" if done else AS_IT_WAS),
        open_existing_for_change(programme.store, settings=programme.settings) as store,
        stopped_with(lambda: store.kept_of_withdrawal(upload)),
    ):
        _say_broken_off(store)
        done = store.withdraw(upload)
        print(done)
        kept = store.keep_derived()
    _say_if_not_kept(programme, kept)
    return EXIT_DONE


def mend(
    programme: Programme, *, format: str, out: Path | None, dismiss: Sequence[str], reason: str | None
) -> int:
    """List the rejected rows still open, from every upload; write copies to mend, or dismiss some."""
    from broodyear.intake.rejected import dismiss_rows, open_rows, rendered, require_room_for, write_copies
    from broodyear.store import open_existing_for_change

    why = (reason or "").strip()
    if bool(dismiss) != bool(why):
        raise UsageError("to dismiss a row, give both --dismiss FILE#LINE and --reason TEXT")
    if dismiss:
        with (
            stopped_with(lambda: "stopped. `broodyear mend` lists which rows are still open"),
            open_existing_for_change(programme.store, settings=programme.settings) as store,
        ):
            if out is not None:
                require_room_for(store, out)
            closed = dismiss_rows(store, dismiss, why)
        programme.say(f"{closed:,} {'row is' if closed == 1 else 'rows are'} dismissed: {why}")
    with programme.opened() as store:
        rows = open_rows(store)
        copies = write_copies(store, rows, out) if out is not None else []
    sys.stdout.write(rendered(rows, format))
    for copy in copies:
        programme.say(str(copy))
    return EXIT_DONE


def verify(programme: Programme, *, rescue: Path | None) -> int:
    """Read the whole store, count it against its ledger, and say what is whole."""
    from broodyear.store import verify_store

    with programme.waiting("reading the whole store"):
        found = verify_store(programme.store, rescue)
    print(found.text)
    if rescue is not None:
        print(f"What can be read is in {rescue}; `broodyear load {rescue}` puts it into a new store.")
    return EXIT_STORE_UNAVAILABLE if found.problems else EXIT_DONE


def _frame_text(frame: pd.DataFrame, format: str) -> str:
    """The ledger in a format; as text without its notes."""
    if format == "csv":
        return csv_text(frame)
    if format == "json":
        return json.dumps(_records(frame), indent=2, ensure_ascii=False) + "\n"
    if frame.empty:
        return "Nothing has been loaded yet.\n"
    short = frame.assign(
        sha256=frame["sha256"].str.slice(0, 12), loaded_at=frame["loaded_at"].dt.strftime("%Y-%m-%d %H:%M")
    )
    # Notes are as long as a paragraph: they would put every number out of sight.
    kept = short.drop(columns=["notes", "withdrawn_at"])
    width = shutil.get_terminal_size((160, 24)).columns if sys.stdout.isatty() else 10_000
    table = kept.to_string(index=False, line_width=max(width, 80))
    return f"{table}\nWhat was noted of each file, and when one was withdrawn: --format csv or json\n"


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    loaded: list[dict[str, Any]] = json.loads(frame.to_json(orient="records", date_format="iso", date_unit="s"))
    return loaded
