"""Lines of totals left out of a draft: it asks for a cell that they lack and every other line has."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import islice

from broodyear.intake.bodies import Body, Dialect
from broodyear.intake.messages import is_line_of_totals
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
    needed = [position for heading in rows.only_when if (position := names.position(heading)) is not None]
    giving = [cells for cells in totals if all(_filled(cells, position) for position in needed)]
    if not giving:
        return rows
    wanted = [cells for cells in others if any(cells) and all(_filled(cells, position) for position in needed)]
    for _, value in rows.columns:
        position = names.position(value.text) if value.source == "column" else None
        if position is None or any(_filled(cells, position) for cells in giving):
            continue
        if all(_filled(cells, position) for cells in wanted):
            return replace(rows, only_when=(*rows.only_when, names.shown[position]))
    return rows


def _filled(cells: Sequence[str], position: int) -> bool:
    return position < len(cells) and bool(cells[position].strip())
