"""What was seen of a sheet, and what the person chose so far; both kept as small files, with a way back."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

from broodyear.desk.workplace import read_json, write_json

#: So many steps can be undone.
MOST_STEPS = 100
FixedSource = Literal["constant", "sheet_name", "file_name", "cell"]


@dataclass(frozen=True)
class Sheet:
    """What was seen of a file or sheet. name: as shown; file, sheet: bare names, the sheet's None for a plain
    file; others: shown names of sheets with the same headings; header_line: spreadsheet row of the headings;
    headings: no two alike; rows: the first rows below; values: per column the different values, the first few
    hundred; above: address -> text of the cells above the headings; has_seasons: seasons are known by which a year
    of two figures can be completed."""

    name: str
    file: str
    sheet: str | None
    others: tuple[str, ...]
    header_line: int
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    values: tuple[tuple[str, ...], ...]
    above: Mapping[str, str] = field(default_factory=dict)
    has_seasons: bool = True


@dataclass(frozen=True)
class Fixed:
    """Where a column that no heading gives comes from: the same text in every row, or a name or one cell."""

    source: FixedSource
    text: str


@dataclass(frozen=True)
class Draft:
    """The choices. name: of the layout; meanings: per heading, blank while nothing was said; guesses: headings
    whose meaning is a guess; fixed: by key; words: heading -> (as written -> as meant)."""

    name: str
    meanings: Mapping[str, str]
    guesses: frozenset[str] = frozenset()
    fixed: Mapping[str, Fixed] = field(default_factory=dict)
    date_order: str = ""
    words: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

    def meaning(self, heading: str) -> str:
        """What a heading means, blank while nothing was said."""
        return self.meanings.get(heading, "")


class Drafts:
    """The sheets whose columns are being explained, in ``folder``: a file each, by number."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def add(self, sheet: Sheet, draft: Draft) -> int:
        """Keep a new sheet with its first draft; its number."""
        self._folder.mkdir(exist_ok=True)
        number = max((int(place.stem) for place in self._folder.glob("*.json")), default=0) + 1
        write_json(self._place(number), {"sheet": asdict(sheet), "steps": [_plain(draft)]})
        return number

    def listed(self) -> list[tuple[int, Sheet]]:
        """Number and sheet of each, in order."""
        numbers = sorted(int(place.stem) for place in self._folder.glob("*.json"))
        return [(number, found[0]) for number in numbers if (found := self.read(number)) is not None]

    def read(self, number: int) -> tuple[Sheet, Draft, int] | None:
        """Sheet, draft as it stands, and how many steps can be undone; None when there is no such sheet."""
        content = read_json(self._place(number))
        if not isinstance(content, dict):
            return None
        return _sheet(content["sheet"]), _draft(content["steps"][-1]), len(content["steps"]) - 1

    def change(self, number: int, draft: Draft) -> None:
        """Take a step, unless nothing is different."""
        content = read_json(self._place(number))
        if content["steps"][-1] != json.loads(json.dumps(_plain(draft))):
            content["steps"] = [*content["steps"], _plain(draft)][-MOST_STEPS:]
            write_json(self._place(number), content)

    def undo(self, number: int) -> None:
        """Go one step back."""
        content = read_json(self._place(number))
        if len(content["steps"]) > 1:
            write_json(self._place(number), {**content, "steps": content["steps"][:-1]})

    def forget(self, number: int) -> None:
        """Put a sheet away."""
        self._place(number).unlink(missing_ok=True)

    def _place(self, number: int) -> Path:
        return self._folder / f"{number}.json"


def _plain(draft: Draft) -> dict[str, Any]:
    return {**asdict(draft), "guesses": sorted(draft.guesses)}


def _draft(plain: dict[str, Any]) -> Draft:
    fixed = {key: Fixed(**value) for key, value in plain["fixed"].items()}
    return replace(Draft(**plain), guesses=frozenset(plain["guesses"]), fixed=fixed)


def _sheet(plain: dict[str, Any]) -> Sheet:
    rows, values = (tuple(map(tuple, plain[name])) for name in ("rows", "values"))
    return Sheet(
        **{**plain, "rows": rows, "values": values},
    )
