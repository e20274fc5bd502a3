"""Single rows of a file by their line, to show them again as they were received."""

from __future__ import annotations

from collections.abc import Set
from pathlib import Path

from broodyear.intake.records import read_rows


def pick_rows(place: Path, separator: str, lines: Set[int]) -> dict[int, list[str]]:
    """The cells of the rows at ``lines`` (spreadsheet rows), as received."""
    picked: dict[int, list[str]] = {}
    last = max(lines, default=0)
    for row in read_rows(place, separator):
        if row.line in lines:
            picked[row.line] = row.cells
        if row.line >= last:
            break
    return picked
