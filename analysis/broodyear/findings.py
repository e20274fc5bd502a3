"""What a check found, as data first; text, CSV and JSON are made from these records."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Literal

from broodyear.errors import EXIT_DONE, EXIT_FILE_UNREADABLE, EXIT_ROWS_HAVE_ERRORS

Level = Literal["error", "warning"]


@dataclass(frozen=True)
class Finding:
    """One thing found in the records.

    path: file as given; line: spreadsheet row (the header of a plain file is line 1), None for a whole file;
    table, column, value: what it concerns, None where it concerns more than one cell;
    level: "error" keeps the row out, "warning" lets it in; rule: short stable name;
    message: what was found and what was expected; advice: what to do.
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

    def as_dict(self) -> dict[str, Any]:
        """The finding with the field names of the JSON output."""
        return asdict(self)


@dataclass(frozen=True)
class FileReport:
    """What became of one file: rows_read = rows_accepted + rows_rejected, always."""

    path: str
    table: str | None
    lines_read: int
    rows_read: int
    rows_accepted: int
    rows_rejected: int
    notes: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """The report with the field names of the JSON output."""
        return {**asdict(self), "notes": list(self.notes)}


@dataclass(frozen=True)
class CheckResult:
    """Result of checking or loading: a report per file and every finding, in file and line order.

    refused: paths of files that could not be read or recognised.
    """

    files: tuple[FileReport, ...]
    findings: tuple[Finding, ...]
    refused: tuple[str, ...] = ()

    @property
    def exit_code(self) -> int:
        """11 when any file was refused, else 10 when any row has an error, else 0."""
        if self.refused:
            return EXIT_FILE_UNREADABLE
        if any(finding.level == "error" for finding in self.findings):
            return EXIT_ROWS_HAVE_ERRORS
        return EXIT_DONE
