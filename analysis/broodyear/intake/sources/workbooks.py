"""The sheets of a workbook, each an upload of its own, with the cells as text that keeps what they are.

The reader gives an error, and a formula that was never worked out, as a blank cell. A blank is a statement
("not recorded"), so these cells are looked up in the sheet's own text and given their name."""

from __future__ import annotations

import datetime as dt
import posixpath
import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from io import BytesIO
from pathlib import Path
from xml.etree import ElementTree

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
    first, numbers with a point, errors by their name; notes: what a reader of the file should know; is_hidden:
    whoever opens the workbook does not see it."""

    name: str
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...] = ()
    is_hidden: bool = False


def is_workbook(path: Path, name: str) -> bool:
    """Whether a file is a workbook, by its ending and its first bytes."""
    return name.lower().endswith(_ENDINGS) and begins_with(path, *ARCHIVE, _OLD)


def sheets_of(path: Path) -> Iterator[tuple[Sheet, str | None]]:
    """Each sheet of a workbook, and why it is not read when it is not. Raises UnreadableFile when the workbook is
    broken or locked, or unpacks to absurd size."""
    marks = _marks(path)
    for described, sheet in _opened(path):
        if described.typ != calamine.SheetTypeEnum.WorkSheet:
            yield Sheet(described.name, ()), "not a sheet of cells (a chart or a macro)"
            continue
        noticed = marks.get(described.name, Marks())
        rows = _rows(sheet, noticed)
        notes = [*_notes(described, sheet, noticed)]
        if begins_with(path, _OLD):
            notes.append(
                "cells with an error such as #REF! cannot be told from blank ones in a workbook of this kind"
            )
        is_hidden = described.visible != calamine.SheetVisibleEnum.Visible
        yield Sheet(described.name, rows, tuple(notes), is_hidden), None if rows else "the sheet is empty"


def _opened(path: Path) -> Iterator[tuple[calamine.SheetMetadata, calamine.CalamineSheet]]:
    try:
        with path.open("rb") as file:
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
        seconds = round(cell.total_seconds())
        return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
    if isinstance(cell, dt.time):
        whole = _to_the_millisecond(dt.datetime.combine(dt.date(2000, 1, 1), cell))
        return whole.time().isoformat().removesuffix("000") if whole.day == 1 else "24:00:00"
    return cell.isoformat() if isinstance(cell, dt.date) else str(cell)


def _to_the_millisecond(moment: dt.datetime) -> dt.datetime:
    """A spreadsheet holds times as parts of a day, which are seldom exact."""
    return moment.replace(microsecond=0) + dt.timedelta(milliseconds=round(moment.microsecond / 1000))


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


def _address(position: tuple[int, int]) -> str:
    row, column = position
    return f"{column_letters(column)}{row + 1}"


#: Stands in for the value of a formula that no program has worked out yet.
NEVER_WORKED_OUT = "#NOT WORKED OUT!"


@dataclass
class Marks:
    """errors: (row, column), from 0 -> the error as the sheet shows it; hidden_rows, hidden_columns: from 0."""

    errors: dict[tuple[int, int], str] = field(default_factory=dict)
    hidden_rows: set[int] = field(default_factory=set)
    hidden_columns: set[int] = field(default_factory=set)


def _marks(path: Path) -> dict[str, Marks]:
    """The marks of each sheet, by its name. Raises UnreadableFile for a workbook whose text is broken."""
    if begins_with(path, _OLD):
        return {}
    allowance = Allowance(path)
    with open_archive(path) as archive:
        allowance.use(sum(member.file_size for member in archive.infolist()))
        try:
            if "content.xml" in archive.namelist():
                return _open_document_marks(archive.read("content.xml"))
            return {name: _marks_of_sheet(archive.read(member)) for name, member in _members(archive).items()}
        except (ElementTree.ParseError, KeyError, zipfile.BadZipFile, ValueError, RuntimeError):
            advice = "Open it, save it again and send that."
            raise UnreadableFile("the workbook is broken or was cut off", advice) from None


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


def _marks_of_sheet(text: bytes) -> Marks:
    """The marks of a sheet of the usual kind."""
    marks = Marks()
    line = 0
    # Most sheets have no errors, formulas and hidden parts.
    if not re.search(rb't="e"|<f|hidden=', text):
        return marks
    for name, element in _elements(text, "row", "col"):
        is_hidden = element.get("hidden") in {"1", "true"}
        if name == "row":
            line = int(element.get("r", line + 1))
            marks.hidden_rows |= {line - 1} if is_hidden else set()
            _note_errors(element, line - 1, marks.errors)
        elif is_hidden:
            first = int(element.attrib["min"])
            marks.hidden_columns |= set(range(first - 1, min(int(element.attrib["max"]), first + 255)))
    return marks


def _note_errors(row: ElementTree.Element, position: int, errors: dict[tuple[int, int], str]) -> None:
    column = -1
    for cell in row:
        column = cell_place(cell.attrib["r"])[1] if "r" in cell.attrib else column + 1
        is_error = cell.get("t") == "e"
        if is_error or (len(cell) and not cell[0].tag.endswith("}v")):
            inner = {one.tag.rpartition("}")[2]: one.text for one in cell}
            if is_error:
                errors[position, column] = inner.get("v") or "#ERROR!"
            elif "f" in inner and not inner.get("v"):
                errors[position, column] = NEVER_WORKED_OUT


def _elements(text: bytes, *names: str) -> Iterator[tuple[str, ElementTree.Element]]:
    """The elements of some names, without their name spaces, each let go once it was looked at."""
    ends = tuple(f"}}{name}" for name in names)
    for _, element in ElementTree.iterparse(BytesIO(text)):
        if element.tag.endswith(ends):
            yield element.tag.rpartition("}")[2], element
            element.clear()


_ERROR = re.compile(r"#(REF|DIV/0|VALUE|NAME|N/A|NUM|NULL)[!?]?|Err:[0-9]+")


def _open_document_marks(text: bytes) -> dict[str, Marks]:
    """The marks of each sheet of an open-document workbook, whose rows and cells may stand for many alike."""
    found: dict[str, Marks] = {}
    marks, line, columns = Marks(), 0, 0
    for name, element in _elements(text, "table-row", "table-column", "table"):
        given = {key.rpartition("}")[2]: value for key, value in element.items()}
        times = int(given.get(f"number-{name.removeprefix('table-')}s-repeated", 1))
        if name == "table":
            found[given.get("name", "")] = marks
            marks, line, columns = Marks(), 0, 0
        elif name == "table-column":
            if given.get("visibility") == "collapse":
                marks.hidden_columns |= set(range(columns, columns + min(times, 256)))
            columns += times
        else:
            if given.get("visibility") in {"collapse", "filter"} and times < 1000:
                marks.hidden_rows |= set(range(line, line + times))
            _note_open_document_errors(element, line, marks.errors)
            line += times
    return found


def _note_open_document_errors(row: ElementTree.Element, line: int, errors: dict[tuple[int, int], str]) -> None:
    column = 0
    for cell in row:
        shown = "".join(cell.itertext())
        given = {key.rpartition("}")[2]: value for key, value in cell.items()}
        is_error = any(key.endswith("}value-type") and value == "error" for key, value in cell.items())
        if is_error or _ERROR.fullmatch(shown):
            errors[line, column] = shown or "#ERROR!"
        column += int(given.get("number-columns-repeated", 1))
