"""A draft as an entry of layouts.toml in which every guess is marked, with the first rows below it as comments."""

from __future__ import annotations

from broodyear.intake.drafting.assigned import UNKNOWN
from broodyear.intake.drafting.drafts import EXAMPLES, Draft
from broodyear.intake.drafting.preview import PreviewTable
from broodyear.layouts.writing import layout_lines, quote
from broodyear.schemas import table as declared_table

_LONGEST_CELL = 24
#: What to do about a list of ticks.
TICKS = (
    "#   Where a mark says that a stage had come, write the day it was first seen in its place, below a heading",
    "#   that names the stage; where it says that somebody looked, how many dead were found, 0 for none.",
)


def draft_text(draft: Draft) -> str:
    """The entry of one draft; it reads as a layout as soon as nothing is marked with a question."""
    lines = [f"# {draft.path}: the headings stand in line {draft.header_line}"]
    for line in layout_lines(draft.layout):
        lines.append(f"{line.text}{_mark(draft, line.table, line.column, line.text)}")
        if line.text.startswith("header") and draft.two_orders:
            question = (
                f"? {draft.two_orders} can mean two days; write month_first or day_first, and take the # away"
            )
            lines.append(f"#date_order = {quote(UNKNOWN)}  # {question}")
    if draft.ticks:
        below = ", ".join(map(quote, draft.ticks[:EXAMPLES])) + (" …" if len(draft.ticks) > EXAMPLES else "")
        lines += [f"# ? it seems to be a list of ticks: below {below} stand marks, which no table takes.", *TICKS]
    left = [one.heading for one in draft.headings if not one.uses and not (one.is_unnamed and not one.examples)]
    if left:
        listed = ", ".join(map(quote, left))
        lines.append(f"# left over; to leave them out on purpose, write above the rows: ignore = [{listed}]")
    return "\n".join([*lines, *preview_text(draft.preview)]) + "\n"


def _mark(draft: Draft, table: str | None, column: str | None, text: str) -> str:
    if text.startswith("date_order"):
        return f"  # guess: {draft.proof} can be read in no other order"
    if text.startswith("fill_down"):
        return "  # guess: a label stands once above the lines it is meant for"
    if table is None or column is None:
        return ""
    if (table, column) in draft.unknown and UNKNOWN in text:
        allowed = declared_table(table).column(column).allowed
        one = f"one of {', '.join(allowed)}" if allowed else "something"
        return f"  # ? nothing in the file tells it; put {one} in place of {UNKNOWN}"
    marks = ["guess: what was counted is left out"] if "without = " in text else []
    if draft.guesses.get((table, column), "name") != "name":
        marks.append(f"guess: {draft.guesses[table, column]}")
    if (table, column) in draft.words:
        marks.append(f"? words to map: {', '.join(map(quote, draft.words[table, column]))}")
    return f"  # {'; '.join(marks)}" if marks else ""


def preview_text(tables: tuple[PreviewTable, ...]) -> list[str]:
    """The first rows of each table as comments, in columns; what cannot be read has a question mark before it."""
    lines = []
    for one in tables:
        lines.append(f"# {one.table}, the first rows as they would read:")
        cells = [["line", *one.columns]]
        for position, (number, values) in enumerate(one.rows):
            shown = zip(one.columns, values, strict=True)
            cells.append(
                [str(number), *(_shortened(value, (position, name) in one.unread) for name, value in shown)]
            )
        widths = [max(len(row[position]) for row in cells) for position in range(len(cells[0]))]
        for row in cells:
            padded = (cell.ljust(width) for cell, width in zip(row, widths, strict=True))
            lines.append(f"#   {'  '.join(padded)}".rstrip())
    return lines


def _shortened(value: str, unread: bool) -> str:
    text = " ".join(value.split())
    text = text if len(text) <= _LONGEST_CELL else text[: _LONGEST_CELL - 1] + "…"
    return f"?{text}" if unread and text != UNKNOWN else text
