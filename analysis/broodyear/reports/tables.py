"""Tables of a report: written once as CSV, and every number on a page points at its row there.

Which columns a table has for others, and how a page heads and shows them, is declared in tables.toml.
"""

from __future__ import annotations

import datetime as dt
import re
import tomllib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup, escape

from broodyear.reports.numbers import NOTHING, is_number, known, written

#: Significant digits of a CSV: sums may differ in the last bits from run to run, the bytes may not.
SIGNIFICANT_DIGITS = 10

#: Characters of a code that stay on one line.
LONGEST_UNBROKEN = 22

#: Steps and signed numbers are no formulas; anything else that begins like one gets an apostrophe.
_HARMLESS = re.compile(r"[+-][0-9]+(\.[0-9]+)?( [^\s=+\-@(]{1,12}){0,2}\Z")
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


@dataclass(frozen=True)
class Traced:
    """One number or code on a page, with the table and the row (as a spreadsheet counts them) it came from."""

    text: str
    value: str
    source: str
    column: str
    is_code: bool = False
    is_text: bool = False

    def __html__(self) -> str:
        inner = code_markup(self.text) if self.is_code else escape(self.text)
        css = Markup(" class=t") if self.is_code or self.is_text else ""
        return Markup('<data value="{}" data-from="{}" data-column="{}"{}>{}</data>').format(
            self.value, self.source, self.column, css, inner
        )


def code_markup(code: str) -> Markup:
    """A code as it stands, kept apart from the writing direction around it; long ones may break."""
    stretched = " stretched" if len(code) > LONGEST_UNBROKEN else ""
    return Markup('<bdi class="code{}">{}</bdi>').format(stretched, code)


@dataclass(frozen=True)
class ReportTable:
    """A table as it is written to DIR/tables/<name>.csv.

    frame: rows in their written order; refusal: why it is empty, if it is; exact: numbers are written to the last
    bit, for whoever computes with them.
    """

    name: str
    frame: pd.DataFrame
    refusal: str = ""
    exact: bool = False

    @property
    def file(self) -> str:
        """Address of the CSV as seen from the page."""
        return f"tables/{self.name}.csv"

    def __len__(self) -> int:
        return len(self.frame)

    def source(self, row: int) -> str:
        """Where row `row` (0-based) is: file and spreadsheet row, the header being row 1 (RFC 7111)."""
        return f"{self.name}.csv#row={row + 2}"

    def at(self, row: int, column: str, kind: str) -> Traced:
        """One cell, in the words of `kind`, with its source."""
        value = self.value(row, column)
        return Traced(
            written(value, kind),
            cell_text(value, self.exact),
            self.source(row),
            column,
            kind == "id",
            not is_number(kind),
        )

    def row(self, row: int) -> Row:
        """One row, for a sentence."""
        return Row(self, row)

    def rows(self, **wanted: Any) -> list[int]:
        """Positions of the rows whose columns equal the values given, in written order."""
        found = list(range(len(self.frame)))
        for column, value in wanted.items():
            cells = self._lists.setdefault(column, self._arrays[column].tolist())
            found = [at for at in found if cells[at] is not pd.NA and cells[at] == value]
        return found

    def value(self, row: int, column: str) -> Any:
        """The bare value of one cell, for choosing and ordering; None where the table has no such column."""
        return self._arrays[column][row] if column in self._arrays else None

    @cached_property
    def _arrays(self) -> dict[str, Any]:
        """Columns as arrays, texts as objects: a cell of a frame takes seven times as long to reach."""
        arrays = {str(name): self.frame[name].array for name in self.frame.columns}
        return {
            name: one.to_numpy(dtype=object) if isinstance(one.dtype, pd.StringDtype) else one
            for name, one in arrays.items()
        }

    @cached_property
    def _lists(self) -> dict[str, list[Any]]:
        """Columns as lists, of those that were looked through."""
        return {}

    def csv(self) -> str:
        """The table as CSV text: dates as ISO, booleans as true/false, safe to open in a spreadsheet."""
        ready = self.frame.map(cell_text, exact=self.exact) if len(self.frame) else self.frame.astype(object)
        text: str = ready.to_csv(index=False, lineterminator="\n")
        return text


@dataclass(frozen=True)
class Row:
    """A row of a table as a template words it: ``row("eggs", "whole")`` is a cell, traced to where it stands."""

    table: ReportTable
    number: int

    def __call__(self, column: str, kind: str) -> Traced:
        return self.table.at(self.number, column, kind)

    def value(self, column: str) -> Any:
        """The bare value, None where nothing is known."""
        value = self.table.value(self.number, column)
        return value if known(value) else None


def report_table(
    name: str, found: pd.DataFrame | str, first: Sequence[str] | None = None, *, exact: bool = False
) -> ReportTable:
    """A table of the rows found, or an empty one with the reason why there are none.

    first: columns that come first and are there even when it is empty; default: those that tables.toml names.
    """
    first = declared_first(name) if first is None else first
    if isinstance(found, str):
        return ReportTable(name, pd.DataFrame(columns=list(first) or ["note"]), found, exact)
    lacking = {column: None for column in first if column not in found.columns}
    ordered = found.reset_index(drop=True).assign(**lacking)
    rest = [column for column in ordered.columns if column not in first]
    return ReportTable(name, ordered[[*first, *rest]], "", exact)


def tables_of(results: object) -> tuple[ReportTable, ...]:
    """The tables among the fields of results, in their order."""
    return tuple(one for one in vars(results).values() if isinstance(one, ReportTable))


def cell_text(value: Any, exact: bool = False) -> str:
    """One cell of a CSV. A missing value is empty; a text that a spreadsheet would run gets an apostrophe."""
    if type(value) is str:
        return safe_text(value)
    if isinstance(value, float | np.floating):
        number = float(value)
        return "" if number != number else repr(number) if exact else f"{number:.{SIGNIFICANT_DIGITS}g}"
    if isinstance(value, list | tuple):
        return "; ".join(map(str, value))
    if not known(value):
        return ""
    if isinstance(value, bool) or type(value).__name__ == "bool_":
        return "true" if value else "false"
    if isinstance(value, dt.datetime):
        return value.date().isoformat() if value.time() == dt.time() else value.isoformat(timespec="seconds")
    return safe_text(str(value))


def without_folders(frame: pd.DataFrame, columns: Sequence[str]) -> pd.DataFrame:
    """The frame with the files in these columns by their names alone: whose folders they lay in is nobody's
    business."""
    return frame.assign(**frame[list(columns)].replace(r"(?s).*[\\/]", "", regex=True))


def safe_text(text: str) -> str:
    """Text that no spreadsheet takes for a formula."""
    if text.startswith(_FORMULA_STARTS) and not _HARMLESS.match(text):
        return f"'{text}"
    return text


@cache
def _declared() -> dict[str, dict[str, Any]]:
    """What tables.toml says."""
    return tomllib.loads(Path(__file__).with_name("tables.toml").read_text(encoding="utf-8"))


def declared_first(name: str) -> list[str]:
    """The columns of a table that others read, in their order."""
    listed: str = _declared().get(name, {}).get("first", "")
    return listed.split()


@dataclass(frozen=True)
class Column:
    """One column of a table on a page. keys: the column it shows, or the two ends of an interval; title: heading,
    with the unit; kind: how a value is written."""

    keys: tuple[str, ...]
    title: str
    kind: str

    @property
    def is_number(self) -> bool:
        """Whether cells are right-aligned."""
        return is_number(self.kind)

    @property
    def css(self) -> str:
        """The class of its cells."""
        if self.is_number:
            return "n"
        return "long" if self.kind.startswith("long") else "keep" if self.kind == "verdict" else ""


@cache
def _headed() -> dict[str, tuple[str, str]]:
    """Each declared column with its heading and its kind."""
    return {
        name: (title or _own_heading(name), kind)
        for kind, listed in _declared()["columns"].items()
        for name, title, _ in _listed(listed)
    }


def _listed(text: str) -> Iterator[tuple[str, str, str]]:
    """Column, heading and kind, both perhaps empty, of a list of columns."""
    for entry in text.split(";"):
        named, _, kind = entry.partition("|")
        name, _, title = named.partition(":")
        yield name.strip(), title.strip(), kind.strip()


def _own_heading(name: str) -> str:
    if ".." in name:
        return "95 % interval"
    text = name.removesuffix("_id").replace("_", " ")
    return re.sub(r" (pct|points)$", lambda unit: " (%)" if unit[1] == "pct" else " (points)", text)


@cache
def declared_columns(view: str) -> tuple[Column, ...]:
    """The columns that a page shows of a table, or in a further way of showing one."""
    headed = _headed()
    return tuple(
        Column(tuple(name.split("..")), title or headed[name][0], kind or headed[name][1])
        for name, title, kind in _listed(_declared()[view]["columns"])
    )


@dataclass(frozen=True)
class Cell:
    """Text of one cell and its CSS class."""

    text: str
    css: str
    is_code: bool = False
    missing: bool = False


@dataclass(frozen=True)
class TableView:
    """A table as a page shows it: some columns and rows of a `ReportTable`, in a given order."""

    table: ReportTable
    caption: str
    columns: tuple[Column, ...]
    order: tuple[int, ...]
    note: str = ""
    anchor: str = ""
    folded: bool = True
    kind: str = "table"

    @property
    def lines(self) -> Iterable[tuple[str, list[Cell]]]:
        """Each shown row: its source, and its cells."""
        for row in self.order:
            yield self.table.source(row), [self._cell(row, one) for one in self.columns]

    def _cell(self, row: int, one: Column) -> Cell:
        values = [self.table.value(row, key) for key in one.keys]
        if not known(values[0]):
            return Cell(NOTHING, one.css, missing=True)
        return Cell(" to ".join(written(value, one.kind) for value in values), one.css, is_code=one.kind == "id")


def shown(
    table: ReportTable,
    rows: Iterable[int] | None = None,
    view: str = "",
    *,
    anchor: str = "",
    folded: bool = True,
    **words: Any,
) -> TableView:
    """The table as tables.toml declares it under its name, or under that of a further view of it.

    rows: which, in this order; columns that the table lacks or that are wholly empty are left out; words: for the
    places that caption and note leave open.
    """
    declared = _declared()[view or table.name]
    order = tuple(range(len(table)) if rows is None else rows)
    kept = tuple(one for one in declared_columns(view or table.name) if _has_content(table, one, order))
    caption, note = (declared.get(name, "").format(**words) for name in ("caption", "note"))
    is_folded = folded and not declared.get("is_open", False)
    return TableView(table, caption, kept, order, note, anchor or view, is_folded)


def _has_content(table: ReportTable, one: Column, rows: tuple[int, ...]) -> bool:
    if not set(one.keys) <= set(table.frame.columns):
        return False
    return not rows or any(known(table.value(row, key)) for row in rows for key in one.keys)
