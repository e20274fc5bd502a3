"""Tables of a report: written once as CSV, and every number on a page points at its row there."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import pandas as pd
from markupsafe import Markup, escape

from broodyear.reports.numbers import is_number, known, written

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

    title: what it holds, in words; frame: rows in their written order; refusal: why it is empty, if it is;
    exact: numbers are written to the last bit, for whoever computes with them.
    """

    name: str
    title: str
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

    def rows(self, **wanted: Any) -> list[int]:
        """Positions of the rows whose columns equal the values given, in written order."""
        chosen = pd.Series(True, index=self.frame.index)
        for column, value in wanted.items():
            chosen &= self.frame[column] == value
        return [int(position) for position in chosen.to_numpy().nonzero()[0]]

    def value(self, row: int, column: str) -> Any:
        """The bare value of one cell, for choosing and ordering; None where the table has no such column."""
        return self._arrays[column][row] if column in self._arrays else None

    @cached_property
    def _arrays(self) -> dict[str, Any]:
        """Columns as arrays: a cell of a frame takes seven times as long to reach."""
        return {str(name): self.frame[name].array for name in self.frame.columns}

    def csv(self) -> str:
        """The table as CSV text: dates as ISO, booleans as true/false, safe to open in a spreadsheet."""
        ready = self.frame.map(cell_text, exact=self.exact) if len(self.frame) else self.frame.astype(object)
        text: str = ready.to_csv(index=False, lineterminator="\n")
        return text


def report_table(
    name: str,
    title: str,
    frame: pd.DataFrame,
    required: Sequence[str] = (),
    refusal: str = "",
    *,
    exact: bool = False,
) -> ReportTable:
    """A table with a clean row count; columns in `required` come first and are there even when empty."""
    ordered = frame.reset_index(drop=True)
    for column in required:
        if column not in ordered.columns:
            ordered[column] = None
    rest = [column for column in ordered.columns if column not in required]
    return ReportTable(name, title, ordered[[*required, *rest]], refusal, exact)


def cell_text(value: Any, exact: bool = False) -> str:
    """One cell of a CSV. A missing value is empty; a text that a spreadsheet would run gets an apostrophe."""
    if type(value) is str:
        return safe_text(value)
    if isinstance(value, list | tuple):
        return "; ".join(map(str, value))
    if not known(value):
        return ""
    if isinstance(value, bool) or type(value).__name__ == "bool_":
        return "true" if value else "false"
    if isinstance(value, float) or type(value).__name__.startswith("float"):
        return repr(float(value)) if exact else f"{float(value):.{SIGNIFICANT_DIGITS}g}"
    if isinstance(value, dt.datetime):
        return value.date().isoformat() if value.time() == dt.time() else value.isoformat(timespec="seconds")
    return safe_text(str(value))


def safe_text(text: str) -> str:
    """Text that no spreadsheet takes for a formula."""
    if text.startswith(_FORMULA_STARTS) and not _HARMLESS.match(text):
        return f"'{text}"
    return text


@dataclass(frozen=True)
class Column:
    """One column of a table on a page.

    keys: the table's columns shown together (three make an estimate with its interval, two an interval);
    title: heading, with the unit; kind: how a value is written; long: a text column that may wrap.
    """

    keys: tuple[str, ...]
    title: str
    kind: str
    long: bool = False

    @property
    def is_number(self) -> bool:
        """Whether cells are right-aligned."""
        return is_number(self.kind)


def column(key: str, title: str, kind: str, *, long: bool = False) -> Column:
    """A column that shows one column of the table."""
    return Column((key,), title, kind, long)


def interval_column(low: str, high: str, title: str, kind: str) -> Column:
    """A column that shows an interval."""
    return Column((low, high), title, kind)


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
    note: str | Markup = ""
    heading: str = ""
    anchor: str = ""
    tall: bool = field(default=False)

    @property
    def lines(self) -> Iterable[tuple[str, list[Cell]]]:
        """Each shown row: its source, and its cells."""
        for row in self.order:
            yield self.table.source(row), [self._cell(row, one) for one in self.columns]

    def _cell(self, row: int, one: Column) -> Cell:
        values = [self.table.value(row, key) for key in one.keys]
        css = "n" if one.is_number else "long" if one.long else "keep" if one.kind == "verdict" else ""
        if not known(values[0]):
            return Cell("–", css, missing=True)
        parts = [written(value, one.kind) for value in values]
        text = parts[0]
        if len(parts) == 2:
            text = f"{parts[0]} to {parts[1]}"
        return Cell(text, css, is_code=one.kind == "id")


def table_view(
    table: ReportTable,
    caption: str,
    columns: Sequence[Column],
    order: Iterable[int] | None = None,
    **options: Any,
) -> TableView:
    """Show `columns` of `table`; columns that the table lacks or that are wholly empty are left out."""
    rows = tuple(range(len(table)) if order is None else order)
    kept = tuple(one for one in columns if _has_content(table, one, rows))
    return TableView(table, caption, kept, rows, **options)


def _has_content(table: ReportTable, one: Column, rows: tuple[int, ...]) -> bool:
    if not set(one.keys) <= set(table.frame.columns):
        return False
    return not rows or any(known(table.value(row, key)) for row in rows for key in one.keys)
