"""Which layouts fit a file: by its name, its sheet, and one row that holds all the headings a layout names."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase

from broodyear.layouts.model import Layout


def plain(text: str) -> str:
    """A heading as it is compared: case, outer spaces and line breaks aside."""
    return re.sub(r"\s+", " ", text).strip().casefold()


@dataclass(frozen=True)
class HeadingNames:
    """The headings of a file as a layout names them, in the order of the columns: a blank heading is called by
    the column's letter (``column C``), one that comes again by its count (``Water (2)``)."""

    shown: tuple[str, ...]

    def place(self, heading: str) -> int | None:
        """Position of the column called ``heading``, from 0; None when there is none."""
        wanted = plain(heading)
        return next((place for place, name in enumerate(self.shown) if plain(name) == wanted), None)

    def matching(self, pattern: str) -> list[int]:
        """Positions of the columns whose headings match a pattern with ``*``, ``?`` and ``[…]``."""
        return [place for place, name in enumerate(self.shown) if fnmatchcase(plain(name), plain(pattern))]


def heading_names(cells: Sequence[str]) -> HeadingNames:
    """Names for the cells of a header row, no two alike."""
    counts: dict[str, int] = {}
    names = []
    for place, cell in enumerate(cells):
        name = re.sub(r"\s+", " ", cell).strip() or f"column {column_letters(place)}"
        counts[plain(name)] = counts.get(plain(name), 0) + 1
        names.append(name if counts[plain(name)] == 1 else f"{name} ({counts[plain(name)]})")
    return HeadingNames(tuple(names))


def column_letters(place: int) -> str:
    """Letters of the column at position ``place``, from 0, as a spreadsheet shows them."""
    letters = ""
    place += 1
    while place:
        place, rest = divmod(place - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def cell_place(address: str) -> tuple[int, int]:
    """Line and position (from 1 and from 0) of the cell at an address such as B1."""
    letters = address.rstrip("0123456789")
    place = 0
    for letter in letters.upper():
        place = place * 26 + ord(letter) - ord("A") + 1
    return int(address[len(letters) :]), place - 1


def header_position(layout: Layout, rows: Sequence[Sequence[str]]) -> int | None:
    """Position of the first row that holds all the headings of ``layout``; None when no row does."""
    wanted = {plain(heading) for heading in layout.header}
    for position, cells in enumerate(rows):
        if wanted <= {plain(name) for name in heading_names(cells).shown}:
            return position
    return None


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
