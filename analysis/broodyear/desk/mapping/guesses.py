"""The choices that a guessed layout stands for."""

from __future__ import annotations

from broodyear.desk.mapping.drafts import Draft, Fixed, Sheet
from broodyear.desk.mapping.meanings import EACH, LEAVE, SHARED, date_column, is_known
from broodyear.layouts import HeadingNames, Layout, Rows
from broodyear.schemas import table

#: What stands in a guessed layout for what nothing in the file tells.
UNKNOWN = "?"


def draft_from(sheet: Sheet, layout: Layout) -> Draft:
    """The draft of a layout that was guessed for this sheet: every meaning is marked as a guess."""
    names = HeadingNames(sheet.headings)
    meanings: dict[str, str] = {}
    fixed: dict[str, Fixed] = {}
    words: dict[str, dict[str, str]] = {}
    for rows in layout.rows:
        for column, value in rows.columns:
            key = _key(rows, column)
            if value.source == "column" and (place := names.place(value.text)) is not None:
                heading = sheet.headings[place]
                meanings.setdefault(heading, key)
                words.setdefault(heading, {}).update(value.words)
                if value.joined is not None and (other := names.place(value.joined)) is not None:
                    meanings.setdefault(sheet.headings[other], "time")
            elif value.source == "cell_value" and rows.unpivot is not None:
                for each in names.matching(rows.unpivot):
                    meanings.setdefault(sheet.headings[each], f"{EACH}{rows.table}.{column}")
            elif value.source in {"constant", "sheet_name", "file_name", "cell"} and value.text != UNKNOWN:
                fixed.setdefault(key, Fixed(value.source, value.text))
    known = {heading: key for heading, key in meanings.items() if is_known(key)}
    ignored = (names.place(heading) for heading in layout.ignore)
    left = {sheet.headings[place]: LEAVE for place in ignored if place is not None}
    return Draft(
        layout.name, {**left, **known}, frozenset({**left, **known}), fixed, layout.date_order or "",
        {heading: said for heading, said in words.items() if said},
    )  # fmt: skip


def _key(rows: Rows, column: str) -> str:
    when = date_column(table(rows.table))
    if when is not None and column == when.name:
        return "date"
    return column if column in SHARED else f"{rows.table}.{column}"
