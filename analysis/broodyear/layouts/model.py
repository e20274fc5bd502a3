"""What layouts.toml says, as plain values; and which layouts fit a file: by its name, its sheet, and one row that
holds all the headings a layout names."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from functools import lru_cache
from typing import Literal

from broodyear.schemas import Column
from broodyear.settings import SameLabel

SourceKind = Literal["column", "constant", "heading", "cell_value", "file_name", "sheet_name", "cell"]
DateOrder = Literal["month_first", "day_first", "year_first"]


@dataclass(frozen=True)
class Value:
    """Where the cell of one table column comes from.

    source: the kind of place; text: the heading of a column, the constant itself, a regular expression with one
    group ``value`` (file_name, sheet_name) or the address of a cell, blank for heading and cell_value;
    joined: heading of a second column, set behind the first with one space, where one of them holds something, or
    behind a heading, where it does; behind: what is set so behind a column that holds something, or behind a
    heading, being the same in every row;
    words: (as written, as meant), other words pass as they are; a blank as written is a blank cell;
    without: words that may stand behind a count and are left out; unit: of its numbers, where it is another than
    the column's (``CONVERTED``).
    """

    source: SourceKind
    text: str = ""
    joined: str | None = None
    behind: Value | None = None
    words: tuple[tuple[str, str], ...] = ()
    without: tuple[str, ...] = ()
    unit: str = ""


#: Unit of a column -> unit of a file's numbers -> what is taken off them, and what they are then divided by. An
#: inch is 2.54 cm, and a US gallon 231 cubic inches, by definition (NIST Handbook 44, appendix C; from memory).
CONVERTED: dict[str, dict[str, tuple[float, float]]] = {
    "°C": {"F": (32.0, 1.8)},
    "cm": {"in": (0.0, 1 / 2.54)},
    "mm": {"in": (0.0, 1 / 25.4)},
    "litres": {"gal": (0.0, 1 / (231 * 2.54**3 / 1000))},
}


def conversion(column: Column, unit: str) -> tuple[float, float] | None:
    """How numbers of another unit become those of a column; None where they cannot. A difference of temperatures
    has no zero to take off."""
    found = CONVERTED.get(column.unit or "", {}).get(unit)
    return (0.0, found[1]) if found and column.name == "differential_c" else found


@dataclass(frozen=True)
class Rows:
    """The rows that a file gives to one table. columns: (column of the table, where its cell comes from);
    only_when: headings under which a source row must hold something to give a row;
    unpivot: pattern of headings, each of which gives a row of its own."""

    table: str
    columns: tuple[tuple[str, Value], ...]
    only_when: tuple[str, ...] = ()
    unpivot: str | None = None


@dataclass(frozen=True)
class Layout:
    """How files of one kind become rows. header: cells that one row of the file holds, all of them;
    files, sheet: patterns of names, None for any; decimal: the sign before decimals, None as the file shows;
    ignore: headings left out on purpose; fill_down: headings below which a blank cell holds what stands above it;
    rows: empty when the headings are the names of a table's columns."""

    name: str
    header: tuple[str, ...]
    files: str | None = None
    sheet: str | None = None
    date_order: DateOrder | None = None
    decimal: Literal[",", "."] | None = None
    ignore: tuple[str, ...] = ()
    fill_down: tuple[str, ...] = ()
    rows: tuple[Rows, ...] = ()

    def uses(self, source: SourceKind) -> bool:
        """Whether some column takes its cell from a place of this kind."""
        values = [value for rows in self.rows for _, value in rows.columns]
        return any(source in (value.source, value.behind.source if value.behind else None) for value in values)


@dataclass(frozen=True)
class Layouts:
    """All that one layouts.toml says. path: that file as it was named, blank when there is none."""

    layouts: tuple[Layout, ...] = ()
    same: tuple[SameLabel, ...] = ()
    path: str = ""


def plain(text: str) -> str:
    """A heading as it is compared: case, outer spaces and line breaks aside."""
    return _one_line(text).casefold()


def _one_line(text: str) -> str:
    return " ".join(text.split())


@dataclass(frozen=True)
class HeadingNames:
    """The headings of a file as a layout names them, in the order of the columns: a blank heading is called by
    the column's letter (``column C``), one that comes again by its count (``Water (2)``)."""

    shown: tuple[str, ...]

    def position(self, heading: str) -> int | None:
        """Position of the column called ``heading``, from 0; None when there is none."""
        wanted = plain(heading)
        return next((position for position, name in enumerate(self.shown) if plain(name) == wanted), None)

    def matching(self, pattern: str) -> list[int]:
        """Positions of the columns whose headings match a pattern with ``*``, ``?`` and ``[…]``."""
        return [position for position, name in enumerate(self.shown) if fnmatchcase(plain(name), plain(pattern))]


def heading_names(cells: Sequence[str]) -> HeadingNames:
    """Names for the cells of a header row, no two alike."""
    counts: dict[str, int] = {}
    names = []
    for position, cell in enumerate(cells):
        name = _one_line(cell) or f"column {column_letters(position)}"
        counts[plain(name)] = counts.get(plain(name), 0) + 1
        names.append(name if counts[plain(name)] == 1 else f"{name} ({counts[plain(name)]})")
    return HeadingNames(tuple(names))


def column_letters(position: int) -> str:
    """Letters of the column at position ``position``, from 0, as a spreadsheet shows them."""
    letters = ""
    position += 1
    while position:
        position, rest = divmod(position - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def cell_place(address: str) -> tuple[int, int]:
    """Line and position (from 1 and from 0) of the cell at an address such as B1."""
    letters = address.rstrip("0123456789")
    position = 0
    for letter in letters.upper():
        position = position * 26 + ord(letter) - ord("A") + 1
    return int(address[len(letters) :]), position - 1


def header_position(layout: Layout, rows: Sequence[Sequence[str]]) -> int | None:
    """Position of the first row that holds all the headings of ``layout``; None when no row does."""
    wanted = {plain(heading) for heading in layout.header}
    named = (position for position, cells in enumerate(rows) if wanted <= _plain_names(tuple(cells)))
    return next(named, None)


@lru_cache(maxsize=500)
def _plain_names(cells: tuple[str, ...]) -> frozenset[str]:
    """The names of the cells of a row, which each layout is held to in turn."""
    return frozenset(plain(name) for name in heading_names(cells).shown)


def fitting(
    layouts: Sequence[Layout], file_name: str, sheet: str | None, rows: Sequence[Sequence[str]]
) -> list[Layout]:
    """The layouts that fit a file of this name (and sheet) whose first rows are ``rows``."""
    return [
        layout
        for layout in layouts
        if (layout.files is None or fnmatchcase(file_name.casefold(), layout.files.casefold()))
        and (layout.sheet is None or (sheet is not None and fnmatchcase(plain(sheet), plain(layout.sheet))))
        and header_position(layout, rows) is not None
    ]
