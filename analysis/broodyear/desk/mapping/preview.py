"""The first rows as the choices would read them, for the eye: the check of the whole file has the last word.

A column that no heading gives can come from a name, a word of a name, a cell above, or be the same text.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from broodyear.desk.mapping.choices import layout_of
from broodyear.desk.mapping.dates import as_read
from broodyear.desk.mapping.drafts import Draft, Fixed, FixedSource, Sheet
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


#: Source, the expression that takes the value from the name, and the same in words.
_EXPRESSIONS: tuple[tuple[FixedSource, str, str], ...] = (
    ("sheet_name", r"^\s*(?P<value>.+?)\s*$", "the name of the sheet"),
    ("sheet_name", r"(?P<value>[^\s_]+)\s*$", "the last word of the sheet's name"),
    ("sheet_name", r"^\s*(?P<value>[^\s_]+)", "the first word of the sheet's name"),
    ("file_name", r"(?P<value>[^\s_]+)\.[^.]+$", "the last word of the file's name"),
    ("file_name", r"^(?P<value>[^\s_.]+)", "the first word of the file's name"),
    ("file_name", r"^(?P<value>.+?)\.[^.]+$", "the name of the file"),
)


_NAMES = {"sheet_name": "the name of the sheet", "file_name": "the name of the file"}


def fixed_sources(sheet: Sheet, draft: Draft) -> list[tuple[Fixed, str, str]]:
    """Each source with its words and with what it reads here; no two that read the same from the same name.

    What the draft takes by an expression of its own comes last.
    """
    found: list[tuple[Fixed, str, str]] = []
    for source, expression, words in _EXPRESSIONS:
        fixed = Fixed(source, expression)
        read = reads(sheet, fixed)
        if read and (source, read) not in [(other.source, known) for other, _, known in found]:
            found.append((fixed, words, read))
    found += [(Fixed("cell", place), f"the cell {place}", text) for place, text in sheet.above.items()]
    own = [
        fixed
        for fixed in draft.fixed.values()
        if fixed.source in _NAMES and fixed not in [one for one, _, _ in found]
    ]
    return found + [
        (fixed, f"a part of {_NAMES[fixed.source]}", reads(sheet, fixed)) for fixed in dict.fromkeys(own)
    ]


def reads(sheet: Sheet, fixed: Fixed) -> str:
    """What a source reads in this sheet, blank for nothing."""
    if fixed.source == "constant":
        return fixed.text
    if fixed.source == "cell":
        return sheet.above.get(fixed.text, "")
    match = re.search(fixed.text, (sheet.sheet if fixed.source == "sheet_name" else sheet.file) or "")
    return match["value"] if match else ""
