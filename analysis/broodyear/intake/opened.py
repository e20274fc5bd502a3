"""An upload whose rows can be gone through, and what is known of it before any of them is checked."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from broodyear.intake.bodies import Body, Dialect, find_dialect, read_body
from broodyear.intake.cell_sql import ParseOptions
from broodyear.intake.notes import uses_decimal_commas
from broodyear.intake.recognise import Recognised, recognise
from broodyear.intake.shapes import BLANKS
from broodyear.intake.shaping import shape
from broodyear.intake.slots import own_options
from broodyear.intake.sources import Source
from broodyear.layouts import Layout, layout_text
from broodyear.layouts.writing import quote
from broodyear.settings import SeasonSpan


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
    def layout_text(self) -> str:
        """What beside the bytes decides which rows they give: the sheet, the layout, and the file's name where the
        layout takes values from it; blank for a plain file."""
        layout = self.dialect.layout
        lines = [f"# sheet {quote(self.source.sheet.name)}\n"] if self.source.sheet else []
        if layout is not None:
            lines += [f"# file {quote(self.source.name)}\n"] if layout.uses("file_name") else []
            lines.append(layout_text(layout))
        return "".join(lines)


def open_upload(
    source: Source, scratch: Path, number: int, layouts: Sequence[Layout] = (), *, may_link: bool = True
) -> Opened:
    """Read an upload and recognise its tables, by the layout that fits or else by its header.

    may_link: the database reaches files outside ``scratch``. Raises UnreadableFile (message, advice).
    """
    return open_body(source, read_body(source, scratch, number, may_link), layouts)


def open_body(source: Source, body: Body, layouts: Sequence[Layout] = ()) -> Opened:
    """Recognise the tables of an upload that was read. Raises UnreadableFile (message, advice)."""
    dialect = find_dialect(body, source, layouts)
    if dialect.layout is not None and dialect.layout.rows:
        shaped = shape(dialect.layout, source, body, dialect)
        return Opened(source, body, dialect, shaped.parts, shaped.notes)
    return Opened(source, body, dialect, (recognise(dialect.header, source.name),))


def options_of(opened: Opened, found: Recognised, seasons: SeasonSpan | None) -> ParseOptions:
    """What may stand in the cells of one table, judged by the bytes of the file and by its layout."""
    layout = opened.dialect.layout
    options = replace(
        _by_bytes(opened),
        date_order=layout.date_order if layout else None,
        seasons=seasons,
        any_clock=layout is not None,
        iso_dates=_all_iso(opened, found),
    )
    return own_options(found.slots, options)


#: A date year first, a clock in full, or both, as the cells of a workbook come.
_ISO = re.compile(r"(?:[0-9]{4}-[0-9]{2}-[0-9]{2})?(?:(?:^|T)[0-9]{2}:[0-9]{2}:[0-9]{2})?")


def _all_iso(opened: Opened, found: Recognised) -> bool:
    """Whether a sheet has only typed dates where dates are read from: the statements are half as long then."""
    if opened.body.sheet is None or not found.slots:
        return False
    columns = [
        place for name, place in found.places.items() if found.table.column(name).kind in {"date", "moment"}
    ]
    pieces = [slot.pieces[place] for slot in found.slots for place in columns]
    if any(piece is not None and (not piece.places or piece.words) for piece in pieces):
        return False
    places = {place for piece in pieces if piece is not None for place in piece.places}
    rows = opened.body.sheet.rows[opened.dialect.header_line :]
    return all(_ISO.fullmatch(row[place].strip()) for row in rows for place in places if place < len(row))


def _by_bytes(opened: Opened) -> ParseOptions:
    text, separator, layout = opened.body.text, opened.dialect.separator, opened.dialect.layout
    comma = layout.decimal == "," if layout is not None and layout.decimal else None
    if text is None:
        return ParseOptions(decimal_comma=bool(comma), apostrophes=True)
    census = text.census
    if comma is None:
        comma = uses_decimal_commas(text.place, census, opened.dialect)
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
