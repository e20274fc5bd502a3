"""The result of a check as text for people, as CSV, and as the JSON object that scripts read."""

from __future__ import annotations

import json
import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from typing import NamedTuple

import pandas as pd

from broodyear.errors import UsageError
from broodyear.findings import (
    CheckResult,
    FileReport,
    Finding,
    TableCount,
    counted,
    disagreements,
    file_of,
    first_of,
)
from broodyear.formulas import csv_text
from broodyear.intake.wording import template

#: So many findings alike are written out, and so many files tell the same; others are counted.
SHOWN_OF_A_KIND = 3
#: So many entries for layouts.toml are written out for findings that are not.
SHOWN_ENTRIES = 100
#: So many changes are written out, and so many names of sheets or files that say the same.
SHOWN_CHANGES = 10
SHOWN_NAMES = 8
FORMATS = ("text", "json", "csv")


def render(result: CheckResult, format: str) -> str:
    """The result in ``format`` ("text", "json" or "csv"), ended by a line break. Raises UsageError for another."""
    if format == "json":
        return render_json(result)
    if format == "csv":
        # One row per finding; text that a spreadsheet would run gets an apostrophe.
        return csv_text(pd.DataFrame(result.findings, columns=Finding._fields, dtype=object))
    if format == "text":
        return render_text(result)
    raise UsageError(f"there is no format {format!r}; choose one of {', '.join(FORMATS)}")


def render_json(result: CheckResult) -> str:
    """One object with the keys "files", "findings", "skipped" and "changes"."""
    content = {
        "files": [report.as_dict() for report in result.files],
        "findings": [finding.as_dict() for finding in result.findings],
        "skipped": [asdict(skipped) for skipped in result.skipped],
        "changes": [change.as_dict() for change in result.changes],
    }
    return json.dumps(content, ensure_ascii=False, indent=1) + "\n"


class _Alike(NamedTuple):
    """Findings alike, as they are told. shown: those written out; more: how many are not; entries: what these say
    to put into layouts.toml, each once; where: how many files tell them."""

    shown: list[Finding]
    more: int
    entries: list[str]
    where: str


def render_text(result: CheckResult) -> str:
    """A paragraph per file: its rows, what was done to read it, and its findings, those alike grouped. What more
    than a few files have alike is told once behind them, and those of them that have nothing else to tell are one
    paragraph."""
    kinds = _grouped(result.findings)
    common = {kind: alike for kind, alike in kinds.items() if len(_paths(alike)) > SHOWN_OF_A_KIND}
    own: defaultdict[str, list[Finding]] = defaultdict(list)
    for finding in result.findings:
        if finding.other_path is not None or _kind(finding) not in common:
            own[finding.path].append(finding)
    files = []
    for report in _together(result.files, own):
        mine = own[report.path]
        files.append((report, disagreements(mine), [_as_one(alike) for alike in _grouped(mine).values()]))
    return template("checked.txt").render(
        files=files,
        common=[_as_one(alike, apart=True) for alike in common.values()],
        changed=Counter(f"{change.table}.{change.column}" for change in result.changes),
        count=len({file_of(report.path) for report in result.files}),
        kept=sum(table.rows_accepted for report in result.files for table in report.tables),
        warnings=sum(finding.level == "warning" for finding in result.findings),
        result=result, shown=SHOWN_OF_A_KIND, shown_changes=SHOWN_CHANGES,
    )  # fmt: skip


def _as_one(alike: Sequence[Finding], *, apart: bool = False) -> _Alike:
    """Findings alike with the first few written out. apart: such as say different things."""
    different = {
        finding.message if apart else number: finding for number, finding in reversed([*enumerate(alike)])
    }
    shown = [*different.values()][::-1][:SHOWN_OF_A_KIND]
    entries = dict.fromkeys(_entry(finding) for finding in alike)
    others = [entry for entry in entries if entry not in {"", *map(_entry, shown)}]
    return _Alike(shown, len(alike) - len(shown), others[:SHOWN_ENTRIES], _many(_paths(alike)))


def _entry(finding: Finding) -> str:
    return finding.advice.partition("\n")[2]


def _together(reports: Sequence[FileReport], own: Mapping[str, list[Finding]]) -> list[FileReport]:
    """The reports, with one in place of those of a workbook or folder that were read alike and have no findings of
    their own, where these are more than a few."""

    def alike(report: FileReport) -> tuple[object, ...]:
        if own.get(report.path) or report.table is None:
            return (report.path,)
        return (_holder(report.path), report.table, *(note.partition(": ")[0] for note in report.notes))

    counts = Counter(map(alike, reports))
    groups: dict[tuple[object, ...], list[FileReport]] = {}
    for report in reports:
        key = alike(report) if counts[alike(report)] > SHOWN_OF_A_KIND else (report.path,)
        groups.setdefault(key, []).append(report)
    return [_sum(those) if len(those) > 1 else those[0] for those in groups.values()]


def _sum(reports: Sequence[FileReport]) -> FileReport:
    """One report for several of one workbook or folder."""
    holder, paths = _holder(reports[0].path), [report.path for report in reports]
    names = first_of([path.removeprefix(holder)[1:] for path in paths], SHOWN_NAMES)
    notes = (_joined(those) for those in zip(*(report.notes for report in reports), strict=True))
    counts = [(one.lines_read, one.rows_read, one.rows_accepted, one.rows_rejected) for one in reports]
    read, lines, good, rejected = (sum(row) for row in zip(*counts, strict=True))
    tables = (
        TableCount(those[0].table, *(sum(row) for row in zip(*(one.rows for one in those), strict=True)))
        for those in zip(*(report.tables for report in reports), strict=True)
    )
    return FileReport(
        f"{holder}, {_many(paths)}", reports[0].table, read, lines, good, rejected, (f"they are {names}", *notes),
        tuple(tables), sum(one.rows_repeated for one in reports),
    )  # fmt: skip


def _joined(notes: Sequence[str]) -> str:
    """Notes that begin alike as one."""
    tails = list(dict.fromkeys(note.partition(": ")[2] for note in notes))
    return notes[0] if len(tails) == 1 else f"{notes[0].partition(': ')[0]}: {first_of(tails, SHOWN_NAMES, '; ')}"


def _holder(path: str) -> str:
    """The workbook of a sheet, or the folder of a file, as it is shown."""
    workbook = file_of(path)
    return workbook if workbook != path else re.sub(r"[\\/]?[^\\/]*$", "", path)


def _paths(findings: Iterable[Finding]) -> list[str]:
    return list(dict.fromkeys(finding.path for finding in findings))


def _many(paths: Sequence[str]) -> str:
    """How many files, or sheets of workbooks, these are."""
    return counted(len(paths), "sheet" if all(file_of(path) != path for path in paths) else "file")


_Kind = tuple[str, str, str | None, str]


def _kind(finding: Finding) -> _Kind:
    """What findings that are alike have in common: rule and column; about a whole file also what they say."""
    return finding.level, finding.rule, finding.column, finding.message if finding.line is None else ""


def _grouped(findings: Iterable[Finding]) -> dict[_Kind, list[Finding]]:
    """Findings of one kind together, in the order in which each kind first appears, without those about files that
    disagree; a cell that several tables take is told once."""
    kinds: dict[_Kind, dict[tuple[str, int | None, str], Finding]] = {}
    for finding in findings:
        if finding.other_path is None:
            alike = kinds.setdefault(_kind(finding), {})
            alike.setdefault((finding.path, finding.line, finding.message), finding)
    return {kind: list(alike.values()) for kind, alike in kinds.items()}
