"""What was seen of a sheet, what its columns can mean, and what the person chose so far, with a way back."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from broodyear.desk.workplace import read_json, write_json
from broodyear.layouts import Value
from broodyear.schemas import TABLE_NAMES, Column, Table, table

#: So many steps can be undone.
MOST_STEPS = 100
#: A day with its year.
_YEAR = re.compile(r"[0-9]{4}|[0-9]+[-/.][0-9]+[-/.][0-9]+")
#: The column is left out on purpose.
LEAVE = "leave"
#: Before the name of a column: each heading that means this names a tank, and its cells give rows of their own.
EACH = "each:"
#: What holds for all rows that a line of the sheet gives, whichever table they go to.
SHARED = {
    "tank_id": "tank",
    "tank_at_site": "number of the tank at its site",
    "date": "date",
    "time": "time of day",
    "site_id": "site",
    "batch_id": "batch of eggs",
    "season": "season",
}
#: Readings that people keep with one column for each tank.
BY_TANK = ("temperatures.water_temp", "losses.dead")
#: What people keep with one column for each stage.
BY_STAGE = ("losses.dead", "stages.first_seen_on")


def _words(key: str) -> str:
    name, _, column = key.partition(".")
    return f"{column.replace('_', ' ')} ({name.replace('_', ' ')})"


#: All choices, by heading: for every row, one column per tank, then table by table; each as it is kept and shown.
OPTIONS: Mapping[str, Mapping[str, str]] = {
    "For every row": SHARED,
    "A column for each tank": {f"{EACH}{key}": f"{_words(key)}, one column for each tank" for key in BY_TANK},
    "A column for each stage": {
        f"{key}:{stage}": f"{stage.replace('_', ' ')}: {_words(key)}"
        for key in BY_STAGE
        for stage in table(key.partition(".")[0]).column("stage").allowed
    },
    **{
        name: {key: _words(key) for key in (f"{name}.{column.name}" for column in table(name).columns)}
        for name in TABLE_NAMES
    },
}
#: The words of every choice.
WORDS = {key: words for choices in OPTIONS.values() for key, words in choices.items()}


def is_known(key: str) -> bool:
    """Whether ``key`` is one of the choices."""
    return key in {"", LEAVE} or key in WORDS


def column_of(key: str) -> tuple[Table, Column]:
    """Table and column of a choice that is one table's own."""
    name, _, column = key.removeprefix(EACH).partition(":")[0].partition(".")
    return table(name), table(name).column(column)


def stage_of(key: str) -> str:
    """The stage whose column a choice is, blank where it is none's."""
    return "" if key.startswith(EACH) else key.partition(":")[2]


def date_column(target: Table) -> Column | None:
    """The column of ``target`` that says when: its first required date."""
    return next((one for one in target.columns if one.required and one.kind in {"date", "moment"}), None)


def is_date(key: str) -> bool:
    """Whether a choice is a date."""
    if key in {"", LEAVE} or (key in SHARED and key != "date"):
        return False
    return key == "date" or column_of(key)[1].kind in {"date", "moment"}


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
class Draft:
    """The choices. name: of the layout; meanings: per heading, blank while nothing was said; guesses: headings
    whose meaning is a guess; fixed: by key, where a column that no heading gives comes from: a constant, a name,
    or one cell; words: heading -> (as written -> as meant); without: heading -> words left out behind its
    counts; units: heading -> the unit of its numbers, where it is another than the column's."""

    name: str
    meanings: Mapping[str, str]
    guesses: frozenset[str] = frozenset()
    fixed: Mapping[str, Value] = field(default_factory=dict)
    date_order: str = ""
    words: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    without: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)

    def meaning(self, heading: str) -> str:
        """What a heading means, blank while nothing was said."""
        return self.meanings.get(heading, "")


def lacks_year(sheet: Sheet, draft: Draft, heading: str) -> bool:
    """Whether a heading gives days, and none of them has its year."""
    days = dict(zip(sheet.headings, sheet.values, strict=True)).get(heading)
    return bool(days) and is_date(draft.meaning(heading)) and not any(map(_YEAR.search, days or ()))


def season_heading(sheet: Sheet, draft: Draft) -> str | None:
    """The heading that gives the season, where there is one."""
    return next((name for name in sheet.headings if draft.meaning(name) == "season"), None)


class Drafts:
    """The sheets whose columns are being explained, in ``folder``: a file each, by number."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def add(self, sheet: Sheet, draft: Draft) -> int:
        """Keep a new sheet with its first draft; its number."""
        self._folder.mkdir(exist_ok=True)
        number = max((int(path.stem) for path in self._folder.glob("*.json")), default=0) + 1
        write_json(self._place(number), {"sheet": asdict(sheet), "steps": [_plain(draft)]})
        return number

    def listed(self) -> list[tuple[int, Sheet]]:
        """Number and sheet of each, in order."""
        numbers = sorted(int(path.stem) for path in self._folder.glob("*.json"))
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
    fixed = {
        key: Value(value["source"], value["text"], words=tuple(map(tuple, value["words"])))
        for key, value in plain["fixed"].items()
    }
    return replace(Draft(**plain), guesses=frozenset(plain["guesses"]), fixed=fixed)


def _sheet(plain: dict[str, Any]) -> Sheet:
    rows, values = (tuple(map(tuple, plain[name])) for name in ("rows", "values"))
    return Sheet(**{**plain, "rows": rows, "values": values})
