"""The result of a check as text for people, as CSV, and as the JSON object that scripts read."""

from __future__ import annotations

import csv
import io
import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict

from broodyear.errors import UsageError
from broodyear.findings import Change, CheckResult, Disagreement, FileReport, Finding, disagreements, file_of
from broodyear.formulas import guarded

#: So many findings alike are written out; the others are counted.
SHOWN_OF_A_KIND = 3
#: So many entries for layouts.toml are written out for findings that are not.
SHOWN_ENTRIES = 100
#: So many changes are written out.
SHOWN_CHANGES = 10
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
    """A paragraph per file: its rows, what was done to read it, and its findings, those alike grouped."""
    parts = [_file_text(report, _findings_of(report, result.findings)) for report in result.files]
    skipped = [f"{printable(one.path)}: not read; {one.reason}\n" for one in result.skipped]
    changed = [_changes_text(result.changes)] if result.changes else []
    return "\n".join([*parts, *(["".join(skipped)] if skipped else []), *changed, _total(result)])


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


def _findings_of(report: FileReport, findings: Sequence[Finding]) -> list[Finding]:
    return [finding for finding in findings if finding.path == report.path]


def _file_text(report: FileReport, findings: list[Finding]) -> str:
    lines = [_headline(report, findings)]
    lines += [f"  note: {note}" for note in report.notes]
    for pair in disagreements(findings):
        lines += _disagreement_lines(pair)
    for alike in _grouped([finding for finding in findings if finding.other_path is None]):
        lines += [f"  {finding_text(finding)}" for finding in alike[:SHOWN_OF_A_KIND]]
        more = len(alike) - SHOWN_OF_A_KIND
        if more > 0:
            lines.append(f"    … and {more:,} more {'row' if more == 1 else 'rows'} like this")
            lines += _other_entries(alike)
    return "\n".join(lines) + "\n"


def _other_entries(alike: list[Finding]) -> list[str]:
    """What findings that are not written out say to put into layouts.toml, each entry once."""
    entries = [finding.advice.partition("\n")[2] for finding in alike]
    shown = entries[:SHOWN_OF_A_KIND]
    others = [one for one in dict.fromkeys(entries[SHOWN_OF_A_KIND:]) if one and one not in shown]
    return ["    the entries in layouts.toml for these:", *others[:SHOWN_ENTRIES]] if others else []


def _disagreement_lines(pair: Disagreement) -> list[str]:
    """One line about two files, and the first cells in which they disagree."""
    shown = pair.findings[:SHOWN_OF_A_KIND]
    lines = [f"  {printable(pair.path)}, {pair.table}: warning: {printable(pair.sentence)}. {shown[0].advice}"]
    lines += [f"    line {finding.line}: {printable(finding.message)}" for finding in shown]
    more = len(pair.findings) - SHOWN_OF_A_KIND
    return [*lines, f"    … and {more:,} more"] if more > 0 else lines


def _headline(report: FileReport, findings: list[Finding]) -> str:
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


def _grouped(findings: list[Finding]) -> list[list[Finding]]:
    """Findings of one rule and column together, in the order in which each kind first appears; a cell that several
    tables take is told once."""
    kinds: dict[tuple[str, str, str | None], dict[tuple[int | None, str], Finding]] = {}
    for finding in findings:
        alike = kinds.setdefault((finding.level, finding.rule, finding.column), {})
        alike.setdefault((finding.line, finding.message), finding)
    return [list(alike.values()) for alike in kinds.values()]


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
