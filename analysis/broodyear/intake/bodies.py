"""The rows of an upload, whatever it came as: a text with separators, or a sheet whose cells are known already."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path

from broodyear.errors import UnreadableFile
from broodyear.intake.decoding import Text, read_text
from broodyear.intake.records import Row, read_rows
from broodyear.intake.sources import Sheet, Source

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
            return read_rows(self.text.place, separator)
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

    def cell(self, separator: str, line: int, place: int) -> str:
        """The cell of a line (from 1) at a position (from 0), blank where there is none."""
        row = next((row for row in islice(self.rows(separator), line) if row.line == line), None)
        return row.cells[place].strip() if row is not None and place < len(row.cells) else ""


def read_body(source: Source, scratch: Path, number: int, may_link: bool) -> Body:
    """The upload that ``source`` means. Raises UnreadableFile (message, advice).

    may_link: the database reaches files outside ``scratch``.
    """
    if source.sheet is not None:
        assert source.place is not None
        with source.place.open("rb") as file:
            sha256 = hashlib.file_digest(file, "sha256").hexdigest()
        return Body(sha256, sheet=source.sheet, notes=list(source.sheet.notes))
    text = read_text(source, scratch, number, may_link=may_link)
    if not text.census.size:
        raise UnreadableFile("the file is empty", "Send the table with its header row.")
    if source.name.lower().endswith(".gz") and not text.was_packed:
        text.notes.append("the name says that it is compressed, and it is not; read as it is")
    return Body(text.sha256, text=text, notes=text.notes)
