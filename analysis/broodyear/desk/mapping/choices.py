"""The layout that a draft makes, and the draft that a guessed layout stands for."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from glob import escape
from os.path import commonprefix

from broodyear.desk.mapping.drafts import (
    BY_STAGE,
    BY_TANK,
    EACH,
    LEAVE,
    SHARED,
    Draft,
    Sheet,
    column_of,
    date_column,
    is_known,
    lacks_year,
    season_heading,
    stage_of,
)
from broodyear.layouts import HeadingNames, Layout, Rows, Value
from broodyear.layouts.model import conversion
from broodyear.schemas import TABLE_NAMES, Column, Table, table


def fed_tables(draft: Draft) -> list[str]:
    """The tables that the choices give rows to, in load order."""
    own = [key for key in draft.meanings.values() if key not in {"", LEAVE} and key not in SHARED]
    return [name for name in TABLE_NAMES if any(column_of(key)[0].name == name for key in own)]


def layout_of(sheet: Sheet, draft: Draft) -> Layout:
    """The layout of the choices; whether they suffice is said by ``problems``."""
    used = [name for name in sheet.headings if draft.meaning(name) not in {"", LEAVE}]
    return Layout(
        name=draft.name,
        header=tuple(name for name in used if not draft.meaning(name).startswith(EACH)) or sheet.headings[:1],
        date_order=draft.date_order or None,  # type: ignore[arg-type]
        ignore=tuple(name for name in sheet.headings if draft.meaning(name) == LEAVE),
        rows=tuple(rows for name in fed_tables(draft) for rows in _rows(sheet, draft, table(name))),
    )


def _rows(sheet: Sheet, draft: Draft, target: Table) -> Iterator[Rows]:
    """What one table gets: rows of the columns that are its own, of columns that each are a stage or a tank."""
    by_tank = [name for name in sheet.headings if draft.meaning(name) in {f"{EACH}{key}" for key in _own(target)}]
    plain = [name for name in sheet.headings if draft.meaning(name) in _own(target)]
    staged = [key for key in draft.meanings.values() if stage_of(key) and column_of(key)[0].name == target.name]
    common = dict(_common(sheet, draft, target))
    own = {column_of(draft.meaning(name))[1].name: _value(sheet, draft, name) for name in plain}
    if plain and not {column_of(key)[1].name for key in staged} - set(own):
        needed = _needed(draft, target, plain) if len(fed_tables(draft)) > 1 else ()
        yield Rows(target.name, _in_order(target, {**common, **own}), needed)
    for name in (name for name in sheet.headings if draft.meaning(name) in staged):
        key = draft.meaning(name)
        one = {"stage": Value("constant", stage_of(key)), column_of(key)[1].name: _value(sheet, draft, name)}
        yield Rows(target.name, _in_order(target, {**common, **own, **one}), (name,))
    for key in BY_TANK:
        headings = [name for name in by_tank if draft.meaning(name) == f"{EACH}{key}"]
        for pattern in _patterns(headings, sheet.headings):
            each = {"tank_id": Value("heading"), column_of(key)[1].name: Value("cell_value")}
            yield Rows(target.name, _in_order(target, {**common, **each}), (), pattern)


def _own(target: Table) -> set[str]:
    return {f"{target.name}.{column.name}" for column in target.columns}


def _common(sheet: Sheet, draft: Draft, target: Table) -> Iterator[tuple[str, Value]]:
    """What every row of the table has: shared columns, and what no heading gives."""
    when = date_column(target)
    for key, fixed in draft.fixed.items():
        name = _shared_name(key, when) if key in SHARED else key.removeprefix(f"{target.name}.")
        if name in target.column_names:
            yield name, fixed
    beside = {key: heading for heading, key in draft.meanings.items() if key in {"time", "site_id"}}
    for heading, key in draft.meanings.items():
        name = _shared_name(key, when) if key in SHARED else None
        if name in target.column_names:
            value = _value(sheet, draft, heading)
            if key == "date" and when is not None and when.kind == "moment" and "time" in beside:
                value = replace(value, joined=beside["time"])
            if key == "tank_at_site":
                yield "tank_id", Value("column", beside.get("site_id", heading), heading)
            else:
                yield str(name), value


def _shared_name(key: str, when: Column | None) -> str | None:
    """The column of a table that a shared meaning fills."""
    key = "tank_id" if key == "tank_at_site" else key
    return (when.name if when else None) if key == "date" else key if key != "time" else None


def _value(sheet: Sheet, draft: Draft, heading: str) -> Value:
    """The cells under a heading; days without a year are read with the season beside them."""
    words = sorted((written, meant) for written, meant in draft.words.get(heading, {}).items() if meant)
    season, fixed = season_heading(sheet, draft), draft.fixed.get("season")
    if not lacks_year(sheet, draft, heading):
        season = fixed = None
    without = tuple(draft.without.get(heading, ()))
    unit, key = draft.units.get(heading, ""), draft.meanings.get(heading, "")
    if unit and ("." not in key or conversion(column_of(key)[1], unit) is None):
        unit = ""
    return Value("column", heading, season, None if season else fixed, tuple(words), without, unit)


def _needed(draft: Draft, target: Table, headings: list[str]) -> tuple[str, ...]:
    """The headings under which a line must hold something to give a row to this table and not to others only."""
    columns = {name: column_of(draft.meaning(name))[1] for name in headings}
    measured = [name for name in headings if columns[name].name not in target.primary_key]
    required = [name for name in measured if columns[name].required]
    return tuple(required or measured[:1] or headings)


def _in_order(target: Table, columns: dict[str, Value]) -> tuple[tuple[str, Value], ...]:
    return tuple((name, columns[name]) for name in target.column_names if name in columns)


def _patterns(headings: list[str], among: tuple[str, ...]) -> list[str]:
    """One pattern that takes these headings and no others, where their common beginning is one; else each name."""
    # Without the digits at its end: the next sheet may have tanks with other ones.
    start = commonprefix(headings).rstrip("0123456789")  # noqa: RUF071 - they are no paths
    if len(headings) > 1 and start and [name for name in among if name.startswith(start)] == headings:
        return [f"{escape(start)}*"]
    return [escape(name) for name in headings]


#: What stands in a guessed layout for what nothing in the file tells.
UNKNOWN = "?"


def draft_from(sheet: Sheet, layout: Layout) -> Draft:
    """The draft of a layout that was guessed for this sheet: every meaning is marked as a guess."""
    names = HeadingNames(sheet.headings)
    meanings: dict[str, str] = {}
    fixed: dict[str, Value] = {}
    words: dict[str, dict[str, str]] = {}
    without: dict[str, tuple[str, ...]] = {}
    units: dict[str, str] = {}
    by_stage = _by_stage(layout)
    for rows in layout.rows:
        for column, value in rows.columns:
            key = by_stage.get(rows, {}).get(column) or _key(rows, column)
            if rows in by_stage and column == "stage":
                continue
            if value.source == "column" and (position := names.position(value.text)) is not None:
                if rows.unpivot is None and key not in SHARED and key in meanings.values():
                    continue  # rows of another word of the same column: which it is, the person says
                heading, is_tank = sheet.headings[position], key == "tank_id" and value.joined is not None
                meanings.setdefault(heading, "site_id" if is_tank else key)
                words.setdefault(heading, {}).update(value.words)
                without |= {heading: value.without} if value.without else {}
                units |= {heading: value.unit} if value.unit else {}
                if value.joined is not None and (other := names.position(value.joined)) is not None:
                    meanings.setdefault(
                        sheet.headings[other], "tank_at_site" if is_tank else _beside(rows, column)
                    )
                if value.behind is not None and value.behind.text != UNKNOWN:
                    fixed.setdefault("season", Value(value.behind.source, value.behind.text))
            elif value.source == "cell_value" and rows.unpivot is not None:
                for each in names.matching(rows.unpivot):
                    meanings.setdefault(sheet.headings[each], f"{EACH}{rows.table}.{column}")
            elif value.source in {"constant", "sheet_name", "file_name", "cell"} and value.text != UNKNOWN:
                fixed.setdefault(key, Value(value.source, value.text, words=value.words))
    known = {heading: key for heading, key in meanings.items() if is_known(key)}
    ignored = (names.position(heading) for heading in layout.ignore)
    left = {sheet.headings[position]: LEAVE for position in ignored if position is not None}
    return Draft(
        layout.name, {**left, **known}, frozenset({**left, **known}), fixed, layout.date_order or "",
        {heading: meanings for heading, meanings in words.items() if meanings}, without, units,
    )  # fmt: skip


def _by_stage(layout: Layout) -> dict[Rows, dict[str, str]]:
    """The rows that columns for single stages give, each with the choices that its own columns stand for."""
    found: dict[Rows, dict[str, str]] = {}
    for rows in layout.rows:
        stage = dict(rows.columns).get("stage", Value("heading"))
        has_others = sum(one.table == rows.table for one in layout.rows) > 1
        if rows.unpivot is None and has_others and stage.source == "constant":
            columns = [key.partition(".")[2] for key in BY_STAGE if column_of(key)[0].name == rows.table]
            found[rows] = {name: f"{rows.table}.{name}:{stage.text}" for name in columns}
    return found


def _beside(rows: Rows, column: str) -> str:
    """What is joined to a column: a clock to a moment, the school year to a day."""
    return "time" if table(rows.table).column(column).kind == "moment" else "season"


def _key(rows: Rows, column: str) -> str:
    when = date_column(table(rows.table))
    if when is not None and column == when.name:
        return "date"
    return column if column in SHARED else f"{rows.table}.{column}"
