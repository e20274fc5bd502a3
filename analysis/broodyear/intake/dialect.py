"""How a file separates its cells, where its header stands, and which layout it is read by."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from broodyear.errors import UnreadableFile
from broodyear.intake.bodies import Body
from broodyear.intake.recognise import find_header, header_score
from broodyear.intake.records import SEPARATORS, Row
from broodyear.intake.sources import Sheet, Source
from broodyear.layouts import Layout, fitting, header_position
from broodyear.layouts.fitting import column_letters


@dataclass(frozen=True)
class Dialect:
    """separator: between cells; header: the header's cells; header_line: its spreadsheet row;
    plain_start: no line break inside a cell stands above or in the header; layout: the one that fits."""

    separator: str
    header: tuple[str, ...]
    header_line: int
    plain_start: bool
    notes: tuple[str, ...] = field(default=())
    layout: Layout | None = None


def find_dialect(body: Body, source: Source, layouts: Sequence[Layout] = ()) -> Dialect:
    """Separator, header and layout of an upload.

    Raises UnreadableFile when there is no header, or when several layouts fit.
    """
    candidates = [(separator, body.first_rows(separator)) for separator in (SEPARATORS if body.text else ",")]
    layout, separator, rows = _by_layout(candidates, source, layouts) or (None, *_by_names(candidates))
    cells = [row.cells for row in rows]
    position = find_header(cells) if layout is None else header_position(layout, cells)
    assert position is not None
    notes = []
    if separator != ",":
        notes.append(f"cells are separated by {SEPARATORS[separator]}")
    if position:
        notes.append(f"{position} {'line' if position == 1 else 'lines'} before the header left out")
    line, header = rows[position].line, tuple(rows[position].cells)
    if body.sheet is not None:
        header = named_where_filled(header, body.sheet, line)
    plain = body.text is not None and not any(
        "\n" in cell or "\r" in cell for row in cells[: position + 1] for cell in row
    )
    return Dialect(separator, header, line, plain, tuple(notes), layout)


Candidate = tuple[str, list[Row]]


def _by_layout(
    candidates: Sequence[Candidate], source: Source, layouts: Sequence[Layout]
) -> tuple[Layout, str, list[Row]] | None:
    """The layout that fits, with the separator under which it does; None when none fits."""
    sheet = source.sheet.name if source.sheet else None
    for separator, rows in sorted(
        candidates, key=lambda candidate: -max((len(r.cells) for r in candidate[1]), default=0)
    ):
        found = fitting(layouts, source.name, sheet, [row.cells for row in rows])
        if len(found) > 1:
            named = " and ".join(f'"{layout.name}"' for layout in found)
            raise UnreadableFile(
                f"several layouts fit it: {named}",
                "Tell them apart by files, by sheet, or by more headings in header.",
            )
        if found:
            return found[0], separator, rows
    return None


def _by_names(candidates: Sequence[Candidate]) -> Candidate:
    return max(candidates, key=lambda candidate: _score(candidate[1]))


def _score(rows: Sequence[Row]) -> tuple[int, int]:
    """Known column names in the best row, then the number of its cells."""
    return max(((header_score(row.cells), len(row.cells)) for row in rows), default=(0, 0))


def named_where_filled(header: Sequence[str], sheet: Sheet, line: int) -> tuple[str, ...]:
    """The header of a sheet, with the column's letter where a column without heading holds something."""
    below = sheet.rows[line:]
    width = max((len(row) for row in below), default=0)
    cells = [*header, *[""] * (width - len(header))]
    filled = {place for row in below for place, cell in enumerate(row) if cell.strip()}
    return tuple(
        f"column {column_letters(place)}" if not cell.strip() and place in filled else cell
        for place, cell in enumerate(cells)
    )
