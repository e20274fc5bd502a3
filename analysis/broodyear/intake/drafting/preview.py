"""The first rows of a file as a layout reads them, through the same statements as a load."""

from __future__ import annotations

from dataclasses import dataclass, replace

import duckdb

from broodyear.intake.bodies import Body, Dialect
from broodyear.intake.cell_sql import ParseOptions, cleaned_select, values_select
from broodyear.intake.opened import shape
from broodyear.intake.plain_files import receive
from broodyear.intake.recognise import Recognised
from broodyear.intake.shapes import make_readable
from broodyear.intake.sources import Sheet, Source
from broodyear.intake.staging import made_of_received
from broodyear.layouts import Layout
from broodyear.schemas import Table
from broodyear.settings import SeasonSpan
from broodyear.store.layout import create_type, hour_flag, words_types

#: So many rows of a file are looked at, and so many of a table shown.
LOOKED_AT, SHOWN = 60, 5


@dataclass(frozen=True)
class PreviewTable:
    """The first rows that a file gives to one table, as they would read. rows: (line, value of each column as
    text); a value that cannot be read is shown as it stands, and named in ``unread`` as (position among rows,
    column)."""

    table: str
    columns: tuple[str, ...]
    rows: tuple[tuple[int, tuple[str, ...]], ...]
    unread: frozenset[tuple[int, str]]


def preview(
    layout: Layout, source: Source, body: Body, dialect: Dialect, seasons: SeasonSpan | None = None
) -> tuple[PreviewTable, ...]:
    """The first rows of each table. Raises UnreadableFile when the file lacks what the layout asks for."""
    # The rows that were looked at, as a sheet: whatever the file is, these are enough.
    rows = tuple(tuple(row.cells) for row in body.first_rows(dialect.separator))
    few = replace(body, text=None, sheet=body.sheet or Sheet("", rows))
    parts, _ = shape(layout, source, few, replace(dialect, layout=layout))
    options = ParseOptions(
        decimal_comma=layout.decimal == ",",
        apostrophes=True,
        date_order=layout.date_order,
        seasons=seasons,
        any_clock=True,
    )
    with duckdb.connect() as connection:
        make_readable(connection)
        receive(connection, few, dialect, parts[0])
        return tuple(_table(connection, part, options) for part in parts)


def _table(connection: duckdb.DuckDBPyConnection, part: Recognised, options: ParseOptions) -> PreviewTable:
    for name, allowed in words_types(part.table).items():
        connection.execute(create_type(name, allowed))
    cells = cleaned_select(part.table, part.positions, options, made_of_received(part, options), "line")
    values = ", ".join(_shown(part.table, name) for name in part.header)
    written = ", ".join(f'"t_{name}"' for name in part.header)
    query = (
        f"SELECT line // {max(len(part.slots), 1)}, [{values}], [{written}] "
        f"FROM ({values_select(part.table, options, cells)}) ORDER BY line LIMIT {SHOWN}"
    )
    rows: list[tuple[int, tuple[str, ...]]] = []
    unread: set[tuple[int, str]] = set()
    for position, (line, read, text) in enumerate(connection.execute(query).fetchall()):
        pairs = list(zip(part.header, read, text, strict=True))
        rows.append((int(line), tuple(cell or "" if value is None else value for _, value, cell in pairs)))
        unread |= {(position, name) for name, value, cell in pairs if value is None and cell is not None}
    return PreviewTable(part.table.name, part.header, tuple(rows), frozenset(unread))


def _shown(table: Table, name: str) -> str:
    """SQL for a typed value as text: a moment whose hour is not known as a date."""
    column = table.column(name)
    if column.kind != "moment":
        return f'"{name}"::VARCHAR'
    length = f'CASE WHEN "{hour_flag(column)}" THEN 16 ELSE 10 END'
    return f"""strftime("{name}", '%Y-%m-%d %H:%M')[:{length}]"""
