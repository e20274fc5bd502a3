"""What a search for uploads gives."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

from broodyear.findings import Skipped

STDIN = "-"


@dataclass(frozen=True)
class Sheet:
    """One sheet of a workbook. rows: the cells of each spreadsheet row from the first on, as text: dates year
    first, numbers with a point, errors by their name; notes: what a reader of the file should know."""

    name: str
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Source:
    """One upload to be read. shown: the path as the user gave it, with what leads into an archive or a workbook;
    name: bare name of its file; place: that file, None for standard input; container: shown path of the file that
    holds it with others (an archive, a workbook), None when it stands alone."""

    shown: str
    name: str
    place: Path | None
    stream: BinaryIO | None = None
    sheet: Sheet | None = None
    container: str | None = None


@dataclass(frozen=True)
class Missing:
    """A path that leads to nothing readable, with the reason."""

    shown: str
    message: str
    advice: str


@dataclass
class Sources:
    """The uploads of a call in order, what was passed over with its reason, and what could not be read at all."""

    found: list[Source] = field(default_factory=list)
    skipped: list[Skipped] = field(default_factory=list)
    missing: list[Missing] = field(default_factory=list)
