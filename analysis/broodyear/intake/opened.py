"""An upload whose rows can be gone through, and what is known of it before any of them is checked: under a layout,
which of its columns feed which tables, and what is left over."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from broodyear.errors import UnreadableFile
from broodyear.findings import first_of
from broodyear.intake.bodies import Body, Dialect, find_dialect
from broodyear.intake.cell_sql import ParseOptions
from broodyear.intake.notes import uses_decimal_commas
from broodyear.intake.recognise import Piece, Recognised, Slot, own_options, recognise, without_empty_end
from broodyear.intake.shapes import BLANKS, HAS_YEAR
from broodyear.intake.sources import Source
from broodyear.layouts import HeadingNames, Layout, Rows, Value, heading_names, layout_text
from broodyear.layouts.model import cell_place, column_letters, conversion
from broodyear.layouts.writing import quote
from broodyear.schemas import TABLE_NAMES, Table, table
from broodyear.settings import SeasonSpan, Settings

#: So many left-over cells above a header are named; the rest are counted.
_NAMED = 5
_LONGEST_NOTE = 300


def shape(
    layout: Layout, source: Source, body: Body, dialect: Dialect
) -> tuple[tuple[Recognised, ...], tuple[str, ...]]:
    """What ``layout`` makes of a file: what it gives to each table, in load order, and notes on how it was read
    and what is left over. Raises UnreadableFile where the file lacks what it needs."""
    file = _File(layout, source, body, dialect, heading_names(without_empty_end(dialect.header)))
    fed = [rows.table for rows in layout.rows]
    parts = tuple(file.part(table(name)) for name in TABLE_NAMES if name in fed)
    return parts, (f'read by the layout "{layout.name}"', *file.notes(), *file.left_over())


class _File:
    """One file under one layout."""

    def __init__(self, layout: Layout, source: Source, body: Body, dialect: Dialect, names: HeadingNames) -> None:
        self._layout, self._source, self._body, self._dialect, self._names = layout, source, body, dialect, names
        self._missing: list[str] = []
        self._used: set[int] = set()
        self._addresses: set[tuple[int, int]] = set()
        self._ignored = {
            position for heading in layout.ignore if (position := names.position(heading)) is not None
        }

    def part(self, target: Table) -> Recognised:
        """What the file gives to one table."""
        slots: list[dict[str, Piece]] = []
        needs: list[tuple[tuple[int, ...], tuple[tuple[int, str], ...]]] = []
        for rows in self._layout.rows:
            if rows.table == target.name:
                for cells, needed in self._slots(rows, target):
                    slots.append(cells)
                    needs.append((needed, _words_for_blank(cells, needed, target)))
        columns = tuple(name for name in target.column_names if any(name in slot for slot in slots))
        made = tuple(
            Slot(tuple(slot.get(name) for name in columns), *needed)
            for slot, needed in zip(slots, needs, strict=True)
        )
        positions = {name: position for position, name in enumerate(columns)}
        return Recognised(target, positions, columns, (), len(self._names.shown), made, self.filled_down())

    def filled_down(self) -> tuple[int, ...]:
        """Positions of the columns in which a blank cell holds what stands above it."""
        return tuple(self._needed_position(heading, "fill_down") for heading in self._layout.fill_down)

    def _slots(self, rows: Rows, target: Table) -> Iterator[tuple[dict[str, Piece], tuple[int, ...]]]:
        needed = tuple(self._needed_position(heading, "only_when") for heading in rows.only_when)
        self._used |= set(needed)
        for position in [None] if rows.unpivot is None else self._unpivoted(rows):
            cells = {}
            for name, value in rows.columns:
                column = target.column(name)
                piece = self._piece(value, position, needed=column.required)
                if piece is not None and value.unit:
                    piece = replace(piece, conversion=conversion(column, value.unit))
                if piece is not None:
                    has_day = column.kind in {"date", "moment"} and re.fullmatch("[0-9]{4}", piece.fixed)
                    cells[name] = replace(piece, stands_alone=HAS_YEAR) if has_day and piece.positions else piece
                    self._used |= set(piece.positions)
            yield cells, needed if position is None else (*needed, position)

    def _unpivoted(self, rows: Rows) -> list[int]:
        """The columns that ``unpivot`` matches, without those that the layout uses or leaves out by name."""
        assert rows.unpivot is not None
        named = {value.text for _, value in rows.columns if value.source == "column"}
        named |= {value.joined for _, value in rows.columns if value.joined} | set(rows.only_when)
        taken = {self._names.position(heading) for heading in named} | self._ignored
        positions = [position for position in self._names.matching(rows.unpivot) if position not in taken]
        if not positions:
            raise self._refused(f"no heading is like {rows.unpivot!r}, whose columns it takes one by one")
        return positions

    def _needed_position(self, heading: str, by: str) -> int:
        position = self._names.position(heading)
        if position is None:
            raise self._refused(f"there is no column {heading!r}, which {by} asks for")
        return position

    def _piece(self, value: Value, position: int | None, *, needed: bool) -> Piece | None:
        """The piece of one column; None where the file lacks what an optional one comes from."""
        if value.source == "column":
            return self._from_columns(value, needed)
        if value.source == "cell_value":
            assert position is not None
            return Piece((position,), "", self._names.shown[position], value.words, value.without)
        text = self._fixed(value, position)
        if value.joined is not None:
            beside = self._from_columns(Value("column", value.joined), needed)
            shown = f"{text} and {value.joined}"
            return beside and Piece(beside.positions, "", shown, value.words, before=text)
        if value.behind is not None:
            text = f"{text} {self._meant(value.behind)}"
        if not text and needed:
            raise self._refused(f"the cell {value.text} is blank")
        meant = dict(value.words).get(text.lower(), text)
        return Piece((), meant, value.text if value.source == "cell" else None)

    def _from_columns(self, value: Value, needed: bool) -> Piece | None:
        headings = [value.text] if value.joined is None else [value.text, value.joined]
        positions = [self._names.position(heading) for heading in headings]
        missing = [heading for heading, position in zip(headings, positions, strict=True) if position is None]
        if missing and needed:
            raise self._refused(f"there is no column {missing[0]!r}")
        if missing:
            self._missing += missing
            return None
        known = tuple(position for position in positions if position is not None)
        shown = " and ".join(self._names.shown[position] for position in known)
        fixed = self._meant(value.behind) if value.behind else ""
        return Piece(known, fixed, shown, value.words, value.without)

    def _meant(self, value: Value) -> str:
        """What is set behind a cell, as its words have it."""
        text = self._fixed(value, None)
        return dict(value.words).get(text.lower(), text)

    def _fixed(self, value: Value, position: int | None) -> str:
        if value.source == "constant":
            return value.text
        if value.source == "heading":
            assert position is not None
            return self._names.shown[position]
        if value.source == "cell":
            address = cell_place(value.text)
            self._addresses.add(address)
            return self._body.cell(self._dialect.separator, *address)
        if value.source == "sheet_name" and self._source.sheet is None:
            raise self._refused("it takes a value from the sheet's name, and this file is no workbook")
        sheet = self._source.sheet if value.source == "sheet_name" else None
        name = sheet.name if sheet else self._source.name
        found = re.search(value.text, name)
        if found is None or not (found["value"] or "").strip():
            what = "file" if value.source == "file_name" else "sheet"
            raise self._refused(f"the name of the {what}, {name!r}, does not fit the expression {value.text!r}")
        return found["value"].strip()

    def _refused(self, what: str) -> UnreadableFile:
        return UnreadableFile(
            f'the layout "{self._layout.name}" does not go through: {what}',
            "Mend the layout, or give the file what it asks for.",
        )

    def notes(self) -> Iterator[str]:
        """What is read into blank cells, and what the layout says and the file lacks."""
        if self._layout.fill_down:
            yield f"blank cells hold what stands above them below {', '.join(self._layout.fill_down)}"
        if self._missing:
            listed = ", ".join(dict.fromkeys(self._missing))
            yield f"columns that the layout names and the file lacks: {listed}"

    def left_over(self) -> Iterator[str]:
        """Columns and cells that hold something and are neither used nor ignored by name."""
        columns = [
            name
            for position, name in enumerate(self._names.shown)
            if position not in self._used | self._ignored and self._holds(position)
        ]
        if columns:
            yield f"columns left over: {', '.join(columns)}"[:_LONGEST_NOTE]
        yield from self._above_header()

    def _holds(self, position: int) -> bool:
        if self._body.sheet is None:
            return True
        rows = self._body.sheet.rows[self._dialect.header_line :]
        return any(position < len(row) and row[position].strip() for row in rows)

    def _above_header(self) -> Iterator[str]:
        cells = [
            f'{column_letters(position)}{row.line} "{text.strip()}"'
            for row in self._body.first_rows(self._dialect.separator)
            if row.line < self._dialect.header_line
            for position, text in enumerate(row.cells)
            if text.strip() and (row.line, position) not in self._addresses
        ]
        if cells:
            yield f"cells above the header left over: {first_of(cells, _NAMED)}"[:_LONGEST_NOTE]


def _words_for_blank(
    cells: Mapping[str, Piece], needed: Sequence[int], target: Table
) -> tuple[tuple[int, str], ...]:
    """(position, word) of the words that a layout reads as a blank where the table needs a value, under a heading
    that only_when asks for: such a cell holds nothing."""
    return tuple(
        (piece.positions[0], written)
        for name, piece in cells.items()
        if target.column(name).required and len(piece.positions) == 1 and piece.positions[0] in needed
        for written, meant in piece.words
        if not meant
    )


@dataclass(frozen=True)
class Opened:
    """An upload whose separators and tables are known. parts: what it gives to each table, in load order."""

    source: Source
    body: Body
    dialect: Dialect
    parts: tuple[Recognised, ...]
    shape_notes: tuple[str, ...] = ()

    @property
    def tables(self) -> str:
        """The tables it feeds, joined by a plus sign."""
        return "+".join(part.table.name for part in self.parts)

    @property
    def notes(self) -> list[str]:
        """What was done so far to read the file."""
        found = [note for part in self.parts for note in part.notes]
        return [*self.body.notes, *self.dialect.notes, *self.shape_notes, *found]

    @property
    def fixed_tank(self) -> str | None:
        """The kind of place outside its rows that tells the tank of all of them; None where each tells its own."""
        rows = self.dialect.layout.rows if self.dialect.layout is not None else ()
        sources = {value.source for one in rows for name, value in one.columns if name == "tank_id"}
        return next(
            (source for source in ("cell", "sheet_name", "file_name", "constant") if source in sources), None
        )

    @property
    def layout_text(self) -> str:
        """What beside the bytes decides which rows they give: the sheet, the layout, and the file's name where the
        layout takes values from it; blank for a plain file."""
        layout = self.dialect.layout
        lines = [f"# sheet {quote(self.source.sheet.name)}\n"] if self.source.sheet else []
        if layout is not None:
            lines += [f"# file {quote(self.source.name)}\n"] if layout.uses("file_name") else []
            lines.append(layout_text(layout))
        return "".join(lines)


def open_body(source: Source, body: Body, layouts: Sequence[Layout] = ()) -> Opened:
    """Recognise the tables of an upload that was read. Raises UnreadableFile (message, advice)."""
    dialect = find_dialect(body, source, layouts)
    if dialect.layout is not None and dialect.layout.rows:
        return Opened(source, body, dialect, *shape(dialect.layout, source, body, dialect))
    found = recognise(dialect.header, source.name)
    if dialect.layout is None or not dialect.layout.fill_down:
        return Opened(source, body, dialect, (found,))
    file = _File(dialect.layout, source, body, dialect, heading_names(without_empty_end(dialect.header)))
    return Opened(source, body, dialect, (replace(found, filled_down=file.filled_down()),), tuple(file.notes()))


def options_of(opened: Opened, found: Recognised, settings: Settings, seasons: SeasonSpan | None) -> ParseOptions:
    """What may stand in the cells of one table, judged by the bytes of the file, its layout and the settings."""
    layout = opened.dialect.layout
    options = replace(
        _by_bytes(opened),
        date_order=layout.date_order if layout else None,
        seasons=seasons,
        season_start=dt.date(2023, settings.season_start_month, settings.season_start_day),
        any_clock=layout is not None,
        iso_dates=_all_iso(opened, found),
    )
    return own_options(found.slots, options)


#: A date year first, a clock in full, or both, as the cells of a workbook come.
_ISO = re.compile(r"(?:[0-9]{4}-[0-9]{2}-[0-9]{2})?(?:(?:^|T)[0-9]{2}:[0-9]{2}:[0-9]{2})?")


def _all_iso(opened: Opened, found: Recognised) -> bool:
    """Whether a sheet has only typed dates where dates are read from: the statements are half as long then."""
    if opened.body.sheet is None:
        return False
    columns = [
        position
        for name, position in found.positions.items()
        if found.table.column(name).kind in {"date", "moment"}
    ]
    pieces = [slot.pieces[position] for slot in found.slots for position in columns]
    if any(piece is not None and not (piece.positions and piece.is_as_received) for piece in pieces):
        return False
    positions = {position for piece in pieces if piece is not None for position in piece.positions}
    positions |= set() if found.slots else set(columns)
    rows = opened.body.sheet.rows[opened.dialect.header_line :]
    return all(
        _ISO.fullmatch(row[position].strip()) for row in rows for position in positions if position < len(row)
    )


def _by_bytes(opened: Opened) -> ParseOptions:
    text, separator, layout = opened.body.text, opened.dialect.separator, opened.dialect.layout
    comma = layout.decimal == "," if layout is not None and layout.decimal else None
    if text is None:
        return ParseOptions(decimal_comma=bool(comma), apostrophes=True)
    census = text.census
    if comma is None:
        comma = uses_decimal_commas(text.path, census, opened.dialect)
    tabs_in_cells = census.has_tab and separator != "\t"
    odd_blanks = tabs_in_cells or census.has_odd_blank
    blanks = BLANKS if odd_blanks else " " if census.has_outer_space else ""
    return ParseOptions(
        decimal_comma=comma,
        apostrophes=census.has_apostrophe,
        blanks=blanks,
        empties=bool(blanks) or census.has_quote or census.has_apostrophe,
        blanks_inside=census.has_space,
        is_ascii=census.is_ascii,
        quick_numbers=not census.has_plus,
    )
