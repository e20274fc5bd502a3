"""What a check or a load found, on disk: pages read a leaf of it, however long it is."""

from __future__ import annotations

import csv
import io
import json
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from broodyear.desk.workplace import read_once, write_json
from broodyear.findings import Change, CheckResult, Finding, disagreements, mend_name

#: Findings on one leaf of the page.
LEAF = 100
#: Changed cells shown on the page; the file of all of them.
CHANGES_SHOWN = 10
CHANGES_FILE = "changes.csv"
_FIELDS = ("path", "line", "table", "column", "value", "level", "rule", "message", "advice")


@dataclass(frozen=True)
class FileFound:
    """One file of the book. number: its place; errors, warnings: findings; mend: name of the file with its
    rejected rows, None when there are none to mend; is_refused: it could not be read or recognised."""

    number: int
    path: str
    table: str | None
    rows_read: int
    rows_accepted: int
    rows_to_mend: int
    errors: int
    warnings: int
    notes: tuple[str, ...]
    mend: str | None
    is_refused: bool


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
    files = [
        {
            **report.as_dict(),
            "errors": counted[report.path, "error"],
            "warnings": counted[report.path, "warning"],
            "mend": mend.get(report.path),
            "is_refused": report.path in result.refused,
        }
        for report in result.files
    ]
    totals = _totals(result)
    skipped = [(one.path, one.reason) for one in result.skipped]
    content = {"files": files, "rules": rules, "entries": entries, "totals": totals, "skipped": skipped}
    content |= {"changes": _changes(folder, result.changes), "disagree": _disagree(result.findings)}
    write_json(folder / "book.json", {**content, "basket": list(basket)})
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
    from broodyear.formulas import guarded

    by_column = Counter(f"{change.table}: {change.column}" for change in changes)
    with (folder / CHANGES_FILE).open("w", encoding="utf-8", newline="") as out:
        out.write(_csv_line([field.name for field in fields(Change)]))
        for change in changes:
            cells = ("" if cell is None else str(cell) for cell in change.as_dict().values())
            out.write(_csv_line([guarded(cell) for cell in cells]))
    first = [change.as_dict() for change in changes[:CHANGES_SHOWN]]
    return {"cells": len(changes), "columns": list(by_column.items()), "first": first}


def _disagree(findings: Sequence[Finding]) -> list[dict[str, Any]]:
    return [
        {"path": pair.path, "table": pair.table, "sentence": pair.sentence,
         "examples": [one.message for one in pair.findings[:3]], "advice": pair.findings[0].advice}
        for pair in disagreements(findings)
    ]  # fmt: skip


def _totals(result: CheckResult) -> dict[str, int]:
    return {
        "files": len(result.files),
        "refused": len(result.refused),
        "rows_read": sum(report.rows_read for report in result.files),
        "rows_accepted": sum(report.rows_accepted for report in result.files),
        "rows_to_mend": sum(report.rows_to_mend for report in result.files),
        "errors": sum(finding.level == "error" for finding in result.findings),
        "warnings": sum(finding.level == "warning" for finding in result.findings),
    }


class Book:
    """A book that lies in ``folder``."""

    def __init__(self, folder: Path, content: dict[str, Any]) -> None:
        self._folder = folder
        # What keeps rows out comes first.
        self._entries: list[list[int]] = sorted(content["entries"], key=lambda entry: not entry[2])
        self.rules: list[str] = content["rules"]
        self.totals: dict[str, int] = content["totals"]
        #: What was met and not read, with the reason.
        self.skipped: list[tuple[str, str]] = [(path, reason) for path, reason in content["skipped"]]
        #: Changed cells of rows already there: how many (``cells``), by column (``columns``), the first ones.
        self.changes: dict[str, Any] = content["changes"]
        #: Files of this lot that say different things about the same row.
        self.disagree: list[dict[str, Any]] = content["disagree"]
        #: The numbers of the waiting files that it is about.
        self.basket: list[int] = content["basket"]
        self.files = [
            FileFound(
                number, file["path"], file["table"], file["rows_read"], file["rows_accepted"],
                file["rows_rejected"] - file["rows_repeated"], file["errors"], file["warnings"],
                tuple(file["notes"]), file["mend"], file["is_refused"],
            )
            for number, file in enumerate(content["files"])
        ]  # fmt: skip

    def rule_counts(self) -> list[tuple[str, bool, int]]:
        """Rule, whether it keeps rows out, and how often it was broken; errors first, the most frequent first."""
        counted = Counter((entry[1], entry[2]) for entry in self._entries)
        found = [(self.rules[rule], bool(is_error), count) for (rule, is_error), count in counted.items()]
        return sorted(found, key=lambda row: (not row[1], -row[2], row[0]))

    def count(self, sieve: Sieve) -> int:
        """How many findings pass the sieve."""
        return len(self._offsets(sieve))

    def leaf(self, sieve: Sieve, number: int) -> list[dict[str, Any]]:
        """The findings of leaf ``number`` (from 0) of those that pass the sieve."""
        return list(self._read(self._offsets(sieve)[number * LEAF : (number + 1) * LEAF]))

    def as_csv(self, sieve: Sieve) -> Iterator[str]:
        """The findings that pass the sieve as CSV, line by line; with formulas made harmless."""
        # The store and all it needs are loaded when the first table is saved, not by every page.
        from broodyear.formulas import guarded

        yield _csv_line(_FIELDS)
        for finding in self._read(self._offsets(sieve)):
            yield _csv_line([guarded("" if finding[name] is None else str(finding[name])) for name in _FIELDS])

    @property
    def changes_file(self) -> Path:
        """The table of all changed cells."""
        return self._folder / CHANGES_FILE

    def mend_file(self, number: int) -> Path | None:
        """The file with the rejected rows of file ``number``."""
        if not 0 <= number < len(self.files):
            return None
        name = self.files[number].mend
        return None if name is None else self._folder / "to_mend" / name

    def _offsets(self, sieve: Sieve) -> list[int]:
        rule = self.rules.index(sieve.rule) if sieve.rule in self.rules else None
        level = {"error": 1, "warning": 0}.get(sieve.level or "")
        return [
            offset
            for file, its_rule, is_error, offset in self._entries
            if (sieve.file is None or file == sieve.file)
            and (sieve.rule is None or its_rule == rule)
            and (level is None or is_error == level)
        ]

    def _read(self, offsets: Sequence[int]) -> Iterator[dict[str, Any]]:
        if not offsets:
            return
        with (self._folder / "findings.jsonl").open("rb") as lines:
            for offset in offsets:
                lines.seek(offset)
                yield json.loads(lines.readline())


def _csv_line(cells: Sequence[str]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerow(cells)
    return text.getvalue()


def read(folder: Path) -> Book | None:
    """The book in ``folder``; None when there is none, or none of this version."""
    book: Book | None = read_once(folder / "book.json", lambda content: Book(folder, content))
    return book
