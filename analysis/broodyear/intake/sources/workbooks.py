"""The sheets of a workbook, each an upload of its own, with the cells as text that keeps what they are."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from pathlib import Path

import python_calamine as calamine

from broodyear.errors import UnreadableFile
from broodyear.findings import Skipped, first_of
from broodyear.intake.sources.archives import ARCHIVE, Allowance, begins_with, open_archive
from broodyear.intake.sources.marks import Marks, sheet_marks
from broodyear.intake.sources.model import Sheet, Source, Sources
from broodyear.layouts.model import column_letters

_ENDINGS = (".xlsx", ".xlsm", ".xls", ".ods")
_OLD = b"\xd0\xcf\x11\xe0"
#: Rows and columns that a note lists one by one.
_LISTED = 8


def is_workbook(place: Path, name: str) -> bool:
    """Whether a file is a workbook, by its ending and its first bytes."""
    return name.lower().endswith(_ENDINGS) and begins_with(place, *ARCHIVE, _OLD)


def in_workbook(shown: str, name: str, place: Path, sources: Sources) -> None:
    """Add the sheets of one workbook to ``sources``. Raises UnreadableFile when it is broken or locked, unpacks to
    absurd size, or holds nothing."""
    marks = _marks(place)
    found = False
    for sheet, reason in _sheets(place, marks):
        path = f"{shown}#{sheet.name}"
        if reason is not None:
            sources.skipped.append(Skipped(path, reason))
        else:
            found = True
            sources.found.append(Source(path, name, place, sheet=sheet, container=shown))
    if not found:
        raise UnreadableFile("no sheet of the workbook holds anything", "Send the workbook with its records.")


def _marks(place: Path) -> dict[str, Marks]:
    if begins_with(place, _OLD):
        return {}
    allowance = Allowance(place)
    with open_archive(place) as archive:
        allowance.use(sum(member.file_size for member in archive.infolist()))
        return sheet_marks(archive)


def _sheets(place: Path, marks: dict[str, Marks]) -> Iterator[tuple[Sheet, str | None]]:
    """Each sheet, and why it is not read when it is not."""
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
