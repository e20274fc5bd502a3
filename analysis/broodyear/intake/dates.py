"""Dates and times of one file as a whole: how they were written, which order of day and month they prove, and
which are taken in and warned of: local hours that the change to and from summer time skips or doubles, and dates
after the day of the load.

The programme's zone is not known, so the two rules of summer time most in use are looked at.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator
from itertools import islice

import duckdb

from broodyear.findings import Finding
from broodyear.intake.cell_sql import ParseOptions, hour_columns
from broodyear.intake.opened import Opened
from broodyear.intake.recognise import Recognised
from broodyear.intake.shapes import BLANKS, figures, has_shape, shape
from broodyear.intake.staging import Staged
from broodyear.intake.wording import worded
from broodyear.schemas import Table
from broodyear.store.layout import hour_flag

#: So many rows are looked at for notes: whoever writes one date so writes them all so.
LOOKED_AT = 10_000
_CLOCK = re.compile(r"[T ,]([0-9]{1,2}:[0-9]{2}[0-9:.]*)[^0-9:]*$")
_EITHER_ORDER = 'date_order = "month_first", or date_order = "day_first"'


def date_notes(opened: Opened, found: Recognised, options: ParseOptions) -> Iterator[str]:
    """Notes on dates that are not written year first, and on seasons written as two years."""
    other_day = re.compile(rf"({shape('other_day')})([T ,].*)?")
    cells = [other_day.fullmatch(cell) for cell in _cells(opened, found, ("date", "moment"))]
    order, seasons = options.date_order, options.seasons
    days = [cell[1] for cell in cells if cell is not None and (order or _means_one(cell[1], seasons is not None))]
    if days and order is None:
        yield "dates not written year first were read where they can mean one day only"
    elif any(map(figures, days)):
        yield f"dates were read {str(order).replace('_', ' ')}, as the layout says"
    if seasons is not None and any(has_shape("short_year", day) for day in days):
        first, last = seasons
        yield f"years in two figures were read within the programme's seasons, {first} to {last}"
    clocks = (_CLOCK.search(cell) for cell in _cells(opened, found, ("date",)) if options.any_clock)
    if any(clock and clock[1].strip("0:.") for clock in clocks):
        yield "hours beside a day were left out where a column holds days"
    spans = (re.fullmatch(shape("season"), cell) for cell in _cells(opened, found, ("year",)))
    if any(span and (int(span[1]) + 1 - int(span[2])) % 100 == 0 for span in spans):
        yield "seasons written like 2025/26 were read as the year in which they begin"


def _means_one(day: str, has_seasons: bool) -> bool:
    """Whether a day may be read without an order; one that only its year settles counts as such."""
    found = figures(day)
    if has_shape("short_year", day) and not has_seasons:
        return False
    return found is None or found[0] == found[1] or max(found[:2]) > 12


def _cells(opened: Opened, found: Recognised, kinds: tuple[str, ...]) -> Iterator[str]:
    """Cells under the columns of some kinds, in the first rows of the file."""
    positions = _positions(found, kinds)
    rows = islice(opened.body.rows(opened.dialect.separator), LOOKED_AT)
    for row in rows if positions else ():
        if row.line > opened.dialect.header_line:
            yield from (row.cells[position].strip(BLANKS) for position in positions if position < len(row.cells))


def _positions(found: Recognised, kinds: tuple[str, ...]) -> set[int]:
    """Positions in the file's rows of the cells that columns of some kinds begin with."""
    columns = [
        column.name
        for column in map(found.table.column, found.positions)
        if column.kind in kinds and (column.is_span or column.kind != "year")
    ]
    if not found.slots:
        return {found.positions[name] for name in columns}
    pieces = (slot.pieces[found.positions[name]] for slot in found.slots for name in columns)
    return {piece.positions[0] for piece in pieces if piece is not None and piece.positions}


def with_proof(
    connection: duckdb.DuckDBPyConnection, found: Recognised, staged: Staged, findings: list[Finding]
) -> list[Finding]:
    """The findings, those about a date that can mean two days with the order that the file proves, if it does."""
    ambiguous = sum(finding.rule == "ambiguous_date" for finding in findings)
    if not ambiguous:
        return findings
    proof = _proof(connection, found, staged, several=ambiguous > 1)
    return [
        finding._replace(advice=f"{finding.advice} {proof}")
        if finding.rule == "ambiguous_date" and proof
        else finding
        for finding in findings
    ]


def _proof(
    connection: duckdb.DuckDBPyConnection, found: Recognised, staged: Staged, *, several: bool
) -> str | None:
    """The line that settles the order: the one that the file proves, else, of several dates, the two there are."""
    cells = [f"trim(c{position})" for position in sorted(_positions(found, ("date", "moment")))]
    shape = r"^([0-9]{1,2})[./-]([0-9]{1,2})[./-](?:[0-9]{4}|[0-9]{2})(?:[ T,].*)?$"
    parts = [f"TRY_CAST(regexp_extract(cell, '{shape}', {number}) AS INTEGER)" for number in (1, 2)]
    [(first, second, by_first, by_second)] = connection.execute(
        f"SELECT max({parts[0]}), max({parts[1]}), arg_max(cell, {parts[0]}), arg_max(cell, {parts[1]}) "
        f"FROM (SELECT unnest([{', '.join(cells)}]) AS cell FROM {staged.raw_rows})"
    ).fetchall()
    if several and first is not None and max(first, second) <= 12:
        return f"All dates of the file are settled by one line.\nIn its layout: {_EITHER_ORDER}"
    if first is None or (first > 12) == (second > 12):
        return None
    order, date = ("day_first", by_first) if first > 12 else ("month_first", by_second)
    order_words = order.replace("_", " ")
    return f'The file itself proves {order_words}, by {date}.\nIn its layout: date_order = "{order}"'


def date_warnings(
    connection: duckdb.DuckDBPyConnection, path: str, table: Table, upload: int, today: dt.date | None
) -> Iterator[Finding]:
    """One warning per column for the rows of ``upload`` whose times lie in an hour that the change to or from
    summer time skips or doubles, and for those whose dates lie after ``today``: how many, and the first line."""
    hours = {column.name: hour_flag(column) for column in hour_columns(table)}
    looked_for = [
        (name, "clock_change", f'"{flag}" AND (clock_skipped("{name}") OR clock_doubled("{name}"))')
        for name, flag in hours.items()
    ]
    if today is not None:
        tomorrow, dated = today + dt.timedelta(days=1), (c for c in table.columns if c.kind in {"date", "moment"})
        looked_for += [(column.name, "in_the_future", f"\"{column.name}\" >= '{tomorrow}'") for column in dated]
    if not looked_for:
        return
    flags = [(f"h{position}", name, holds) for position, (name, _, holds) in enumerate(looked_for)]
    counts = ", ".join(
        f'count(*) FILTER ({flag}), min(line) FILTER ({flag}), (max("{name}") FILTER ({flag}))::DATE'
        for flag, name, _ in flags
    )
    holding = ", ".join(f"{holds} AS {flag}" for flag, _, holds in flags)
    rows = f"SELECT *, {holding} FROM received_{table.name} WHERE upload = {upload}"
    [row] = connection.execute(f"SELECT {counts} FROM ({rows})").fetchall()
    for position, (name, rule, _) in enumerate(looked_for):
        count, line, latest = row[3 * position : 3 * position + 3]
        if count:
            texts = worded("cells.txt", rule, {"count": count, "latest": latest})
            yield Finding(path, line, table.name, name, None, "warning", rule, *texts)
