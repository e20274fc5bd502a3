"""What was done to the cells of a file, and where an export came from: said once per file."""

from __future__ import annotations

import csv
import re
from pathlib import Path, PurePath

from broodyear.findings import counted, first_of
from broodyear.intake.bodies import Dialect
from broodyear.intake.decoding import Census, Text
from broodyear.store.export import DESCRIPTOR

#: Of a larger file the beginning and the end are looked at: whoever writes one cell so writes them all so.
LOOKED_AT = 500_000


def uses_decimal_commas(path: Path, census: Census, dialect: Dialect) -> bool:
    """Whether some number of the file is written with a decimal comma; never where commas separate cells."""
    if dialect.separator == "," or not census.separators[","]:
        return False
    start, end = _edges(dialect)
    looks_so = re.compile(start + rb"[+-]?[0-9]+,[0-9]+" + end, re.MULTILINE)
    if looks_so.search(_sample(path, census.size)):
        return True
    with path.open("rb") as file:
        while piece := file.read(LOOKED_AT):
            if looks_so.search(piece + file.readline()):
                return True
    return False


def _edges(dialect: Dialect) -> tuple[bytes, bytes]:
    """What stands before and after a cell, as regular expressions."""
    separator = re.escape(dialect.separator.encode())
    return rb"(?:" + separator + rb'|^|\r)[ ]*"?', rb'"?[ ]*(?:' + separator + rb"|[\r\n]|\Z)"


def cell_notes(text: Text, dialect: Dialect, decimal_comma: bool) -> list[str]:
    """Notes on decimal commas, zones and guarding apostrophes in a text."""
    census = text.census
    sample = _sample(text.path, census.size)
    start, end = _edges(dialect)
    notes = []
    if decimal_comma:
        notes.append("decimal commas were read as points")
    if re.search(rb"[0-9][Tt ][0-9]{2}:[0-9:.,]{2,} ?(?:[Zz]|[+-][0-9]{2}(?::?[0-9]{2})?)" + end, sample):
        notes.append("time zones were left off; times are kept as the local times written")
    if census.has_apostrophe and re.search(start + rb"'[=+@\t-]", sample, re.MULTILINE):
        notes.append("apostrophes that guard formula text were taken off")
    if census.trailing_blank:
        notes.append("blank lines at the end were left out")
    return notes


def _sample(path: Path, size: int) -> bytes:
    with path.open("rb") as file:
        if size <= 2 * LOOKED_AT:
            return file.read()
        beginning = file.read(LOOKED_AT)
        file.seek(-LOOKED_AT, 2)
        return beginning + b"\n" + file.read()


def short_rows(path: Path, census: Census, dialect: Dialect, width: int) -> int:
    """How many rows of a plain file lack cells, told by their separators; 0 for a file too large to go over.

    Only for files without quotes, whose every line is a row.
    """
    if census.size > LOOKED_AT or census.has_quote:
        return 0
    separator = dialect.separator.encode()
    lines = path.read_bytes().split(b"\n")[dialect.header_line :]
    return sum(line.count(separator) < width - 1 for line in lines if line.strip())


def cut_off_line(path: Path, census: Census, dialect: Dialect, width: int) -> bool:
    """Whether the text ends in the middle of a line: no line break at its end, and fewer cells than the header."""
    if not census.ends_open or census.lines <= dialect.header_line:
        return False
    with path.open("rb") as file:
        file.seek(max(census.size - LOOKED_AT, 0))
        last = file.read().rsplit(b"\n", 1)[-1]
    return b'"' not in last and bool(last.strip()) and last.count(dialect.separator.encode()) < width - 1


#: So many uploads are named in a note.
MOST_NAMED = 10


def note_of_export(file: Path | None, table: str) -> str | None:
    """The uploads whose rows the file at ``file`` holds, as a note; None when it is no part of an export."""
    if file is None or file.name != f"{table}.csv" or not (file.parent / DESCRIPTOR).is_file():
        return None
    try:
        with (file.parent / "history" / "uploads.csv").open(encoding="utf-8", newline="") as ledger:
            stand = (row for row in csv.DictReader(ledger) if row["withdrawn"] == "false")
            given = [row for row in stand if row["rows_accepted"] != "0"]
            paths = [row["path"] for row in given if table in row["table_name"].split("+")]
    except (OSError, UnicodeDecodeError, csv.Error, KeyError):
        return None  # an export that lost its history is read as any other file
    if not paths:
        return None
    names = [PurePath(path.replace("\\", "/")).name for path in paths]
    return f"an export; it holds the rows of {counted(len(names), 'upload')}: {first_of(names, MOST_NAMED)}"
