"""What still stands in the way of a layout, said as soon as it is so, and the first rows as the choices read them.

These are for the eye: the check of the whole file has the last word. A column that no heading gives can come from
a name, a word of a name, a cell above, or be the same text in every row.
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from typing import Literal

from broodyear.desk.mapping.choices import fed_tables, layout_of
from broodyear.desk.mapping.drafts import (
    EACH,
    LEAVE,
    SHARED,
    WORDS,
    Draft,
    Sheet,
    column_of,
    date_column,
    is_date,
    lacks_year,
    stage_of,
)
from broodyear.layouts import HeadingNames, Rows, Value
from broodyear.schemas import Column, table

#: So many words of one column are asked for, and so many rows of each table are shown.
MOST_WORDS, MOST_ROWS = 40, 5
#: The orders of day, month and year, as a layout names them, in words.
ORDERS = {"day_first": "day first", "month_first": "month first", "year_first": "year first"}
_NUMBERS = re.compile(r"\s*(\d{1,4})[-/. ](\d{1,2})[-/. ](\d{1,4})\b")
_PLACES = {"day_first": (2, 1, 0), "month_first": (2, 0, 1), "year_first": (0, 1, 2)}


@dataclass(frozen=True)
class Problem:
    """One thing to say or mend. headings: the columns it is about."""

    message: str
    headings: tuple[str, ...] = ()


def problems(sheet: Sheet, draft: Draft) -> list[Problem]:
    """Everything that has to be said before the layout can be kept."""
    return [*_undecided(sheet, draft), *_twice(sheet, draft), *_lacking(sheet, draft), *_dates(sheet, draft)]


def missing_columns(sheet: Sheet, draft: Draft) -> list[tuple[str, Column]]:
    """Key and column of what the tables fed must have and no heading gives; what they share comes once. Days
    without a year need the season."""
    found: dict[str, Column] = {}
    given = set(draft.meanings.values())
    # Columns for single stages say the stage themselves.
    staged = {key.partition(":")[0] for key in given if stage_of(key)} - given
    given |= staged | {f"{key.partition('.')[0]}.stage" for key in staged}
    has_tanks = any(key.startswith(EACH) or key == "tank_at_site" for key in given)
    for name in fed_tables(draft):
        when = date_column(table(name))
        for column in table(name).columns:
            shared = "date" if when is not None and column.name == when.name else column.name
            key = shared if shared in SHARED else f"{name}.{column.name}"
            own = {f"{name}.{column.name}", f"{EACH}{name}.{column.name}", key}
            if _is_needed(name, column, given) and not own & given and not (has_tanks and key == "tank_id"):
                found.setdefault(key, column)
    if "season" not in given and any(lacks_year(sheet, draft, heading) for heading in sheet.headings):
        found.setdefault("season", table("setups").column("season"))
    return list(found.items())


def _is_needed(name: str, column: Column, given: set[str]) -> bool:
    """Whether a table needs the column: always, or because a column that is there means nothing without it."""
    decides = {one.range_by.column for one in table(name).columns if one.range_by and _is_given(name, one, given)}
    return column.required or column.name in decides


def _is_given(name: str, column: Column, given: set[str]) -> bool:
    return bool({f"{name}.{column.name}", f"{EACH}{name}.{column.name}"} & given)


def unknown_words(sheet: Sheet, draft: Draft) -> dict[str, tuple[Column, list[str]]]:
    """Heading -> its column, and the values that this column cannot hold: each may be given a meaning."""
    found = {}
    for position, heading in enumerate(sheet.headings):
        key = draft.meaning(heading)
        if key in {"", LEAVE} or key in SHARED or key.startswith(EACH):
            continue
        column = column_of(key)[1]
        values = [value for value in sheet.values[position] if value.strip() and not _is_allowed(column, value)]
        if values:
            found[heading] = (column, values[:MOST_WORDS])
    return found


def _is_allowed(column: Column, value: str) -> bool:
    if column.allowed:
        return value.strip().casefold() in column.allowed
    if column.is_number:
        return re.fullmatch(r"[-+−]?[\d.,\s]*\d[\d.,]*", value.strip()) is not None
    return True


def _undecided(sheet: Sheet, draft: Draft) -> list[Problem]:
    open_ones = tuple(heading for heading in sheet.headings if not draft.meaning(heading))
    if not open_ones:
        return [] if fed_tables(draft) else [Problem("Say of at least one column which table it belongs to.")]
    listed = ", ".join(f"“{heading}”" for heading in open_ones)
    return [Problem(f"Say what {listed} means, or that it is left out.", open_ones)]


def _twice(sheet: Sheet, draft: Draft) -> list[Problem]:
    by_key: dict[str, list[str]] = {}
    for heading in sheet.headings:
        key = draft.meaning(heading)
        if key not in {"", LEAVE} and not key.startswith(EACH):
            by_key.setdefault(key, []).append(heading)
    found = [
        Problem(f"{_joined(headings)} both mean {WORDS[key]}; only one can.", tuple(headings))
        for key, headings in by_key.items()
        if len(headings) > 1
    ]
    if "time" in by_key and "date" not in by_key:
        found.append(Problem("A time of day needs a date beside it.", tuple(by_key["time"])))
    if "tank_at_site" in by_key and "site_id" not in by_key:
        message = "The number of a tank at its site needs the column that names the site."
        found.append(Problem(message, tuple(by_key["tank_at_site"])))
    return found


def _joined(headings: list[str]) -> str:
    return " and ".join(f"“{heading}”" for heading in headings)


def _lacking(sheet: Sheet, draft: Draft) -> list[Problem]:
    open_ones = [
        key for key, _ in missing_columns(sheet, draft) if not (key in draft.fixed and draft.fixed[key].text)
    ]
    return [
        Problem(f"No column gives the {WORDS[key]}, which is needed; say below where it comes from.")
        for key in open_ones
    ]


def _dates(sheet: Sheet, draft: Draft) -> list[Problem]:
    fitting = date_orders(sheet, draft)
    if fitting is None or draft.date_order in fitting or fitting == ["year_first"]:
        return []
    if not fitting:
        return [Problem("The dates of this sheet are not all written in one order of day, month and year.")]
    return [Problem("The dates can be read in more than one way; say below which is meant.")]


def date_orders(sheet: Sheet, draft: Draft) -> list[str] | None:
    """The orders in which all dates of the sheet can be read; None when no date is made of three numbers."""
    texts = [text for text in date_texts(sheet, draft) if _NUMBERS.match(text)]
    return [order for order in ORDERS if all(as_read(text, order) for text in texts)] if texts else None


def has_unknown_years(sheet: Sheet, draft: Draft) -> bool:
    """Whether years of two figures cannot be completed: no season with set-ups is known."""
    found = [] if sheet.has_seasons else filter(None, map(_NUMBERS.match, date_texts(sheet, draft)))
    return any(all(len(part) <= 2 for part in date.groups()) for date in found)


def date_texts(sheet: Sheet, draft: Draft) -> list[str]:
    """The different dates of the sheet, as they are written."""
    dated = (
        values for name, values in zip(sheet.headings, sheet.values, strict=True) if is_date(draft.meaning(name))
    )
    return [text for values in dated for text in values]


def as_read(text: str, order: str) -> str | None:
    """The date in ``text`` year first, read in ``order``; None when it is no such date."""
    found = _NUMBERS.match(text)
    if found is None:
        return None
    year, month, day = (found.group(number + 1) for number in _PLACES[order])
    if len(year) not in ({4} if order == "year_first" else {2, 4}) or len(day) > 2 or len(month) > 2:
        return None
    try:
        return dt.date(int(year) + (2000 if len(year) == 2 else 0), int(month), int(day)).isoformat()
    except ValueError:
        return None


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
    needed = [names.position(heading) for heading in rows.only_when]
    return [
        {name: _cell(sheet, draft, rows.table, name, value, cells, position) for name, value in rows.columns}
        for cells in sheet.rows
        for position in each
        if all(_at(cells, one) for one in [*needed, *([position] if position is not None else [])])
    ][:MOST_ROWS]


def _cell(
    sheet: Sheet, draft: Draft, name: str, column: str, value: Value, cells: tuple[str, ...], position: int | None
) -> str:
    names = HeadingNames(sheet.headings)
    if value.source == "column":
        parts = [_at(cells, names.position(one)) for one in (value.text, value.joined) if one is not None]
        text = " ".join(filter(None, [*parts, reads(sheet, value.behind) if value.behind and parts[0] else ""]))
    elif value.source == "cell_value":
        text = _at(cells, position)
    elif value.source == "heading":
        text = sheet.headings[position] if position is not None else ""
    else:
        text = reads(sheet, value)
    text = dict(value.words).get(text, text)
    if table(name).column(column).kind in {"date", "moment"} and draft.date_order:
        date = as_read(text, draft.date_order)
        return text if date is None else " ".join([date, *text.split()[1:]])
    return text


def _at(cells: tuple[str, ...], position: int | None) -> str:
    return cells[position].strip() if position is not None and position < len(cells) else ""


#: Source, the expression that takes the value from the name, and the same in words.
_EXPRESSIONS: tuple[tuple[Literal["sheet_name", "file_name"], str, str], ...] = (
    ("sheet_name", r"^\s*(?P<value>.+?)\s*$", "the name of the sheet"),
    ("sheet_name", r"(?P<value>[^\s_]+)\s*$", "the last word of the sheet's name"),
    ("sheet_name", r"^\s*(?P<value>[^\s_]+)", "the first word of the sheet's name"),
    ("file_name", r"(?P<value>[^\s_]+)\.[^.]+$", "the last word of the file's name"),
    ("file_name", r"^(?P<value>[^\s_.]+)", "the first word of the file's name"),
    ("file_name", r"^(?P<value>.+?)\.[^.]+$", "the name of the file"),
)


_NAMES = {"sheet_name": "the name of the sheet", "file_name": "the name of the file"}


def fixed_sources(sheet: Sheet, draft: Draft) -> list[tuple[Value, str, str]]:
    """Each source with its words and with what it reads here; no two that read the same from the same name.

    What the draft takes by an expression of its own comes last.
    """
    found: list[tuple[Value, str, str]] = []
    for source, expression, words in _EXPRESSIONS:
        fixed = Value(source, expression)
        read = reads(sheet, fixed)
        if read and (source, read) not in [(other.source, known) for other, _, known in found]:
            found.append((fixed, words, read))
    found += [(Value("cell", address), f"the cell {address}", text) for address, text in sheet.above.items()]
    own = [
        fixed
        for fixed in draft.fixed.values()
        if fixed.source in _NAMES and fixed not in [one for one, _, _ in found]
    ]
    return found + [
        (fixed, f"a part of {_NAMES[fixed.source]}", reads(sheet, fixed)) for fixed in dict.fromkeys(own)
    ]


def reads(sheet: Sheet, fixed: Value) -> str:
    """What a source reads in this sheet, blank for nothing."""
    if fixed.source == "constant":
        return fixed.text
    if fixed.source == "cell":
        return sheet.above.get(fixed.text, "")
    match = re.search(fixed.text, (sheet.sheet if fixed.source == "sheet_name" else sheet.file) or "")
    return match["value"] if match else ""
