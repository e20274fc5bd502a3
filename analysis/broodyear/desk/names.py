"""Names that people give their files: shown as text, never used as a path."""

from __future__ import annotations

import os
import re
from pathlib import Path
from urllib.parse import unquote

#: A name longer than this is cut: no table needs it.
LONGEST_SHOWN = 200
LONGEST_ON_DISK = 80
#: So many folders above a file are shown with it.
FOLDERS_SHOWN = 3

_ENDING = re.compile(r"\.(csv|tsv|txt)(\.gz)?$", re.IGNORECASE)
#: Names that some systems keep for devices, whatever their ending.
_DEVICES = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)", re.IGNORECASE)


def shown_name(given: str) -> str:
    """``given`` as text on one line: no control characters, no empty or dotted folders, not too long."""
    parts = [_printable(part).strip() for part in re.split(r"[\\/]", given)]
    kept = [part for part in parts if part not in {"", ".", ".."}][-1 - FOLDERS_SHOWN :]
    if not kept:
        return "unnamed"
    folders, name = kept[:-1], kept[-1]
    stem, ending = _split(name)
    return "/".join([*(folder[:60] for folder in folders), stem[: LONGEST_SHOWN - len(ending)] + ending])


def name_in_header(header: str) -> str:
    """The name in a percent-encoded header."""
    return unquote(header, errors="replace")


def disk_name(shown: str) -> str:
    """A bare file name of plain letters from which the table can still be told; it leads nowhere."""
    stem, ending = _split(shown.rsplit("/", 1)[-1])
    stem = re.sub(r"[^A-Za-z0-9_\-() ]+", "_", stem).strip(" _.-")[:LONGEST_ON_DISK] or "file"
    if _DEVICES.fullmatch(stem):
        stem = f"file_{stem}"
    return stem + re.sub(r"[^A-Za-z0-9.]", "", ending)[:12].lower()


def free_name(shown: str, taken: set[str]) -> str:
    """``shown``, or with a number before its ending when it is among ``taken``."""
    name, number = shown, 1
    stem, ending = _split(shown)
    while name in taken:
        number += 1
        name = f"{stem} ({number}){ending}"
    return name


def _split(name: str) -> tuple[str, str]:
    found = _ENDING.search(name)
    if found:
        return name[: found.start()], found.group()
    stem, dot, ending = name.rpartition(".")
    return (stem, dot + ending) if stem and 0 < len(ending) <= 5 else (name, "")


def _printable(text: str) -> str:
    return "".join(character if character.isprintable() else " " for character in text)


class NamedFile(os.PathLike[str]):
    """A file that is shown under the name its sender gave it, and read from where it lies."""

    def __init__(self, shown: str, place: Path) -> None:
        self._shown = shown
        self._place = place

    def __str__(self) -> str:
        return self._shown

    def __fspath__(self) -> str:
        return str(self._place)
