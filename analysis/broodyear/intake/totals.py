"""Lines that sum the lines above them: they are no record of a day, and nobody is to be told to date them."""

from __future__ import annotations

import re
from collections.abc import Sequence

from broodyear.intake.messages import Words, shown

#: What the first cell of such a line begins with, in the languages of the trade's sheets.
TOTAL_WORDS = (
    "total", "totals", "grand total", "subtotal", "sub-total", "sum", "sums", "summe", "summen", "gesamt",
    "insgesamt", "somme", "totaux", "suma", "totale", "totaal",
)  # fmt: skip
_TOTAL = re.compile(rf"\s*(?:{'|'.join(map(re.escape, TOTAL_WORDS))})(?:[\s:.].*)?", re.IGNORECASE | re.DOTALL)


def is_total(text: str | None) -> bool:
    """Whether a cell begins with a word for a total; a label such as SUM-01 does not."""
    return text is not None and _TOTAL.fullmatch(text) is not None


def is_line_of_totals(cells: Sequence[str]) -> bool:
    """Whether the first cell of a line that holds something begins with such a word."""
    return is_total(next((cell for cell in cells if cell.strip()), None))


def totals_words(value: str, table: str, blank: str | None) -> Words:
    """What is said of such a line. blank: a heading of a layout's file under which it holds nothing."""
    leave = "Leave the line out: it sums lines that are read already."
    if blank is not None:
        leave += f' In layouts.toml, "{blank}" in only_when of the rows for {table} leaves such lines out.'
    return Words(f"found {shown(value)}: this looks like a line of totals, not a record of one day", leave)
