"""What still stands in the way of a layout, said as soon as it is so."""

from __future__ import annotations

import re
from dataclasses import dataclass

from broodyear.desk.mapping.choices import fed_tables
from broodyear.desk.mapping.dates import has_short_year, is_numeric, orders_that_fit
from broodyear.desk.mapping.drafts import Draft, Sheet
from broodyear.desk.mapping.meanings import EACH, LEAVE, SHARED, column_of, date_column, words_of
from broodyear.schemas import Column, table

#: So many words of one column are asked for.
MOST_WORDS = 40


@dataclass(frozen=True)
class Problem:
    """One thing to say or mend. headings: the columns it is about."""

    message: str
    headings: tuple[str, ...] = ()


def problems(sheet: Sheet, draft: Draft) -> list[Problem]:
    """Everything that has to be said before the layout can be kept."""
    return [*_undecided(sheet, draft), *_twice(sheet, draft), *_lacking(draft), *_dates(sheet, draft)]


def missing_columns(draft: Draft) -> list[tuple[str, Column]]:
    """Key and column of what the tables fed must have and no heading gives; what they share comes once."""
    found: dict[str, Column] = {}
    said = set(draft.meanings.values())
    has_tanks = any(key.startswith(EACH) or key == "tank_at_site" for key in said)
    for name in fed_tables(draft):
        when = date_column(table(name))
        for column in table(name).columns:
            shared = "date" if when is not None and column.name == when.name else column.name
            key = shared if shared in SHARED else f"{name}.{column.name}"
            own = {f"{name}.{column.name}", f"{EACH}{name}.{column.name}", key}
            if _is_asked(name, column, said) and not own & said and not (has_tanks and key == "tank_id"):
                found.setdefault(key, column)
    return list(found.items())


def _is_asked(name: str, column: Column, said: set[str]) -> bool:
    """Whether a table needs the column: always, or because a column that is there means nothing without it."""
    decides = {one.range_by.column for one in table(name).columns if one.range_by and _is_said(name, one, said)}
    return column.required or column.name in decides


def _is_said(name: str, column: Column, said: set[str]) -> bool:
    return bool({f"{name}.{column.name}", f"{EACH}{name}.{column.name}"} & said)


def unknown_words(sheet: Sheet, draft: Draft) -> dict[str, tuple[Column, list[str]]]:
    """Heading -> its column, and the values that this column cannot hold: each may be given a meaning."""
    found = {}
    for place, heading in enumerate(sheet.headings):
        key = draft.meaning(heading)
        if key in {"", LEAVE} or key in SHARED or key.startswith(EACH):
            continue
        column = column_of(key)[1]
        values = [value for value in sheet.values[place] if value.strip() and not _is_allowed(column, value)]
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
        Problem(f"{_joined(headings)} both mean {words_of(key)}; only one can.", tuple(headings))
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


def _lacking(draft: Draft) -> list[Problem]:
    open_ones = [key for key, _ in missing_columns(draft) if not (key in draft.fixed and draft.fixed[key].text)]
    return [
        Problem(f"No column gives the {words_of(key)}, which is needed; say below where it comes from.")
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
    dated = [place for place, heading in enumerate(sheet.headings) if is_date(draft.meaning(heading))]
    texts = [value for place in dated for value in sheet.values[place] if is_numeric(value)]
    return orders_that_fit(texts) if texts else None


def has_unknown_years(sheet: Sheet, draft: Draft) -> bool:
    """Whether years of two figures cannot be completed: no season with set-ups is known."""
    dated = [place for place, heading in enumerate(sheet.headings) if is_date(draft.meaning(heading))]
    return not sheet.has_seasons and any(has_short_year(value) for place in dated for value in sheet.values[place])


def is_date(key: str) -> bool:
    """Whether a choice is a date."""
    if key in {"", LEAVE} or (key in SHARED and key != "date"):
        return False
    return key == "date" or column_of(key)[1].kind in {"date", "moment"}
