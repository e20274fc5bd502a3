"""What the reader of workbooks does not tell of a sheet: which cells hold an error, and what is hidden.

The reader gives an error, and a formula that was never worked out, as a blank cell. A blank is a statement
("not recorded"), so these cells are looked up in the sheet's own text and given their name.
"""

from __future__ import annotations

import posixpath
import re
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from xml.etree import ElementTree
from xml.parsers import expat

from broodyear.errors import UnreadableFile
from broodyear.layouts.model import cell_place

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
