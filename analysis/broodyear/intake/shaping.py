"""A layout held to one file: which of its columns feed which tables, and what is left over."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from broodyear.errors import UnreadableFile
from broodyear.findings import first_of
from broodyear.intake.bodies import Body, Dialect
from broodyear.intake.recognise import Recognised, without_empty_end
from broodyear.intake.slots import Piece, Slot
from broodyear.intake.sources import Source
from broodyear.layouts import HeadingNames, Layout, Rows, Value, heading_names
from broodyear.layouts.model import cell_place, column_letters
from broodyear.schemas import TABLE_NAMES, Table, table

#: So many left-over cells above a header are named; the rest are counted.
_NAMED = 5
_LONGEST_NOTE = 300


@dataclass(frozen=True)
class Shaped:
    """parts: what the file gives to each table, in load order; notes: how it was read, and what is left over."""

    parts: tuple[Recognised, ...]
    notes: tuple[str, ...]


def shape(layout: Layout, source: Source, body: Body, dialect: Dialect) -> Shaped:
    """What ``layout`` makes of a file. Raises UnreadableFile where the file lacks what it needs."""
    names = heading_names(without_empty_end(dialect.header))
    file = _File(layout, source, body, dialect, names)
    names_of_tables = [rows.table for rows in layout.rows]
    parts = tuple(file.part(table(name)) for name in TABLE_NAMES if name in names_of_tables)
    return Shaped(parts, (f'read by the layout "{layout.name}"', *file.notes(), *file.left_over()))


class _File:
    """One file under one layout."""

    def __init__(self, layout: Layout, source: Source, body: Body, dialect: Dialect, names: HeadingNames) -> None:
        self._layout, self._source, self._body, self._dialect, self._names = layout, source, body, dialect, names
        self._missing: list[str] = []
        self._used: set[int] = set()
        self._addresses: set[tuple[int, int]] = set()
        self._ignored = {place for heading in layout.ignore if (place := names.place(heading)) is not None}

    def part(self, target: Table) -> Recognised:
        """What the file gives to one table."""
        slots: list[dict[str, Piece]] = []
        needs: list[tuple[int, ...]] = []
        for rows in self._layout.rows:
            if rows.table == target.name:
                for cells, needed in self._slots(rows, target):
                    slots.append(cells)
                    needs.append(needed)
        columns = tuple(name for name in target.column_names if any(name in slot for slot in slots))
        made = tuple(
            Slot(tuple(slot.get(name) for name in columns), needed)
            for slot, needed in zip(slots, needs, strict=True)
        )
        places = {name: place for place, name in enumerate(columns)}
        return Recognised(target, places, columns, (), len(self._names.shown), made)

    def _slots(self, rows: Rows, target: Table) -> Iterator[tuple[dict[str, Piece], tuple[int, ...]]]:
        needed = tuple(self._needed(heading) for heading in rows.only_when)
        self._used |= set(needed)
        for place in [None] if rows.unpivot is None else self._unpivoted(rows):
            cells = {}
            for name, value in rows.columns:
                piece = self._piece(value, place, needed=target.column(name).required)
                if piece is not None:
                    cells[name] = piece
                    self._used |= set(piece.places)
            yield cells, needed if place is None else (*needed, place)

    def _unpivoted(self, rows: Rows) -> list[int]:
        """The columns that ``unpivot`` matches, without those that the layout uses or leaves out by name."""
        assert rows.unpivot is not None
        named = {value.text for _, value in rows.columns if value.source == "column"}
        named |= {value.joined for _, value in rows.columns if value.joined} | set(rows.only_when)
        taken = {self._names.place(heading) for heading in named} | self._ignored
        places = [place for place in self._names.matching(rows.unpivot) if place not in taken]
        if not places:
            raise self._refused(f"no heading is like {rows.unpivot!r}, whose columns it takes one by one")
        return places

    def _needed(self, heading: str) -> int:
        place = self._names.place(heading)
        if place is None:
            raise self._refused(f"there is no column {heading!r}, which only_when asks for")
        return place

    def _piece(self, value: Value, place: int | None, *, needed: bool) -> Piece | None:
        """The piece of one column; None where the file lacks what an optional one comes from."""
        if value.source == "column":
            return self._from_columns(value, needed)
        if value.source == "cell_value":
            assert place is not None
            return Piece((place,), heading=self._names.shown[place], words=value.words)
        text = self._fixed(value, place)
        if not text and needed:
            raise self._refused(f"the cell {value.text} is blank")
        meant = dict(value.words).get(text.lower(), text)
        return Piece((), meant, value.text if value.source == "cell" else None)

    def _from_columns(self, value: Value, needed: bool) -> Piece | None:
        headings = [value.text] if value.joined is None else [value.text, value.joined]
        places = [self._names.place(heading) for heading in headings]
        missing = [heading for heading, place in zip(headings, places, strict=True) if place is None]
        if missing and needed:
            raise self._refused(f"there is no column {missing[0]!r}")
        if missing:
            self._missing += missing
            return None
        shown = " and ".join(self._names.shown[place] for place in places if place is not None)
        return Piece(tuple(place for place in places if place is not None), heading=shown, words=value.words)

    def _fixed(self, value: Value, place: int | None) -> str:
        if value.source == "constant":
            return value.text
        if value.source == "heading":
            assert place is not None
            return self._names.shown[place]
        if value.source == "cell":
            address = cell_place(value.text)
            self._addresses.add(address)
            return self._body.cell(self._dialect.separator, *address)
        name = self._source.name if value.source == "file_name" else self._sheet_name()
        found = re.search(value.text, name)
        if found is None or not (found["value"] or "").strip():
            what = "file" if value.source == "file_name" else "sheet"
            raise self._refused(f"the name of the {what}, {name!r}, does not fit the expression {value.text!r}")
        return found["value"].strip()

    def _sheet_name(self) -> str:
        if self._source.sheet is None:
            raise self._refused("it takes a value from the sheet's name, and this file is no workbook")
        return self._source.sheet.name

    def _refused(self, what: str) -> UnreadableFile:
        return UnreadableFile(
            f'the layout "{self._layout.name}" does not go through: {what}',
            "Mend the layout, or give the file what it asks for.",
        )

    def notes(self) -> Iterator[str]:
        """What the layout says and the file lacks."""
        if self._missing:
            listed = ", ".join(dict.fromkeys(self._missing))
            yield f"columns that the layout names and the file lacks: {listed}"

    def left_over(self) -> Iterator[str]:
        """Columns and cells that hold something and are neither used nor ignored by name."""
        columns = [
            name
            for place, name in enumerate(self._names.shown)
            if place not in self._used | self._ignored and self._holds(place)
        ]
        if columns:
            yield f"columns left over: {', '.join(columns)}"[:_LONGEST_NOTE]
        yield from self._above_header()

    def _holds(self, place: int) -> bool:
        if self._body.sheet is None:
            return True
        rows = self._body.sheet.rows[self._dialect.header_line :]
        return any(place < len(row) and row[place].strip() for row in rows)

    def _above_header(self) -> Iterator[str]:
        cells = [
            f'{column_letters(place)}{row.line} "{text.strip()}"'
            for row in self._body.first_rows(self._dialect.separator)
            if row.line < self._dialect.header_line
            for place, text in enumerate(row.cells)
            if text.strip() and (row.line, place) not in self._addresses
        ]
        if cells:
            yield f"cells above the header left over: {first_of(cells, _NAMED)}"[:_LONGEST_NOTE]
