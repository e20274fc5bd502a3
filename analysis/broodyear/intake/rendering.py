"""The result of a check as text for people, as CSV, and as the JSON object that scripts read."""

from __future__ import annotations

import csv
import io
import json
import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict

from broodyear.errors import UsageError
from broodyear.findings import (
    Change,
    CheckResult,
    Disagreement,
    FileReport,
    Finding,
    TableCount,
    counted,
    disagreements,
    file_of,
    first_of,
)
from broodyear.formulas import guarded

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
        return render_csv(result.findings)
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


def render_csv(findings: Sequence[Finding]) -> str:
    """One row per finding; text that a spreadsheet would run gets an apostrophe."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(Finding._fields)
    for finding in findings:
        cells = ("" if cell is None else str(cell) for cell in finding.as_dict().values())
        writer.writerow([guarded(cell) for cell in cells])
    return text.getvalue()


def render_text(result: CheckResult) -> str:
    """A paragraph per file: its rows, what was done to read it, and its findings, those alike grouped. What more
    than a few files have alike is told once behind them, and those of them that have nothing else to tell are one
    paragraph."""
    kinds = _grouped([finding for finding in result.findings if finding.other_path is None])
    common = {kind: alike for kind, alike in kinds.items() if len(_paths(alike)) > SHOWN_OF_A_KIND}
    own: defaultdict[str, list[Finding]] = defaultdict(list)
    for finding in result.findings:
        if finding.other_path is not None or _kind(finding) not in common:
            own[finding.path].append(finding)
    parts = [_file_text(report, own[report.path]) for report in _together(result.files, own)]
    if common:
        parts.append("\n".join(["Alike in many files:", *map(_common, common.values()), ""]))
    skipped = [f"{printable(one.path)}: not read; {one.reason}\n" for one in result.skipped]
    changed = [_changes_text(result.changes)] if result.changes else []
    return "\n".join([*parts, *(["".join(skipped)] if skipped else []), *changed, _total(result)])


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


def _common(alike: Sequence[Finding]) -> str:
    """What many files have alike: the first findings that say different things, and how many more there are."""
    shown = list({finding.message: finding for finding in reversed(alike)}.values())[::-1][:SHOWN_OF_A_KIND]
    return f"  in {_many(_paths(alike))}: {_listed(alike, shown).lstrip()}"


def _listed(alike: Sequence[Finding], shown: Sequence[Finding]) -> str:
    """Findings alike, of which some are written out."""
    lines = [f"  {finding_text(finding)}" for finding in shown]
    more = len(alike) - len(shown)
    if more:
        lines.append(f"    … and {more:,} more {'row' if more == 1 else 'rows'} like this")
    return "\n".join([*lines, *_other_entries(alike, shown)])


def _changes_text(changes: Sequence[Change]) -> str:
    """How many cells of rows already there change, by column, and the first of them."""
    by_column = Counter(f"{change.table}.{change.column}" for change in changes)
    counted = ", ".join(f"{column} {count:,}" for column, count in by_column.items())
    cells = "1 cell" if len(changes) == 1 else f"{len(changes):,} cells"
    lines = [f"Changed among rows already there: {cells} ({counted})"]
    for change in changes[:SHOWN_CHANGES]:
        old, new = (printable(value) if value is not None else "blank" for value in (change.old, change.new))
        place = f"{printable(change.path)}, line {change.line}"
        lines.append(f"  {printable(change.key)}: {change.column} {old} becomes {new} ({place})")
    if len(changes) > SHOWN_CHANGES:
        lines.append(f"  … and {len(changes) - SHOWN_CHANGES:,} more")
    return "\n".join(lines) + "\n"


def _file_text(report: FileReport, findings: list[Finding]) -> str:
    lines = [_headline(report)]
    lines += [f"  note: {note}" for note in report.notes]
    for pair in disagreements(findings):
        lines += _disagreement_lines(pair)
    for alike in _grouped([finding for finding in findings if finding.other_path is None]).values():
        lines.append(_listed(alike, alike[:SHOWN_OF_A_KIND]))
    return "\n".join(lines) + "\n"


def _other_entries(alike: Sequence[Finding], shown: Sequence[Finding]) -> list[str]:
    """What findings that are not written out say to put into layouts.toml, each entry once."""
    entries = dict.fromkeys(finding.advice.partition("\n")[2] for finding in alike)
    known = {"", *(finding.advice.partition("\n")[2] for finding in shown)}
    others = [entry for entry in entries if entry not in known]
    return ["    the entries in layouts.toml for these:", *others[:SHOWN_ENTRIES]] if others else []


def _disagreement_lines(pair: Disagreement) -> list[str]:
    """One line about two files, and the first cells in which they disagree."""
    shown = pair.findings[:SHOWN_OF_A_KIND]
    lines = [f"  {printable(pair.path)}, {pair.table}: warning: {printable(pair.sentence)}. {shown[0].advice}"]
    lines += [f"    line {finding.line}: {printable(finding.message)}" for finding in shown]
    more = len(pair.findings) - SHOWN_OF_A_KIND
    return [*lines, f"    … and {more:,} more"] if more > 0 else lines


def _headline(report: FileReport) -> str:
    if report.table is None:
        return f"{printable(report.path)}: refused"
    several = len(report.tables) > 1
    lines = ("line" if several else "row") + ("" if report.rows_read == 1 else "s")
    kept_out = f", {report.rows_to_mend:,} kept out" if report.rows_to_mend else ""
    if several and kept_out:
        counted = (f"{table.table} {table.rows_rejected:,}" for table in report.tables if table.rows_rejected)
        kept_out = f", {report.rows_to_mend:,} with a row kept out ({', '.join(counted)})"
    repeated = f", {_repeats(report.rows_repeated)}" if report.rows_repeated else ""
    read = f"{report.rows_read:,} {lines}"
    return f"{printable(report.path)} ({report.table}): {read}, {report.rows_accepted:,} good{kept_out}{repeated}"


def _repeats(count: int) -> str:
    return f"{count:,} {'repeats a row' if count == 1 else 'repeat rows'} already taken"


_Kind = tuple[str, str, str | None, str]


def _kind(finding: Finding) -> _Kind:
    """What findings that are alike have in common: rule and column; about a whole file also what they say."""
    return finding.level, finding.rule, finding.column, finding.message if finding.line is None else ""


def _grouped(findings: Iterable[Finding]) -> dict[_Kind, list[Finding]]:
    """Findings of one kind together, in the order in which each kind first appears; a cell that several tables
    take is told once."""
    kinds: dict[_Kind, dict[tuple[str, int | None, str], Finding]] = {}
    for finding in findings:
        alike = kinds.setdefault(_kind(finding), {})
        alike.setdefault((finding.path, finding.line, finding.message), finding)
    return {kind: list(alike.values()) for kind, alike in kinds.items()}


def finding_text(finding: Finding) -> str:
    """One finding in one line: where, what was found and expected, what to do."""
    place = [printable(finding.path)]
    place += [f"line {finding.line}"] if finding.line is not None else []
    place += [finding.column] if finding.column else []
    warning = "warning: " if finding.level == "warning" else ""
    return f"{', '.join(place)}: {warning}{finding.message}. {finding.advice}".rstrip()


def printable(text: str) -> str:
    """A path on one line, whatever its characters do to a terminal."""
    return "".join(character if character.isprintable() else "?" for character in text)


def _total(result: CheckResult) -> str:
    read = sum(report.rows_read for report in result.files)
    good = sum(report.rows_accepted for report in result.files)
    to_mend = sum(report.rows_to_mend for report in result.files)
    repeated = sum(report.rows_repeated for report in result.files)
    warnings = sum(finding.level == "warning" for finding in result.findings)
    count = len({file_of(report.path) for report in result.files})
    files = f"{count} {'file' if count == 1 else 'files'}"
    files += f" ({len(result.files)} with each sheet counted)" if count < len(result.files) else ""
    files += f", {len(result.skipped)} not read" if result.skipped else ""
    refused = f", {len(result.refused)} refused" if result.refused else ""
    warned = f"{warnings:,} {'warning' if warnings == 1 else 'warnings'}"
    repeats = f", {_repeats(repeated)}" if repeated else ""
    if sum(report.rows_made for report in result.files) == read:
        return f"{files}{refused}: {read:,} rows, {good:,} good, {to_mend:,} kept out{repeats}, {warned}\n"
    kept = sum(table.rows_accepted for report in result.files for table in report.tables)
    lines = f"{read:,} lines, {good:,} good, {to_mend:,} with a row kept out{repeats}"
    return f"{files}{refused}: {lines}; good for {kept:,} rows of tables, {warned}\n"
