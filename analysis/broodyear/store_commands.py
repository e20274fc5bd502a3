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
from broodyear.console import Progress, opened_store, programme_settings, progress, say, say_broken_off, waiting
from broodyear.errors import EXIT_DONE, EXIT_FILE_UNREADABLE, EXIT_STORE_UNAVAILABLE, UsageError
from broodyear.formulas import csv_text
from broodyear.layouts import chosen_layouts, require_layouts_file
from broodyear.outputs import append_to
from broodyear.stopping import stopped_with

if TYPE_CHECKING:
    import pandas as pd

    from broodyear.findings import CheckResult
    from broodyear.intake.seasons import SeasonSpan


def check(
    *,
    paths: Sequence[str],
    format: str,
    rejects: Path | None,
    layouts: Path | None,
    store: Path,
    settings: Path | None,
    quiet: bool = False,
) -> int:
    """Read and check files; load nothing."""
    from broodyear.intake import check_paths

    chosen, known = programme_settings(settings, store, layouts), chosen_layouts(layouts, store)
    kept = opened_store(store, settings, layouts) if store.exists() else nullcontext()
    with progress(quiet) as line, kept as opened:
        tell = partial(_print_result, line, format)
        result = check_paths(
            paths, store=opened, settings=chosen, layouts=known, rejects=rejects, progress=line, tell=tell,
            today=clock.today(),
        )  # fmt: skip
    return result.exit_code


def load(
    *,
    paths: Sequence[str],
    format: str,
    rejects: Path | None,
    layouts: Path | None,
    strict: bool,
    store: Path,
    settings: Path | None,
    quiet: bool = False,
) -> int:
    """Check files and load their good rows; rejected rows are kept with their reason."""
    from broodyear.intake import load_paths
    from broodyear.intake.rejects import require_rejects_of
    from broodyear.store import open_store
    from broodyear.store.changes_under_way import ALL_DONE, AS_IT_WAS

    known = chosen_layouts(layouts, store)
    if rejects is not None and not store.exists():
        require_rejects_of(paths, rejects)
    shown: list[CheckResult] = []

    def tell(result: CheckResult) -> None:
        _print_result(line, format, result)
        shown.append(result)

    with (
        progress(quiet) as line,
        # Also while the store is being opened or closed.
        stopped_with(lambda: ALL_DONE if shown else AS_IT_WAS),
        open_store(store, for_loading=True, settings=programme_settings(settings, store, layouts)) as opened,
        stopped_with(lambda: opened.kept_of_load(told=bool(shown))),
    ):
        say_broken_off(opened)
        result = load_paths(
            opened, paths, strict=strict, layouts=known, rejects=rejects, progress=line, tell=tell,
            today=clock.today(),
        )  # fmt: skip
        line(0, 0, "working out what reports start from")
        kept = opened.keep_derived()
    _say_if_not_kept(kept, quiet)
    return result.exit_code


def layout(
    *,
    paths: Sequence[str],
    out: Path | None,
    layouts: Path | None,
    store: Path,
    settings: Path | None,
    quiet: bool = False,
) -> int:
    """Draft how files of another shape become rows of the tables; print the drafts, or add them to a file."""
    from broodyear.intake.drafting import draft_all, draft_text
    from broodyear.workspace import working_folder

    known = chosen_layouts(layouts, store)
    if out is not None:
        require_layouts_file(out)
    seasons = _seasons(store, settings)
    with working_folder() as scratch:
        made = draft_all(paths, scratch, layouts=known, stdin=sys.stdin.buffer, seasons=seasons)
    text = "\n".join(draft_text(draft) for draft in made.drafts)
    if text and out is not None:
        append_to(out, f"\n{text}" if out.exists() else text, "layout")
        print(out)
    else:
        sys.stdout.write(text)
    for path, how in made.settled:
        say(f"{path} needs no layout: it is read by {how}", quiet=quiet)
    for skipped in made.skipped:
        say(f"{skipped.path}: not read; {skipped.reason}")
    if any(draft.unknown for draft in made.drafts):
        say("Fill in what is marked # ? before you load by these layouts.", quiet=quiet)
    return EXIT_DONE if made.drafts or made.settled else EXIT_FILE_UNREADABLE


def _seasons(store: Path, settings: Path | None) -> SeasonSpan | None:
    """The seasons that a store knows, in which years of two figures must lie."""
    from broodyear.intake.seasons import known_seasons

    if not store.exists():
        return None
    with opened_store(store, settings) as opened, opened.for_uploads() as connection:
        return known_seasons(connection, opened.settings)


def _say_if_not_kept(kept: bool, quiet: bool) -> None:
    if not kept:
        say(
            "The disk or the memory is too full to keep what reports start from in the store. Nothing is lost; "
            "every report works it out for itself, which takes longer.",
            quiet=quiet,
        )


def _print_result(line: Progress, format: str, result: CheckResult) -> None:
    """Take the progress line away, then show the result."""
    from broodyear.intake.rendering import render

    line.close()
    sys.stdout.write(render(result, format))
    sys.stdout.flush()


def uploads(*, format: str, store: Path, settings: Path | None, quiet: bool = False) -> int:
    """List what was loaded, when, from which bytes."""

    with opened_store(store, settings) as opened:
        ledger = opened.uploads()
    sys.stdout.write(_frame_text(ledger, format))
    return EXIT_DONE


def withdraw(*, upload: int, store: Path, settings: Path | None, quiet: bool = False) -> int:
    """Take one upload back; everything reads as if it had never come."""
    from broodyear.store import open_existing_for_change
    from broodyear.store.changes_under_way import AS_IT_WAS

    said = ""
    with (
        stopped_with(lambda: f"stopped. Upload {upload} is withdrawn" if said else AS_IT_WAS),
        open_existing_for_change(store, settings=programme_settings(settings, store)) as opened,
        stopped_with(lambda: opened.kept_of_withdrawal(upload)),
    ):
        say_broken_off(opened)
        said = opened.withdraw(upload)
        print(said)
        kept = opened.keep_derived()
    _say_if_not_kept(kept, quiet)
    return EXIT_DONE


def mend(
    *,
    format: str,
    out: Path | None,
    dismiss: Sequence[str],
    reason: str | None,
    layouts: Path | None,
    store: Path,
    settings: Path | None,
    quiet: bool = False,
) -> int:
    """List the rejected rows still open, write their copies, or dismiss some with a reason."""
    from broodyear.intake.mending import dismiss_rows, open_rows, rendered, require_room_for, write_copies
    from broodyear.store import open_existing_for_change

    if bool(dismiss) != bool(reason and reason.strip()):
        raise UsageError("to dismiss a row, give both --dismiss FILE#LINE and --reason TEXT")
    if dismiss:
        with (
            stopped_with(lambda: "stopped. `broodyear mend` lists which rows are still open"),
            open_existing_for_change(store, settings=programme_settings(settings, store, layouts)) as opened,
        ):
            if out is not None:
                require_room_for(opened, out)
            closed = dismiss_rows(opened, dismiss, str(reason).strip())
        say(f"{closed:,} {'row is' if closed == 1 else 'rows are'} dismissed: {str(reason).strip()}", quiet=quiet)
    with opened_store(store, settings, layouts) as opened:
        rows = open_rows(opened)
        copies = write_copies(opened, rows, out) if out is not None else []
    sys.stdout.write(rendered(rows, format))
    for copy in copies:
        say(str(copy), quiet=quiet)
    return EXIT_DONE


def verify(*, rescue: Path | None, store: Path, settings: Path | None, quiet: bool = False) -> int:
    """Read the whole store and count it against its ledger; save what is whole of a damaged one."""
    from broodyear.store import verify_store

    with waiting("reading the whole store", quiet):
        found = verify_store(store, rescue)
    print(found.text)
    if rescue is not None:
        print(f"What can be read is in {rescue}; `broodyear load {rescue}` puts it into a new store.")
    return EXIT_STORE_UNAVAILABLE if found.problems else EXIT_DONE


def _frame_text(frame: pd.DataFrame, format: str) -> str:
    """The ledger as it is asked for; as text without its notes."""
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
