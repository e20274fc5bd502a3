"""What a check found, as data first; text, CSV and JSON are made from these records."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal, NamedTuple

from broodyear.errors import EXIT_DONE, EXIT_FILE_UNREADABLE, EXIT_ROWS_HAVE_ERRORS

Level = Literal["error", "warning"]


class Finding(NamedTuple):
    """One thing found in the records. A named tuple, because a large file may have a hundred thousand.

    path: file as given; line: spreadsheet row (the header of a plain file is line 1), None for a whole file;
    table, column, value: what it concerns, None where it concerns more than one cell;
    level: "error" keeps the row out, "warning" lets it in; rule: short stable name;
    message: what was found and what was expected; advice: what to do, and after a line break what to write into
    layouts.toml for it;
    source_column: heading of the cell in a file of another shape, None where the file has the table's columns;
    other_path: the file that says something else, where two of one load disagree.
    """

    path: str
    line: int | None
    table: str | None
    column: str | None
    value: str | None
    level: Level
    rule: str
    message: str
    advice: str
    source_column: str | None = None
    other_path: str | None = None

    def as_dict(self) -> dict[str, Any]:
        """The finding with the field names of the JSON output."""
        return self._asdict()


@dataclass(frozen=True)
class TableCount:
    """What one file gave to one table: rows_made = rows_accepted + rows_rejected, always."""

    table: str
    rows_made: int
    rows_accepted: int
    rows_rejected: int

    @property
    def rows(self) -> tuple[int, int, int]:
        """Rows made, accepted and rejected."""
        return self.rows_made, self.rows_accepted, self.rows_rejected


@dataclass(frozen=True)
class Change:
    """One cell of a row that was there before and is another now. key: the values that tell the row apart, with
    commas; old, new: as text, None for a blank; path, line: where the new one stands."""

    table: str
    key: str
    column: str
    old: str | None
    new: str | None
    path: str
    line: int

    def as_dict(self) -> dict[str, Any]:
        """The change with the field names of the JSON output."""
        return asdict(self)


@dataclass(frozen=True)
class FileReport:
    """What became of one upload: rows_read = rows_accepted + rows_rejected, always.

    table: where several are fed, their names joined by ``+``; rows: those of the source, of which one may give
    several rows or none; tables: what each table got; rows_repeated: how many of the rejected need nothing, each
    an exact repeat of a row that was taken.
    """

    path: str
    table: str | None
    lines_read: int
    rows_read: int
    rows_accepted: int
    rows_rejected: int
    notes: tuple[str, ...] = ()
    tables: tuple[TableCount, ...] = ()
    rows_repeated: int = 0

    @property
    def rows_to_mend(self) -> int:
        """Rejected rows that are to be put right."""
        return self.rows_rejected - self.rows_repeated

    @property
    def rows_made(self) -> int:
        """Rows of tables that its lines gave."""
        return sum(table.rows_made for table in self.tables)

    def as_dict(self) -> dict[str, Any]:
        """The report with the field names of the JSON output."""
        return {**asdict(self), "notes": list(self.notes), "tables": [asdict(table) for table in self.tables]}


def counted(number: int, noun: str) -> str:
    """The number with its noun: "1 reading", "2 readings"; in thousands with a comma."""
    return f"{number:,} {noun}" if number == 1 else f"{number:,} {noun}s"


def first_of(texts: Sequence[str], most: int, between: str = ", ") -> str:
    """The first few of some texts as a list, and how many more there are."""
    more = f" and {len(texts) - most:,} more" if len(texts) > most else ""
    return between.join(texts[:most]) + more


def file_of(path: str) -> str:
    """The file of an upload as it is shown: of a sheet, its workbook."""
    return re.sub(r"(?i)(\.(?:xlsx|xlsm|xls|ods))#.*", r"\1", path)


def mend_name(path: str, taken: Collection[str] = ()) -> str:
    """The name of the copy of a file's rejected rows: made of the file's own so that it leads nowhere else, with a
    number where that is ``taken``."""
    stem = re.sub(r"(?i)\.(csv|tsv|txt)(\.gz)?$", "", re.split(r"[\\/]", path)[-1])
    stem = re.sub(r"[^\w\-]+", "_", stem).strip("_")[:80] or "standard_input"
    name, number = f"{stem}.csv", 1
    while name in taken:
        number += 1
        name = f"{stem}_{number}.csv"
    return name


@dataclass(frozen=True)
class Disagreement:
    """What two files of one load say differently in one table. cells: how many by column; findings: all."""

    path: str
    other_path: str
    table: str
    cells: tuple[tuple[str, int], ...]
    findings: tuple[Finding, ...]

    @property
    def sentence(self) -> str:
        """How many cells differ, and from which file."""
        count = "1 cell says" if len(self.findings) == 1 else f"{len(self.findings):,} cells say"
        columns = ", ".join(f"{column} {count:,}" for column, count in self.cells)
        return f"{count} something else than {self.other_path} ({columns})"


def disagreements(findings: Iterable[Finding]) -> list[Disagreement]:
    """The findings about files that disagree, by pair of files and table, in the order in which each comes."""
    pairs: dict[tuple[str, str, str], list[Finding]] = {}
    for one in findings:
        if one.other_path is not None and one.table is not None:
            pairs.setdefault((one.path, one.other_path, one.table), []).append(one)
    return [
        Disagreement(*pair, tuple(Counter(str(one.column) for one in alike).items()), tuple(alike))
        for pair, alike in pairs.items()
    ]


@dataclass(frozen=True)
class Skipped:
    """Something met in a search that was not read, and why. It does not change the exit code."""

    path: str
    reason: str


@dataclass(frozen=True)
class CheckResult:
    """Result of checking or loading: a report per file and every finding, in file and line order.

    refused: paths of files that could not be read or recognised; skipped: what was met and not read;
    changes: cells of rows that were there already.
    """

    files: tuple[FileReport, ...]
    findings: tuple[Finding, ...]
    refused: tuple[str, ...] = ()
    skipped: tuple[Skipped, ...] = ()
    changes: tuple[Change, ...] = ()

    @property
    def exit_code(self) -> int:
        """11 when any file was refused, else 10 when any row has an error, else 0."""
        if self.refused:
            return EXIT_FILE_UNREADABLE
        if any(finding.level == "error" for finding in self.findings):
            return EXIT_ROWS_HAVE_ERRORS
        return EXIT_DONE
