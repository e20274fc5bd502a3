"""What a check or a load found, on disk: pages read a leaf of it, however long it is."""

from __future__ import annotations

import csv
import io
import json
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from broodyear.desk.workplace import read_once, write_json
from broodyear.findings import Change, CheckResult, Finding, disagreements, mend_name
from broodyear.formulas import guarded

#: Findings on one leaf of the page.
LEAF = 100
#: Changed cells shown on the page; the file of all of them.
CHANGES_SHOWN = 10
CHANGES_FILE = "changes.csv"
#: What the table of findings has of each.
_FIELDS = Finding._fields[: Finding._fields.index("advice") + 1]


@dataclass(frozen=True)
class Sieve:
    """Which findings are wanted: of file number, of a rule, of a level; None means all."""

    file: int | None = None
    rule: str | None = None
    level: str | None = None


def write(folder: Path, result: CheckResult, basket: Sequence[int] = ()) -> dict[str, int]:
    """Write the book of ``result`` into ``folder``, in whose part ``to_mend`` the rejected rows lie; totals.

    basket: the numbers of the waiting files that it is about.
    """
    from broodyear.intake.recognise import IN_A_LAYOUT

    numbers = {report.path: number for number, report in enumerate(result.files)}
    rules = sorted({finding.rule for finding in result.findings})
    entries: list[tuple[int, int, int, int]] = []
    counted: Counter[tuple[str, str]] = Counter()
    with (folder / "findings.jsonl").open("wb") as out:
        for finding in result.findings:
            is_error = finding.level == "error"
            entries.append((numbers.get(finding.path, -1), rules.index(finding.rule), int(is_error), out.tell()))
            counted[finding.path, finding.level] += 1
            out.write(json.dumps(finding.as_dict(), ensure_ascii=False).encode() + b"\n")
    mend = _mend_files(folder, result)
    explainable = {finding.path for finding in result.findings if IN_A_LAYOUT in (finding.advice or "")}
    files = [
        {
            **report.as_dict(), "number": number, "rows_to_mend": report.rows_to_mend,
            "errors": counted[report.path, "error"], "warnings": counted[report.path, "warning"],
            "mend": mend.get(report.path), "is_refused": report.path in result.refused,
            "is_explainable": report.path in explainable,
        }
        for number, report in enumerate(result.files)
    ]  # fmt: skip
    levels = Counter(finding.level for finding in result.findings)
    totals = {
        "files": len(files), "refused": len(result.refused),
        **{name: sum(file[name] for file in files) for name in ("rows_read", "rows_accepted", "rows_to_mend")},
        "errors": levels["error"], "warnings": levels["warning"],
    }  # fmt: skip
    content = {
        "files": files, "rules": rules, "totals": totals,
        "entries": sorted(entries, key=lambda entry: not entry[2]),
        "skipped": [(one.path, one.reason) for one in result.skipped], "basket": list(basket),
        "changes": _changes(folder, result.changes), "disagree": _disagree(result.findings),
    }  # fmt: skip
    write_json(folder / "book.json", content)
    return totals


def _mend_files(folder: Path, result: CheckResult) -> dict[str, str]:
    """Path -> name of the file with its rejected rows: one for each file in which a line has an error."""
    troubled = {
        finding.path for finding in result.findings if finding.level == "error" and finding.line is not None
    }
    named: dict[str, str] = {}
    for report in result.files:
        if report.path in troubled:
            named[report.path] = mend_name(report.path, list(named.values()))
    return {path: name for path, name in named.items() if (folder / "to_mend" / name).is_file()}


def _changes(folder: Path, changes: Sequence[Change]) -> dict[str, Any]:
    """How many cells of rows already there change, by column, and the first of them; all go into a table."""
    by_column = Counter(f"{change.table}: {change.column}" for change in changes)
    with (folder / CHANGES_FILE).open("w", encoding="utf-8", newline="") as out:
        out.write(_csv_line([field.name for field in fields(Change)]))
        for change in changes:
            out.write(_csv_line(change.as_dict().values()))
    first = [change.as_dict() for change in changes[:CHANGES_SHOWN]]
    return {"cells": len(changes), "columns": list(by_column.items()), "first": first}


def _disagree(findings: Sequence[Finding]) -> list[dict[str, Any]]:
    return [
        {"path": pair.path, "table": pair.table, "sentence": pair.sentence,
         "examples": [one.message for one in pair.findings[:3]], "advice": pair.findings[0].advice}
        for pair in disagreements(findings)
    ]  # fmt: skip


@dataclass(frozen=True)
class Book:
    """A book that lies in ``folder``.

    files: of the lot, each as its FileReport, with its ``number``, its ``errors`` and ``warnings``, the name of
    the file of its rows to ``mend`` (None without any), and whether it could not be read (``is_refused``);
    rules: that were broken; entries: per finding its file, its rule, whether it is an error, and where its line
    begins, errors first; skipped: what was met and not read, with the reason; changes: of rows already there, how
    many ``cells``, by column (``columns``), the ``first`` ones; disagree: files of this lot that say different
    things about the same row; basket: the numbers of the waiting files that it is about.
    """

    folder: Path
    files: list[dict[str, Any]]
    rules: list[str]
    entries: list[list[int]]
    totals: dict[str, int]
    skipped: list[tuple[str, str]]
    changes: dict[str, Any]
    disagree: list[dict[str, Any]]
    basket: list[int]

    def rule_counts(self) -> list[tuple[str, bool, int]]:
        """Rule, whether it keeps rows out, and how often it was broken; errors first, the most frequent first."""
        counted = Counter((entry[1], entry[2]) for entry in self.entries)
        found = [(self.rules[rule], bool(is_error), count) for (rule, is_error), count in counted.items()]
        return sorted(found, key=lambda row: (not row[1], -row[2], row[0]))

    def count(self, sieve: Sieve) -> int:
        """How many findings pass the sieve."""
        return len(self._offsets(sieve))

    def leaf(self, sieve: Sieve, number: int) -> list[dict[str, Any]]:
        """The findings of leaf ``number`` (from 0) of those that pass the sieve."""
        return list(self._read(self._offsets(sieve)[number * LEAF : (number + 1) * LEAF]))

    def values(self, sieve: Sieve) -> set[str]:
        """The different values that the findings which pass the sieve are about."""
        return {finding["value"] for finding in self._read(self._offsets(sieve))}

    def as_csv(self, sieve: Sieve) -> Iterator[str]:
        """The findings that pass the sieve as CSV, line by line; with formulas made harmless."""
        yield _csv_line(_FIELDS)
        for finding in self._read(self._offsets(sieve)):
            yield _csv_line(finding[name] for name in _FIELDS)

    @property
    def changes_file(self) -> Path:
        """The table of all changed cells."""
        return self.folder / CHANGES_FILE

    def mend_file(self, number: int) -> Path | None:
        """The file with the rejected rows of file ``number``."""
        if not 0 <= number < len(self.files):
            return None
        name = self.files[number]["mend"]
        return None if name is None else self.folder / "to_mend" / name

    def _offsets(self, sieve: Sieve) -> list[int]:
        rule = self.rules.index(sieve.rule) if sieve.rule in self.rules else None
        level = {"error": 1, "warning": 0}.get(sieve.level or "")
        return [
            offset
            for file, its_rule, is_error, offset in self.entries
            if (sieve.file is None or file == sieve.file)
            and (sieve.rule is None or its_rule == rule)
            and (level is None or is_error == level)
        ]

    def _read(self, offsets: Sequence[int]) -> Iterator[dict[str, Any]]:
        if not offsets:
            return
        with (self.folder / "findings.jsonl").open("rb") as lines:
            for offset in offsets:
                lines.seek(offset)
                yield json.loads(lines.readline())


def _csv_line(cells: Iterable[Any]) -> str:
    text = io.StringIO()
    safe = [guarded("" if cell is None else str(cell)) for cell in cells]
    csv.writer(text, lineterminator="\n").writerow(safe)
    return text.getvalue()


def read(folder: Path) -> Book | None:
    """The book in ``folder``; None when there is none, or none of this version."""
    book: Book | None = read_once(folder / "book.json", lambda content: Book(folder, **content))
    return book
