"""Reading the comment that heads every query file: what it is for, what it reads, what it returns."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from broodyear.errors import BroodyearError

_RETURNED = re.compile(r"(?P<name>[a-z0-9_]+) \[(?P<unit>[^\]]+)\]: (?P<meaning>.+)", re.DOTALL)
_FIELD = re.compile(r"(?P<field>purpose|grain|reads|key|kept as|returns):\s*(?P<value>.*)", re.DOTALL)
_KEPT_AS = ("table", "view")


@dataclass(frozen=True)
class ReturnedColumn:
    """A column a query returns: its name, its unit ("°C", "count", "code", ...) and its meaning in plain words."""

    name: str
    unit: str
    meaning: str


@dataclass(frozen=True)
class Query:
    """One file of the queries folder.

    name: of the file and of the table it makes; purpose, grain: one sentence each; reads: tables it needs;
    key: columns that tell its rows apart, empty where it holds one row or none; kept_as: "table" or "view";
    returns: its columns in order; text: the SQL, comment included.
    """

    name: str
    purpose: str
    grain: str
    reads: tuple[str, ...]
    key: tuple[str, ...]
    kept_as: str
    returns: tuple[ReturnedColumn, ...]
    text: str


def read_query(path: Path) -> Query:
    """The query in ``path``, its header taken apart. Raises BroodyearError naming the file and what is missing."""
    text = path.read_text(encoding="utf-8")
    title, *entries = _entries(text)
    if title != path.stem:
        raise BroodyearError(f"{path.name} is headed {title!r}; expected its own name, {path.stem!r}")
    fields = _fields(entries, path.name)
    for needed in ("purpose", "grain", "reads"):
        if needed not in fields:
            raise BroodyearError(
                f"the header of {path.name} lacks {needed!r}; see DEVELOPERS.md, how to add a query"
            )
    return Query(
        name=path.stem,
        purpose=fields["purpose"],
        grain=fields["grain"],
        reads=_names(fields["reads"]),
        key=_names(fields.get("key", "")),
        kept_as=_kept_as(fields.get("kept as", "table"), path.name),
        returns=tuple(_returned(entry, path.name) for entry in fields.get("returns", "").split("\n") if entry),
        text=text,
    )


def _entries(text: str) -> list[str]:
    """Header lines without their dashes; a line indented deeper than the one it continues is joined to it."""
    entries: list[str] = []
    for line in text.splitlines():
        if not line.startswith("--"):
            break
        words = line[2:].rstrip()
        if not words:
            continue
        if entries and len(words) - len(words.lstrip()) > 3:
            entries[-1] += " " + words.strip()
        else:
            entries.append(words[1:] if words.startswith("   ") else words.strip())
    return entries or [""]


def _fields(entries: list[str], file_name: str) -> dict[str, str]:
    """Header fields by name; the returned columns arrive as lines under ``returns``."""
    fields: dict[str, str] = {}
    for entry in entries:
        if entry.startswith("  "):
            fields["returns"] = fields.get("returns", "") + entry.strip() + "\n"
            continue
        found = _FIELD.fullmatch(entry)
        if found is None:
            raise BroodyearError(f"the header of {file_name} has the line {entry!r}, which is no known field")
        fields[found["field"]] = found["value"].strip()
    return fields


def _names(value: str) -> tuple[str, ...]:
    return tuple(name.strip() for name in value.split(",") if name.strip())


def _kept_as(value: str, file_name: str) -> str:
    if value not in _KEPT_AS:
        raise BroodyearError(f"{file_name} is kept as {value!r}; expected one of {', '.join(_KEPT_AS)}")
    return value


def _returned(entry: str, file_name: str) -> ReturnedColumn:
    found = _RETURNED.fullmatch(entry)
    if found is None:
        raise BroodyearError(f"{file_name} returns {entry!r}; expected the form 'name [unit]: meaning'")
    return ReturnedColumn(found["name"], found["unit"], found["meaning"])
