"""Which files a call means: single files, folders, and standard input; names are shown, never used as paths."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from broodyear.errors import UnreadableFile
from broodyear.outputs import RECORD

ENDINGS = (".csv", ".csv.gz", ".tsv", ".txt")
STDIN = "-"


@dataclass(frozen=True)
class Source:
    """One upload to be read. shown: the path as the user gave it; place: the file, None for standard input."""

    shown: str
    place: Path | None
    stream: BinaryIO | None = None

    @property
    def name(self) -> str:
        """The bare file name, from which the table may be told."""
        return "" if self.place is None else self.place.name


@dataclass(frozen=True)
class Missing:
    """A path that leads to nothing readable, with the reason."""

    shown: str
    message: str
    advice: str


def find_sources(paths: Iterable[str | Path], stdin: BinaryIO | None) -> tuple[list[Source], list[Missing]]:
    """The files that ``paths`` mean, each once, folders searched in name order; and the paths that led nowhere."""
    found: dict[str, Source] = {}
    missing: list[Missing] = []
    for path in paths:
        try:
            for source in _sources(path, stdin):
                found.setdefault(_identity(source), source)
        except UnreadableFile as error:
            message, advice = error.args
            missing.append(Missing(str(path), message, advice))
    return list(found.values()), missing


def _identity(source: Source) -> str:
    return STDIN if source.place is None else os.path.realpath(source.place)


def _sources(path: str | Path, stdin: BinaryIO | None) -> Iterator[Source]:
    if str(path) == STDIN:
        if stdin is None:
            raise UnreadableFile("nothing was sent on standard input", "Name a file or a folder instead of -.")
        yield Source(STDIN, None, stdin)
        return
    place = Path(path)
    if place.is_dir():
        yield from _in_folder(place)
    elif place.is_file():
        yield Source(str(path), place)
    elif place.exists():
        raise UnreadableFile("it is neither a file nor a folder", "Name a file or a folder.")
    else:
        raise UnreadableFile("there is no such file or folder", "Check the spelling and the folder it is in.")


def _in_folder(folder: Path) -> Iterator[Source]:
    found = sorted(place for place in folder.rglob("*") if _wanted(place, folder))
    if not found:
        endings = ", ".join(ENDINGS)
        raise UnreadableFile(
            f"the folder holds no file that ends in {endings}", "Name the folder with the records."
        )
    for place in found:
        yield Source(str(place), place)


def _wanted(place: Path, folder: Path) -> bool:
    hidden = any(part.startswith(".") for part in place.relative_to(folder).parts)
    return not hidden and place.name.lower().endswith(ENDINGS) and place.is_file() and not _is_by_product(place)


def _is_by_product(place: Path) -> bool:
    """Whether the file lies in a part of an export that is no upload: its derived tables and its history."""
    whole = place.parent.parent
    marked = (whole / "datapackage.json").exists() or (whole / RECORD).exists()
    return place.parent.name in {"derived", "history"} and marked
