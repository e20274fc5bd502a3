"""Texts that look like the label of a tank, wherever they stand: in a heading, a title or the name of a sheet."""

from __future__ import annotations

import re

CODE = re.compile(r"[A-Za-z]{1,6}[ _-]?[0-9]{1,4}[A-Za-z]?")


def titled(text: str) -> str | None:
    """The label of a tank in a text that calls it so, "Tank C-1" or "Diary of tank C-1"; None in any other."""
    found = re.fullmatch(rf"(?:\w+ of )?tank\s+({CODE.pattern})", text.strip(), re.IGNORECASE)
    return found[1] if found else None


def is_label(text: str) -> bool:
    """Whether a text looks like the label of a tank, and not like any word with a number behind it."""
    return (
        CODE.fullmatch(text.strip()) is not None
        and re.search(r"-|[A-Za-z]0|tank", text, re.IGNORECASE) is not None
    )
