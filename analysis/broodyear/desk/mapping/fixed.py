"""Where a column that no heading gives can come from: a name, a word of a name, a cell above, or the same text."""

from __future__ import annotations

import re

from broodyear.desk.mapping.drafts import Draft, Fixed, FixedSource, Sheet

#: Source, the expression that takes the value from the name, and the same in words.
_EXPRESSIONS: tuple[tuple[FixedSource, str, str], ...] = (
    ("sheet_name", r"^\s*(?P<value>.+?)\s*$", "the name of the sheet"),
    ("sheet_name", r"(?P<value>[^\s_]+)\s*$", "the last word of the sheet's name"),
    ("sheet_name", r"^\s*(?P<value>[^\s_]+)", "the first word of the sheet's name"),
    ("file_name", r"(?P<value>[^\s_]+)\.[^.]+$", "the last word of the file's name"),
    ("file_name", r"^(?P<value>[^\s_.]+)", "the first word of the file's name"),
    ("file_name", r"^(?P<value>.+?)\.[^.]+$", "the name of the file"),
)


_NAMES = {"sheet_name": "the name of the sheet", "file_name": "the name of the file"}


def fixed_sources(sheet: Sheet, draft: Draft) -> list[tuple[Fixed, str, str]]:
    """Each source with its words and with what it reads here; no two that read the same from the same name.

    What the draft takes by an expression of its own comes last.
    """
    found: list[tuple[Fixed, str, str]] = []
    for source, expression, words in _EXPRESSIONS:
        fixed = Fixed(source, expression)
        read = reads(sheet, fixed)
        if read and (source, read) not in [(other.source, known) for other, _, known in found]:
            found.append((fixed, words, read))
    found += [(Fixed("cell", place), f"the cell {place}", text) for place, text in sheet.above.items()]
    own = [
        fixed
        for fixed in draft.fixed.values()
        if fixed.source in _NAMES and fixed not in [one for one, _, _ in found]
    ]
    return found + [
        (fixed, f"a part of {_NAMES[fixed.source]}", reads(sheet, fixed)) for fixed in dict.fromkeys(own)
    ]


def reads(sheet: Sheet, fixed: Fixed) -> str:
    """What a source reads in this sheet, blank for nothing."""
    if fixed.source == "constant":
        return fixed.text
    if fixed.source == "cell":
        return sheet.above.get(fixed.text, "")
    match = re.search(fixed.text, (sheet.sheet if fixed.source == "sheet_name" else sheet.file) or "")
    return match["value"] if match else ""
