"""What layouts.toml says, as plain values."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from broodyear.settings import SameLabel

SourceKind = Literal["column", "constant", "heading", "cell_value", "file_name", "sheet_name", "cell"]
DateOrder = Literal["month_first", "day_first", "year_first"]


@dataclass(frozen=True)
class Value:
    """Where the cell of one table column comes from.

    source: the kind of place; text: the heading of a column, the constant itself, a regular expression with one
    group ``value`` (file_name, sheet_name) or the address of a cell, blank for heading and cell_value;
    joined: heading of a second column, set behind the first with one space;
    words: (as written, as meant), other words pass as they are.
    """

    source: SourceKind
    text: str = ""
    joined: str | None = None
    words: tuple[tuple[str, str], ...] = ()


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
    ignore: headings left out on purpose; rows: empty when the headings are the names of a table's columns."""

    name: str
    header: tuple[str, ...]
    files: str | None = None
    sheet: str | None = None
    date_order: DateOrder | None = None
    decimal: Literal[",", "."] | None = None
    ignore: tuple[str, ...] = ()
    rows: tuple[Rows, ...] = ()

    def uses(self, source: SourceKind) -> bool:
        """Whether some column takes its cell from a place of this kind."""
        return any(value.source == source for rows in self.rows for _, value in rows.columns)


@dataclass(frozen=True)
class Layouts:
    """All that one layouts.toml says. path: that file as it was named, blank when there is none."""

    layouts: tuple[Layout, ...] = ()
    same: tuple[SameLabel, ...] = ()
    path: str = ""
