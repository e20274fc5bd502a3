"""Text that a spreadsheet would run as a formula, made harmless and plain again."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

#: A cell that begins with one of these is run, or swallowed, by spreadsheet programs.
FORMULA_STARTS = ("=", "+", "-", "@", "\t")
_NUMBER = re.compile(r"[+-]?([0-9]+[.,]?[0-9]*|[.,][0-9]+)([eE][+-]?[0-9]+)?")


def guarded(text: str) -> str:
    """``text`` with a leading apostrophe when a spreadsheet would take it for a formula; plain numbers stay."""
    if text.startswith(FORMULA_STARTS) and not _NUMBER.fullmatch(text):
        return "'" + text
    return text


def csv_text(frame: pd.DataFrame) -> str:
    """``frame`` as CSV in which no text is a formula."""
    safe = frame.map(lambda cell: guarded(cell) if isinstance(cell, str) else cell)
    text: str = safe.to_csv(index=False, lineterminator="\n")
    return text
