"""How a file separates its cells, and where its header stands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path

from broodyear.errors import UnreadableFile
from broodyear.intake.recognise import LINES_SEARCHED, find_header, header_score
from broodyear.intake.records import read_rows

#: A sheet of a year with a column a day has 366; a file of many times as many is no table.
MOST_COLUMNS = 2_000

SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}


@dataclass(frozen=True)
class Dialect:
    """separator: between cells; header: the header's cells; header_line: its spreadsheet row;
    plain_start: no line break inside a cell stands above or in the header."""

    separator: str
    header: tuple[str, ...]
    header_line: int
    plain_start: bool
    notes: tuple[str, ...] = field(default=())


def find_dialect(place: Path) -> Dialect:
    """Separator and header of the UTF-8 text at ``place``. Raises UnreadableFile when there is no header."""
    candidates = [(separator, _first_rows(place, separator)) for separator in SEPARATORS]
    separator, rows = max(candidates, key=lambda candidate: _score(candidate[1]))
    position = find_header([cells for _, cells in rows])
    notes = []
    if separator != ",":
        notes.append(f"cells are separated by {SEPARATORS[separator]}")
    if position:
        notes.append(f"{position} {'line' if position == 1 else 'lines'} before the header left out")
    line, header = rows[position]
    plain = not any("\n" in cell or "\r" in cell for _, cells in rows[: position + 1] for cell in cells)
    return Dialect(separator, tuple(header), line, plain, tuple(notes))


def _first_rows(place: Path, separator: str) -> list[tuple[int, list[str]]]:
    rows = []
    for row in islice(read_rows(place, separator), LINES_SEARCHED):
        if len(row.cells) > MOST_COLUMNS:
            raise UnreadableFile(
                f"line {row.line} has {len(row.cells):,} cells; no table has more than {MOST_COLUMNS:,} columns",
                "Send the columns of the table only.",
            )
        rows.append((row.line, row.cells))
    return rows


def _score(rows: Sequence[tuple[int, list[str]]]) -> tuple[int, int]:
    """Known column names in the best row, then the number of its cells."""
    return max(((header_score(cells), len(cells)) for _, cells in rows), default=(0, 0))
