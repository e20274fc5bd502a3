"""Lines of totals, which a draft leaves out: it asks for a cell that they lack and every other line has."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import islice

from broodyear.intake.bodies import Body
from broodyear.intake.dialect import Dialect
from broodyear.intake.totals import is_line_of_totals
from broodyear.layouts import HeadingNames, Rows

#: So many lines of a file are looked through: diaries are shorter, and loggers write no totals.
LOOKED_THROUGH = 2_000


def without_totals(rows: Sequence[Rows], names: HeadingNames, body: Body, dialect: Dialect) -> tuple[Rows, ...]:
    """The rows of a draft, with a heading more in ``only_when`` where lines of totals would else give rows."""
    read = (row for row in islice(body.rows(dialect.separator), LOOKED_THROUGH) if row.line > dialect.header_line)
    lines = [row.cells for row in read]
    totals = [cells for cells in lines if is_line_of_totals(cells)]
    others = [cells for cells in lines if not is_line_of_totals(cells)]
    return tuple(_asking_more(one, names, totals, others) if totals else one for one in rows)


def _asking_more(
    rows: Rows, names: HeadingNames, totals: Sequence[Sequence[str]], others: Sequence[Sequence[str]]
) -> Rows:
    asked = [place for heading in rows.only_when if (place := names.place(heading)) is not None]
    giving = [cells for cells in totals if all(_filled(cells, place) for place in asked)]
    if not giving:
        return rows
    wanted = [cells for cells in others if any(cells) and all(_filled(cells, place) for place in asked)]
    for _, value in rows.columns:
        place = names.place(value.text) if value.source == "column" else None
        if place is None or any(_filled(cells, place) for cells in giving):
            continue
        if all(_filled(cells, place) for cells in wanted):
            return replace(rows, only_when=(*rows.only_when, names.shown[place]))
    return rows


def _filled(cells: Sequence[str], place: int) -> bool:
    return place < len(cells) and bool(cells[place].strip())
