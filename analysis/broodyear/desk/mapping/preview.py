"""The first rows as the choices would read them, for the eye: the check of the whole file has the last word."""

from __future__ import annotations

from dataclasses import dataclass

from broodyear.desk.mapping.choices import layout_of
from broodyear.desk.mapping.dates import as_read
from broodyear.desk.mapping.drafts import Draft, Fixed, Sheet
from broodyear.desk.mapping.fixed import reads
from broodyear.layouts import HeadingNames, Rows, Value
from broodyear.schemas import table

#: So many rows of each table are shown.
MOST_ROWS = 5


@dataclass(frozen=True)
class Preview:
    """The first rows of one table."""

    table: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def previews(sheet: Sheet, draft: Draft) -> list[Preview]:
    """The first rows of each table that the sheet feeds."""
    found: dict[str, Preview] = {}
    for rows in layout_of(sheet, draft).rows:
        before = found.get(rows.table)
        columns = before.columns if before else tuple(name for name, _ in rows.columns)
        made = [tuple(row.get(name, "") for name in columns) for row in _rows(sheet, draft, rows)]
        found[rows.table] = Preview(rows.table, columns, (*(before.rows if before else ()), *made)[:MOST_ROWS])
    return list(found.values())


def _rows(sheet: Sheet, draft: Draft, rows: Rows) -> list[dict[str, str]]:
    names = HeadingNames(sheet.headings)
    each = names.matching(rows.unpivot) if rows.unpivot else [None]
    needed = [names.place(heading) for heading in rows.only_when]
    return [
        {name: _cell(sheet, draft, rows.table, name, value, cells, place) for name, value in rows.columns}
        for cells in sheet.rows
        for place in each
        if all(_at(cells, one) for one in [*needed, *([place] if place is not None else [])])
    ][:MOST_ROWS]


def _cell(
    sheet: Sheet, draft: Draft, name: str, column: str, value: Value, cells: tuple[str, ...], place: int | None
) -> str:
    names = HeadingNames(sheet.headings)
    if value.source == "column":
        text = " ".join(
            filter(None, (_at(cells, names.place(one)) for one in (value.text, value.joined) if one is not None))
        )
    elif value.source == "cell_value":
        text = _at(cells, place)
    elif value.source == "heading":
        text = sheet.headings[place] if place is not None else ""
    else:
        text = reads(sheet, Fixed(value.source, value.text))
    text = dict(value.words).get(text, text)
    if table(name).column(column).kind in {"date", "moment"} and draft.date_order:
        date = as_read(text, draft.date_order)
        return text if date is None else " ".join([date, *text.split()[1:]])
    return text


def _at(cells: tuple[str, ...], place: int | None) -> str:
    return cells[place].strip() if place is not None and place < len(cells) else ""
