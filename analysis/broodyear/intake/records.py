"""Rows of a text that needs a real CSV reader: quotes, line breaks inside cells, other line ends.

A row is a spreadsheet row: a cell with line breaks is still one row. A quote that is never closed spoils only
the line it stands on.
"""

from __future__ import annotations

import csv
import re
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

from broodyear.errors import UnreadableFile

SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}
#: No cell of these tables is anywhere near this long; a file with a longer one is refused.
LONGEST_CELL = 1_000_000
#: A quoted cell with more line breaks than this is taken for a quote that was never closed.
MOST_LINES_IN_A_CELL = 100


@dataclass(frozen=True)
class Row:
    """One spreadsheet row. line: its number; cells: as received; unclosed: a quote on it was never closed."""

    line: int
    cells: list[str]
    unclosed: bool = False


def read_rows(place: Path, separator: str) -> Iterator[Row]:
    """The rows of the UTF-8 text at ``place``; a blank line is a row without cells.

    Raises UnreadableFile (message, advice) for a cell beyond any reason.
    """
    csv.field_size_limit(LONGEST_CELL)
    with place.open(encoding="utf-8-sig", newline="") as text:
        lines = _Lines(text)
        number = 1
        while (line := lines.take(number)) is not None:
            if '"' not in line:
                yield Row(number, _plain_cells(line, separator))
            else:
                yield _quoted_row(line, lines, separator, number)
            number += 1


def _plain_cells(line: str, separator: str) -> list[str]:
    body = line.rstrip("\r\n")
    return body.split(separator) if body else []


def _quoted_row(line: str, lines: _Lines, separator: str, number: int) -> Row:
    taken, is_closed = [line], True

    def feed() -> Iterator[str]:
        """The lines that the row may take."""
        nonlocal is_closed
        yield line
        while len(taken) <= MOST_LINES_IN_A_CELL and (more := lines.take(number)) is not None:
            taken.append(more)
            yield more
        is_closed = False

    # Only where blanks stand before a quote: elsewhere they belong to the cell as it was received.
    skips = re.search(rf'(^|{re.escape(separator)}) +"', line) is not None
    try:
        cells = next(csv.reader(feed(), delimiter=separator, skipinitialspace=skips))
    except csv.Error:
        raise too_long(number) from None
    if is_closed:
        return Row(number, cells)
    lines.give_back(taken[1:])
    return Row(number, _plain_cells(line, separator), unclosed=True)


def too_long(line: int) -> UnreadableFile:
    """The refusal of a file that holds a cell of absurd length."""
    return UnreadableFile(
        f"line {line} holds a cell of more than {LONGEST_CELL:,} characters",
        "No cell of these tables is that long; look for a missing line break or quote there.",
    )


class _Lines:
    """The lines of a text one by one, with some given back."""

    def __init__(self, text: TextIO) -> None:
        self._text = text
        self._back: deque[str] = deque()

    def take(self, row: int) -> str | None:
        """The next line with its line end, None at the end of the text. row: the spreadsheet row it belongs to."""
        if self._back:
            return self._back.popleft()
        line = self._text.readline(LONGEST_CELL + 1)
        if len(line) > LONGEST_CELL:
            raise too_long(row)
        return line or None

    def give_back(self, lines: list[str]) -> None:
        """Put lines back, to be taken again in the same order."""
        self._back.extendleft(reversed(lines))
