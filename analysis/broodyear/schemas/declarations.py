"""The uploaded tables, read from their one declaration each in the folder schemas/.

The files follow the open Table Schema standard. Properties beyond the standard: ``kind`` (how broodyear reads
the column), ``unit``, ``grain``, ``allowedInWords``, ``synonyms`` (other headings), ``writtenAsSpan``
(2025/26), ``moreBySettings`` (a programme's settings may add words), ``rangeBy`` (a range that depends on another
column), ``rowRules`` (rules over two columns), ``key`` and ``keySeasonOf`` (a key to which the season of a date
belongs).
"""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, cached_property
from pathlib import Path
from typing import Any, Literal

from broodyear.places import schemas_folder

Kind = Literal["code", "text", "integer", "count", "number", "year", "boolean", "date", "moment"]

#: No code or text is longer than this.
LONGEST_CODE = 60
#: Load order: a table stands after the tables its codes refer to.
TABLE_NAMES = (
    "sites",
    "tanks",
    "setups",
    "batches",
    "deliveries",
    "temperatures",
    "losses",
    "stages",
    "exits",
    "incidents",
    "water_tests",
    "trials",
)


@dataclass(frozen=True)
class RangeBy:
    """A range that depends on another column of the row.

    column: the deciding column; ranges: its value -> (low, high), an open end is None;
    otherwise: the value that counts when the deciding cell is blank.
    """

    column: str
    ranges: Mapping[str, tuple[float | None, float | None]]
    otherwise: str


@dataclass(frozen=True)
class Column:
    """One column: what it means and which values it may hold.

    kind "count" is a whole number from 0; "moment" a timestamp, or a date whose hour is not known.
    allowed: empty when any value of the kind will do. minimum and maximum are inclusive, None when open.
    default: the value a blank cell gets on loading. is_addition: the column is not part of the usual header and
    is left out of templates. A file may lack the header of any column that is not required. is_span: a year that
    may be written as two on end (2025/26); synonyms: other headings that people give the column. is_open: the
    settings of a programme may add to the allowed words; spellings: other ways to write one of them -> the word.
    """

    name: str
    kind: Kind
    meaning: str
    example: str
    unit: str | None = None
    required: bool = False
    allowed: tuple[str, ...] = ()
    in_words: Mapping[str, str] | None = None
    minimum: float | None = None
    maximum: float | None = None
    default: str | None = None
    range_by: RangeBy | None = None
    is_addition: bool = False
    is_span: bool = False
    synonyms: tuple[str, ...] = ()
    is_open: bool = False
    spellings: Mapping[str, str] = field(default_factory=dict)

    @property
    def whole(self) -> bool:
        """Whether the column holds whole numbers."""
        return self.kind in {"integer", "count", "year"}

    @property
    def is_number(self) -> bool:
        """Whether the column holds numbers."""
        return self.whole or self.kind == "number"


@dataclass(frozen=True)
class Reference:
    """The codes of ``column`` must occur in ``target_column`` of table ``target_table``."""

    column: str
    target_table: str
    target_column: str


@dataclass(frozen=True)
class RowRule:
    """A rule over two columns of one row.

    check: "before" (first column strictly before the second), "not_before" (first column not before the second;
    a date without an hour counts to the end of that day), "needs" / "forbids" (when ``when`` holds, ``columns[0]``
    must / must not have a value), "implies" (when ``when`` holds, ``then`` must hold). A blank cell breaks no
    rule except "needs".
    """

    rule: str
    check: Literal["before", "not_before", "needs", "forbids", "implies"]
    columns: tuple[str, ...]
    when: tuple[str, str] | None
    then: tuple[str, str] | None
    message: str
    advice: str


@dataclass(frozen=True)
class Table:
    """One uploaded table. primary_key: the columns that make a row unique; when key_season_of is set, the
    season of that date column belongs to the key as well."""

    name: str
    title: str
    description: str
    grain: str
    columns: tuple[Column, ...]
    primary_key: tuple[str, ...]
    key_season_of: str | None = None
    references: tuple[Reference, ...] = ()
    row_rules: tuple[RowRule, ...] = ()

    @cached_property
    def column_names(self) -> tuple[str, ...]:
        """Names of the columns, in order."""
        return tuple(column.name for column in self.columns)

    @cached_property
    def required_names(self) -> tuple[str, ...]:
        """Names of the columns that a file must have."""
        return tuple(column.name for column in self.columns if column.required)

    def column(self, name: str) -> Column:
        """The column called ``name``; KeyError when there is none."""
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(name)


def all_tables() -> tuple[Table, ...]:
    """The twelve tables, in load order."""
    return tuple(table(name) for name in TABLE_NAMES)


@cache
def table(name: str) -> Table:
    """The table called ``name``; KeyError when there is none."""
    if name not in TABLE_NAMES:
        raise KeyError(name)
    return _table(descriptor(name))


def with_words(declared: Table, words: Sequence[str], spellings: Mapping[str, str]) -> Table:
    """``declared`` with more allowed words, and spellings of them, in its columns that are open to them."""

    def opened(column: Column) -> Column:
        return replace(column, allowed=tuple(dict.fromkeys([*column.allowed, *words])), spellings=spellings)

    columns = tuple(opened(column) if column.is_open else column for column in declared.columns)
    return replace(declared, columns=columns) if columns != declared.columns else declared


def descriptor(name: str) -> dict[str, Any]:
    """The declaration of table ``name`` as it stands in its file."""
    path: Path = schemas_folder() / f"{name}.json"
    loaded: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return loaded


def _table(declared: Mapping[str, Any]) -> Table:
    return Table(
        name=declared["name"],
        title=declared["title"],
        description=declared["description"],
        grain=declared["grain"],
        columns=tuple(_column(field) for field in declared["fields"]),
        primary_key=tuple(declared.get("key", declared["primaryKey"])),
        key_season_of=declared.get("keySeasonOf"),
        references=tuple(
            Reference(key["fields"], key["reference"]["resource"], key["reference"]["fields"])
            for key in declared.get("foreignKeys", ())
        ),
        row_rules=tuple(_row_rule(rule) for rule in declared.get("rowRules", ())),
    )


def _column(given: Mapping[str, Any]) -> Column:
    limits, by = given.get("constraints", {}), given.get("rangeBy")
    ranges = {value: (low, high) for value, (low, high) in by["ranges"].items()} if by else {}
    return Column(
        name=given["name"],
        kind=given["kind"],
        meaning=given["description"],
        example=str(given["example"]),
        unit=given.get("unit"),
        required=limits.get("required", False),
        allowed=tuple(limits.get("enum", ())),
        in_words=given.get("allowedInWords"),
        minimum=limits.get("minimum"),
        maximum=limits.get("maximum"),
        default=given.get("default"),
        range_by=RangeBy(by["column"], ranges, by["otherwise"]) if by else None,
        is_addition=given.get("mayBeAbsent", False),
        is_span=given.get("writtenAsSpan", False),
        synonyms=tuple(given.get("synonyms", ())),
        is_open=given.get("moreBySettings", False),
    )


def _row_rule(declared: Mapping[str, Any]) -> RowRule:
    columns = declared.get("columns") or ([declared["column"]] if "column" in declared else [])
    return RowRule(
        rule=declared["rule"],
        check=declared["check"],
        columns=tuple(columns),
        when=next(iter(declared.get("when", {}).items()), None),
        then=next(iter(declared.get("then", {}).items()), None),
        message=declared["message"],
        advice=declared["advice"],
    )


#: Beside the class Cf (directions turned about, characters without width): joiners, fillers, variation selectors.
_FILLERS = (0x034F, 0x115F, 0x1160, 0x17B4, 0x17B5, *range(0x180B, 0x1810), 0x3164, 0xFFA0, *range(0xFE00, 0xFE10))


def unseen_character(text: str) -> str:
    """The first character of ``text`` that cannot be seen, by number and name; nothing where there is none."""
    for character in text:
        if unicodedata.category(character) == "Cf" or ord(character) in _FILLERS:
            return f"U+{ord(character):04X} {unicodedata.name(character, '').lower()}".rstrip()
    return ""
