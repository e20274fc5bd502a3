"""The sheets of a workbook, each an upload of its own, with the cells as text that keeps what they are.

The reader gives an error, and a formula that was never worked out, as a blank cell. A blank is a statement
("not recorded"), so these cells are looked up in the sheet's own text and given their name."""

from __future__ import annotations

import datetime as dt
import posixpath
import re
import zipfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from xml.etree import ElementTree
from xml.parsers import expat

import python_calamine as calamine

from broodyear.errors import UnreadableFile
from broodyear.findings import first_of
from broodyear.intake.sources.archives import ARCHIVE, Allowance, begins_with, open_archive
from broodyear.layouts.model import cell_place, column_letters

_ENDINGS = (".xlsx", ".xlsm", ".xls", ".ods")
_OLD = b"\xd0\xcf\x11\xe0"
#: Rows and columns that a note lists one by one.
_LISTED = 8


@dataclass(frozen=True)
class Sheet:
    """One sheet of a workbook. rows: the cells of each spreadsheet row from the first on, as text: dates year
    first, numbers with a point, errors by their name; notes: what a reader of the file should know."""

    name: str
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...] = ()


def is_workbook(place: Path, name: str) -> bool:
    """Whether a file is a workbook, by its ending and its first bytes."""
    return name.lower().endswith(_ENDINGS) and begins_with(place, *ARCHIVE, _OLD)


def _marks(place: Path) -> dict[str, Marks]:
    if begins_with(place, _OLD):
        return {}
    allowance = Allowance(place)
    with open_archive(place) as archive:
        allowance.use(sum(member.file_size for member in archive.infolist()))
        return sheet_marks(archive)


def sheets_of(place: Path) -> Iterator[tuple[Sheet, str | None]]:
    """Each sheet of a workbook, and why it is not read when it is not. Raises UnreadableFile when the workbook is
    broken or locked, or unpacks to absurd size."""
    marks = _marks(place)
    for described, sheet in _opened(place):
        if described.typ != calamine.SheetTypeEnum.WorkSheet:
            yield Sheet(described.name, ()), "not a sheet of cells (a chart or a macro)"
            continue
        noticed = marks.get(described.name, Marks())
        rows = _rows(sheet, noticed)
        notes = [*_notes(described, sheet, noticed)]
        if begins_with(place, _OLD):
            notes.append(
                "cells with an error such as #REF! cannot be told from blank ones in a workbook of this kind"
            )
        yield Sheet(described.name, rows, tuple(notes)), None if rows else "the sheet is empty"


def _opened(place: Path) -> Iterator[tuple[calamine.SheetMetadata, calamine.CalamineSheet]]:
    try:
        with place.open("rb") as file:
            workbook = calamine.CalamineWorkbook.from_filelike(file)
            for described in workbook.sheets_metadata:
                yield described, workbook.get_sheet_by_name(described.name)
    except calamine.PasswordError:
        raise UnreadableFile(
            "the workbook is locked with a password", "Save it without one and send that."
        ) from None
    except (calamine.CalamineError, OSError, ValueError):
        raise UnreadableFile(
            "the workbook is broken or was cut off", "Open it, save it again and send that."
        ) from None


def _rows(sheet: calamine.CalamineSheet, marks: Marks) -> tuple[tuple[str, ...], ...]:
    """The cells as text, without blank rows at the end; errors stand where the reader gives a blank."""
    rows = [[cell_text(cell) for cell in row] for row in sheet.to_python(skip_empty_area=False)]
    for (row, column), text in marks.errors.items():
        rows += [[] for _ in range(row + 1 - len(rows))]
        rows[row] += [""] * (column + 1 - len(rows[row]))
        rows[row][column] = text
    while rows and not any(cell.strip() for cell in rows[-1]):
        rows.pop()
    return tuple(map(tuple, rows))


def cell_text(cell: object) -> str:
    """A typed cell as text that means one thing: dates year first, times by the 24-hour clock, whole numbers
    without decimals."""
    if isinstance(cell, bool):
        return "true" if cell else "false"
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    if isinstance(cell, dt.datetime):
        return _to_the_millisecond(cell).isoformat().removesuffix("000")
    if isinstance(cell, dt.timedelta):
        return _duration(cell)
    if isinstance(cell, dt.time):
        whole = _to_the_millisecond(dt.datetime.combine(dt.date(2000, 1, 1), cell))
        return whole.time().isoformat().removesuffix("000") if whole.day == 1 else "24:00:00"
    return cell.isoformat() if isinstance(cell, dt.date) else str(cell)


def _to_the_millisecond(moment: dt.datetime) -> dt.datetime:
    """A spreadsheet holds times as parts of a day, which are seldom exact."""
    return moment.replace(microsecond=0) + dt.timedelta(milliseconds=round(moment.microsecond / 1000))


def _duration(span: dt.timedelta) -> str:
    seconds = round(span.total_seconds())
    return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"


def _notes(described: calamine.SheetMetadata, sheet: calamine.CalamineSheet, marks: Marks) -> Iterator[str]:
    if described.visible != calamine.SheetVisibleEnum.Visible:
        yield "the sheet is hidden; it was read all the same"
    if marks.hidden_rows:
        rows = [str(row + 1) for row in sorted(marks.hidden_rows)]
        yield f"hidden rows were read as well: {first_of(rows, _LISTED)}"
    if marks.hidden_columns:
        hidden = [column_letters(column) for column in sorted(marks.hidden_columns)]
        yield f"hidden columns were read as well: {first_of(hidden, _LISTED)}"
    merged = sheet.merged_cell_ranges
    if merged:
        ranges = [f"{_address(start)}:{_address(end)}" for start, end in merged]
        yield f"merged cells hold their value in the first cell only: {first_of(ranges, _LISTED)}"


def _address(place: tuple[int, int]) -> str:
    row, column = place
    return f"{column_letters(column)}{row + 1}"


#: Stands in for the value of a formula that no program has worked out yet.
NEVER_WORKED_OUT = "#NOT WORKED OUT!"


@dataclass
class Marks:
    """errors: (row, column), from 0 -> the error as the sheet shows it; hidden_rows, hidden_columns: from 0."""

    errors: dict[tuple[int, int], str] = field(default_factory=dict)
    hidden_rows: set[int] = field(default_factory=set)
    hidden_columns: set[int] = field(default_factory=set)


def sheet_marks(archive: zipfile.ZipFile) -> dict[str, Marks]:
    """The marks of each sheet, by its name. Raises UnreadableFile for a workbook whose text is broken."""
    try:
        if "content.xml" in archive.namelist():
            return _OpenDocument().read(archive.read("content.xml"))
        return {name: _Sheet().read(archive.read(member)) for name, member in _members(archive).items()}
    except (expat.ExpatError, ElementTree.ParseError, KeyError, zipfile.BadZipFile, ValueError, RuntimeError):
        raise UnreadableFile(
            "the workbook is broken or was cut off", "Open it, save it again and send that."
        ) from None


def _members(archive: zipfile.ZipFile) -> dict[str, str]:
    """Sheet name -> the member of the archive that holds it."""
    book = next((name for name in archive.namelist() if name.lower() == "xl/workbook.xml"), None)
    if book is None:
        return {}
    links = ElementTree.fromstring(archive.read("xl/_rels/workbook.xml.rels"))
    targets = {link.get("Id"): link.get("Target", "") for link in links}
    found = {}
    for element in ElementTree.fromstring(archive.read(book)).iter():
        if element.tag.endswith("}sheet"):
            key = next((value for name, value in element.items() if name.endswith("}id")), None)
            member = posixpath.normpath(posixpath.join("xl", targets.get(key, ""))).removeprefix("/")
            member = member.removeprefix("xl/") if member.startswith("xl/xl/") else member
            if member in archive.namelist():
                found[element.get("name", "")] = member
    return found


class _Sheet:
    """Goes through the text of one sheet of the usual kind."""

    def __init__(self) -> None:
        self.marks = Marks()
        self._row = self._column = -1
        self._is_error = self._has_formula = self._in_value = False
        self._value = ""

    def read(self, text: bytes) -> Marks:
        """The marks of the sheet. A sheet without errors, formulas and hidden parts is told by its bytes."""
        if not re.search(rb't="e"|<f|hidden=', text):
            return self.marks
        parser = expat.ParserCreate()
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._text
        parser.Parse(text, True)
        return self.marks

    def _start(self, name: str, given: Mapping[str, str]) -> None:
        name = name.rsplit(":", 1)[-1]
        if name == "c":
            self._column = cell_place(given["r"])[1] if "r" in given else self._column + 1
            self._is_error, self._has_formula, self._value = given.get("t") == "e", False, ""
        elif name == "v":
            self._in_value = True
        elif name == "f":
            self._has_formula = True
        elif name == "row":
            self._row, self._column = int(given["r"]) - 1 if "r" in given else self._row + 1, -1
            if given.get("hidden") in {"1", "true"}:
                self.marks.hidden_rows.add(self._row)
        elif name == "col" and given.get("hidden") in {"1", "true"}:
            last = min(int(given["max"]), int(given["min"]) + 255)
            self.marks.hidden_columns |= set(range(int(given["min"]) - 1, last))

    def _end(self, name: str) -> None:
        name = name.rsplit(":", 1)[-1]
        if name == "v":
            self._in_value = False
        elif name == "c" and self._is_error:
            self.marks.errors[self._row, self._column] = self._value or "#ERROR!"
        elif name == "c" and self._has_formula and not self._value:
            self.marks.errors[self._row, self._column] = NEVER_WORKED_OUT

    def _text(self, text: str) -> None:
        if self._in_value:
            self._value += text


class _OpenDocument:
    """Goes through all sheets of an open-document workbook, whose rows and cells may stand for many alike."""

    def __init__(self) -> None:
        self._found: dict[str, Marks] = {}
        self._marks = Marks()
        self._row = self._column = 0
        self._rows = self._columns = 1
        self._is_cell = self._is_error = False
        self._text_of_cell = ""

    def read(self, text: bytes) -> dict[str, Marks]:
        """The marks of each sheet."""
        parser = expat.ParserCreate()
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._text
        parser.Parse(text, True)
        return self._found

    def _start(self, name: str, given: Mapping[str, str]) -> None:
        if name == "table:table":
            self._marks = self._found[given.get("table:name", "")] = Marks()
            self._row = self._column = 0
        elif name == "table:table-column":
            self._columns = int(given.get("table:number-columns-repeated", 1))
            if given.get("table:visibility") == "collapse":
                self._marks.hidden_columns |= set(range(self._column, self._column + min(self._columns, 256)))
            self._column += self._columns
        elif name == "table:table-row":
            self._column, self._rows = 0, int(given.get("table:number-rows-repeated", 1))
            if given.get("table:visibility") in {"collapse", "filter"} and self._rows < 1000:
                self._marks.hidden_rows |= set(range(self._row, self._row + self._rows))
        elif name in {"table:table-cell", "table:covered-table-cell"}:
            self._columns = int(given.get("table:number-columns-repeated", 1))
            self._is_cell, self._text_of_cell = True, ""
            self._is_error = given.get("calcext:value-type") == "error"

    def _end(self, name: str) -> None:
        if name == "table:table-row":
            self._row += self._rows
        elif name in {"table:table-cell", "table:covered-table-cell"}:
            if self._is_error or re.fullmatch(
                r"#(REF|DIV/0|VALUE|NAME|N/A|NUM|NULL)[!?]?|Err:[0-9]+", self._text_of_cell
            ):
                shown = self._text_of_cell or "#ERROR!"
                self._marks.errors[self._row, self._column] = shown
            self._column += self._columns
            self._is_cell = False

    def _text(self, text: str) -> None:
        if self._is_cell:
            self._text_of_cell += text
