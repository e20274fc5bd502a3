"""The queries that exist: what the comment that heads each file says it is for, reads and returns, and the order
in which they can run."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

from broodyear.errors import BroodyearError, UsageError
from broodyear.places import queries_folder

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


MACROS = "macros"
"""Name of the file that holds the shared functions; it makes no table."""


@cache
def all_queries() -> dict[str, Query]:
    """Every query by name, in an order in which each comes after what it reads (ties by name).

    Those of the folder itself, and of its subfolders the ones they read.
    """
    folder = queries_folder()
    top = {path.stem: read_query(path) for path in sorted(folder.glob("*.sql"))}
    return needed_for(top, queries={**_of_suspicions(), **top})


@cache
def _of_suspicions() -> dict[str, Query]:
    return {path.stem: read_query(path) for path in sorted((queries_folder() / "suspicions").glob("*.sql"))}


@cache
def suspicion_queries() -> dict[str, Query]:
    """The queries of suspicions and the derived tables they may read, in an order in which they can run."""
    together = {**all_queries(), **_of_suspicions()}
    return {name: together[name] for name in running_order(together)}


def running_order(queries: dict[str, Query]) -> list[str]:
    """Names sorted so that each query follows the queries it reads; every query follows the shared functions.

    Names that are read but made by no query are tables of the store. Raises BroodyearError when queries read
    each other in a circle.
    """
    before = {
        name: {needed for needed in query.reads if needed in queries} | _shared(query, queries)
        for name, query in queries.items()
    }
    sorter = TopologicalSorter({name: before[name] for name in sorted(before)})
    try:
        sorter.prepare()
    except CycleError as error:
        raise BroodyearError(f"these queries read each other in a circle: {' -> '.join(error.args[1])}") from None
    order: list[str] = []
    while sorter.is_active():
        ready = sorted(sorter.get_ready())
        order.extend(ready)
        sorter.done(*ready)
    return order


def _shared(query: Query, queries: dict[str, Query]) -> set[str]:
    needs_functions = query.name != MACROS and query.name not in queries.get(MACROS, query).reads
    return {MACROS} if needs_functions and MACROS in queries else set()


def needed_for(
    names: Collection[str], kept: Collection[str] = (), queries: Mapping[str, Query] | None = None
) -> dict[str, Query]:
    """The named queries and all they read, in running order. Raises UsageError for an unknown name.

    kept: tables that are there already, whatever they were made from; queries: those there are, all when None.
    """
    known = all_queries() if queries is None else queries
    needed: dict[str, Query] = {}
    waiting = [MACROS, "settings", *names]
    while waiting:
        name = waiting.pop()
        if name not in needed:
            needed[name] = known[name] if name in known else query_named(name)
            waiting += [read for read in needed[name].reads if read in known and name not in kept]
    return {name: needed[name] for name in running_order(needed)}


def query_named(name: str) -> Query:
    """The query called ``name``. Raises UsageError naming the ones that exist."""
    queries = all_queries()
    if name not in queries:
        raise UsageError(f"there is no query {name!r}; expected one of {', '.join(sorted(queries))}")
    return queries[name]


@cache
def statement(name: str) -> str:
    """The SQL of a query of its own that no derived table reads, by its place in the folder: "store/waiting"."""
    return read_query(queries_folder() / f"{name}.sql").text


def query_text(name: str) -> str:
    """The SQL that makes the derived table ``name``, its header included, exactly as it will run."""
    return query_named(name).text
