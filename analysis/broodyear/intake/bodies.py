"""The rows of an upload, whatever it came as: a text with separators, or a sheet whose cells are known already;
and how it separates its cells, where its header stands, and which layout it is read by.

A row is a spreadsheet row: a cell with line breaks is still one row. A quote that is never closed spoils only
the line it stands on."""

from __future__ import annotations

import csv
import hashlib
import re
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import TextIO

from broodyear.errors import UnreadableFile
from broodyear.intake.decoding import LONGEST_CELL, SEPARATORS, Text, read_text
from broodyear.intake.recognise import find_header, header_score
from broodyear.intake.sources import Sheet, Source
from broodyear.layouts import Layout, fitting, header_position
from broodyear.layouts.model import column_letters

#: A quoted cell with more line breaks than this is taken for a quote that was never closed.
MOST_LINES_IN_A_CELL = 100


@dataclass(frozen=True)
class Row:
    """One spreadsheet row. line: its number; cells: as received; unclosed: a quote on it was never closed."""

    line: int
    cells: list[str]
    unclosed: bool = False


def read_rows(path: Path, separator: str) -> Iterator[Row]:
    """The rows of the UTF-8 text at ``path``; a blank line is a row without cells.

    Raises UnreadableFile (message, advice) for a cell beyond any reason.
    """
    csv.field_size_limit(LONGEST_CELL)
    with path.open(encoding="utf-8-sig", newline="") as text:
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


#: A header is looked for in this many first lines; loggers write some lines of their own before it.
LINES_SEARCHED = 60
#: A sheet of a year with a column a day has 366; a file of many times as many is no table.
MOST_COLUMNS = 2_000


@dataclass
class Body:
    """An upload whose rows can be gone through. text or sheet: what it is; sha256: of the bytes as they were sent;
    notes: what was done to read it."""

    sha256: str
    text: Text | None = None
    sheet: Sheet | None = None
    notes: list[str] = field(default_factory=list)

    def rows(self, separator: str) -> Iterator[Row]:
        """The rows from the first on; a blank line is a row without cells."""
        if self.text is not None:
            return read_rows(self.text.path, separator)
        assert self.sheet is not None
        return (Row(line, list(cells)) for line, cells in enumerate(self.sheet.rows, 1))

    def first_rows(self, separator: str) -> list[Row]:
        """The rows among which a header is looked for. Raises UnreadableFile for what is no table."""
        rows = list(islice(self.rows(separator), LINES_SEARCHED))
        for row in rows:
            if len(row.cells) > MOST_COLUMNS:
                raise UnreadableFile(
                    f"line {row.line} has {len(row.cells):,} cells; "
                    f"no table has more than {MOST_COLUMNS:,} columns",
                    "Send the columns of the table only.",
                )
        return rows

    def cell(self, separator: str, line: int, position: int) -> str:
        """The cell of a line (from 1) at a position (from 0), blank where there is none."""
        row = next((row for row in islice(self.rows(separator), line) if row.line == line), None)
        return row.cells[position].strip() if row is not None and position < len(row.cells) else ""


def read_body(source: Source, scratch: Path, number: int, may_link: bool) -> Body:
    """The upload that ``source`` means. Raises UnreadableFile (message, advice).

    may_link: the database reaches files outside ``scratch``.
    """
    if source.sheet is not None:
        assert source.path is not None
        with source.path.open("rb") as file:
            sha256 = hashlib.file_digest(file, "sha256").hexdigest()
        return Body(sha256, sheet=source.sheet, notes=list(source.sheet.notes))
    text = read_text(source, scratch, number, may_link=may_link)
    if not text.census.size:
        raise UnreadableFile("the file is empty", "Send the table with its header row.")
    if source.name.lower().endswith(".gz") and not text.was_packed:
        text.notes.append("the name says that it is compressed, and it is not; read as it is")
    return Body(text.sha256, text=text, notes=text.notes)


@dataclass(frozen=True)
class Dialect:
    """separator: between cells; header: the header's cells; header_line: its spreadsheet row;
    plain_start: no line break inside a cell stands above or in the header; layout: the one that fits."""

    separator: str
    header: tuple[str, ...]
    header_line: int
    plain_start: bool
    notes: tuple[str, ...] = field(default=())
    layout: Layout | None = None


def find_dialect(body: Body, source: Source, layouts: Sequence[Layout] = ()) -> Dialect:
    """Separator, header and layout of an upload.

    Raises UnreadableFile when there is no header, or when several layouts fit.
    """
    candidates = [(separator, body.first_rows(separator)) for separator in (SEPARATORS if body.text else ",")]
    # Without a layout, the separator that makes a row of most known names, and of most cells then.
    by_names = max(
        candidates,
        key=lambda one: max(((header_score(row.cells), len(row.cells)) for row in one[1]), default=(0, 0)),
    )
    layout, separator, rows = _by_layout(candidates, source, layouts) or (None, *by_names)
    cells = [row.cells for row in rows]
    position = find_header(cells) if layout is None else header_position(layout, cells)
    assert position is not None
    notes = []
    if separator != ",":
        notes.append(f"cells are separated by {SEPARATORS[separator]}")
    if position:
        notes.append(f"{position} {'line' if position == 1 else 'lines'} before the header left out")
    line, header = rows[position].line, tuple(rows[position].cells)
    if body.sheet is not None:
        header = named_where_filled(header, body.sheet, line)
    plain = body.text is not None and not any(
        "\n" in cell or "\r" in cell for row in cells[: position + 1] for cell in row
    )
    return Dialect(separator, header, line, plain, tuple(notes), layout)


Candidate = tuple[str, list[Row]]


def _by_layout(
    candidates: Sequence[Candidate], source: Source, layouts: Sequence[Layout]
) -> tuple[Layout, str, list[Row]] | None:
    """The layout that fits, with the separator under which it does; None when none fits."""
    sheet = source.sheet.name if source.sheet else None
    for separator, rows in sorted(
        candidates, key=lambda candidate: -max((len(r.cells) for r in candidate[1]), default=0)
    ):
        found = fitting(layouts, source.name, sheet, [row.cells for row in rows])
        if len(found) > 1:
            named = " and ".join(f'"{layout.name}"' for layout in found)
            raise UnreadableFile(
                f"several layouts fit it: {named}",
                "Tell them apart by files, by sheet, or by more headings in header.",
            )
        if found:
            return found[0], separator, rows
    return None


def named_where_filled(header: Sequence[str], sheet: Sheet, line: int) -> tuple[str, ...]:
    """The header of a sheet, with the column's letter where a column without heading holds something."""
    below = sheet.rows[line:]
    width = max((len(row) for row in below), default=0)
    cells = [*header, *[""] * (width - len(header))]
    filled = {position for row in below for position, cell in enumerate(row) if cell.strip()}
    return tuple(
        f"column {column_letters(position)}" if not cell.strip() and position in filled else cell
        for position, cell in enumerate(cells)
    )
