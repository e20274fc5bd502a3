"""A layout as the text of layouts.toml: the same layout gives the same text, and the text reads back as it."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from broodyear.layouts.model import Layout, Rows, Value
from broodyear.settings import SameLabel


@dataclass(frozen=True)
class Line:
    """One line of an entry. table, column: of the table column whose source it says, None for any other line."""

    text: str
    table: str | None = None
    column: str | None = None


def layout_text(layout: Layout) -> str:
    """One [[layout]] entry."""
    return "\n".join(line.text for line in layout_lines(layout)) + "\n"


def layout_lines(layout: Layout) -> list[Line]:
    """One [[layout]] entry, line by line."""
    lines = ["[[layout]]"]
    for name in ("name", "files", "sheet", "header", "date_order", "decimal", "ignore", "fill_down"):
        value = getattr(layout, name)
        if value is not None and (value or name not in {"ignore", "fill_down"}):
            lines.append(f"{name} = {quote(value) if isinstance(value, str) else _listed(value)}")
    return [*map(Line, lines), *(line for rows in layout.rows for line in _rows_lines(rows))]


def _rows_lines(rows: Rows) -> list[Line]:
    """One [[layout.rows]] entry, line by line, after a blank line."""
    lines = ["", "  [[layout.rows]]", f"  table = {quote(rows.table)}"]
    lines += [f"  unpivot = {quote(rows.unpivot)}"] if rows.unpivot is not None else []
    lines += [f"  only_when = {_listed(rows.only_when)}"] if rows.only_when else []
    lines.append("    [layout.rows.columns]")
    width = max(len(column) for column, _ in rows.columns)
    return [
        *map(Line, lines),
        *(
            Line(f"    {column:<{width}} = {value_text(value)}", rows.table, column)
            for column, value in rows.columns
        ),
    ]


def value_text(value: Value) -> str:
    """The source of one column as an inline table."""
    source = "true" if value.source in {"heading", "cell_value"} else quote(value.text)
    parts = [f"{value.source} = {source}"]
    parts += [f"and = {quote(value.joined)}"] if value.joined is not None else []
    parts += [f"and = {value_text(value.behind)}"] if value.behind is not None else []
    if value.words:
        parts.append(f"words = {{ {', '.join(f'{quote(a)} = {quote(b)}' for a, b in value.words)} }}")
    parts += [f"without = {_listed(value.without)}"] if value.without else []
    parts += [f"unit = {quote(value.unit)}"] if value.unit else []
    return f"{{ {', '.join(parts)} }}"


def same_text(entry: SameLabel) -> str:
    """One [[same]] entry."""
    return f"[[same]]\nkind = {quote(entry.kind)}\nlabel = {quote(entry.label)}\nalso = {_listed(entry.also)}\n"


def without_same(text: str, entry: SameLabel) -> str | None:
    """The text of layouts.toml without one [[same]] entry; None when it is not written as ``same_text`` does."""
    written = same_text(entry)
    return re.sub(rf"\n?{re.escape(written)}", "", text, count=1) if written in text else None


def quote(text: str) -> str:
    """A text in quotes: single ones where that spares backslashes, as in regular expressions."""
    if "\\" in text and "'" not in text and text.isprintable():
        return f"'{text}'"
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + re.sub(r"[\x00-\x1f\x7f]", lambda found: f"\\u{ord(found[0]):04x}", escaped) + '"'


def _listed(texts: Iterable[str]) -> str:
    return f"[{', '.join(map(quote, texts))}]"
