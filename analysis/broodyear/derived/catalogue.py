"""The queries that exist, and the order in which they can run."""

from __future__ import annotations

from collections.abc import Collection
from functools import cache
from graphlib import CycleError, TopologicalSorter

from broodyear.derived.headers import Query, read_query
from broodyear.errors import BroodyearError, UsageError
from broodyear.places import queries_folder

MACROS = "macros"
"""Name of the file that holds the shared functions; it makes no table."""


@cache
def all_queries() -> dict[str, Query]:
    """Every query by name, in an order in which each comes after what it reads (ties by name).

    Those of the folder itself, and of its subfolders the ones they read.
    """
    folder = queries_folder()
    found = {path.stem: read_query(path) for path in sorted(folder.glob("*.sql"))}
    further = {path.stem: path for path in sorted(folder.glob("*/*.sql"))}
    waiting = list(found.values())
    while waiting:
        for name in waiting.pop().reads:
            if name in further and name not in found:
                found[name] = read_query(further[name])
                waiting.append(found[name])
    return {name: found[name] for name in running_order(found)}


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


def needed_for(names: Collection[str], kept: Collection[str] = ()) -> dict[str, Query]:
    """The named queries and all they read, in running order. Raises UsageError for an unknown name.

    kept: tables that are there already, whatever they were made from.
    """
    queries = all_queries()
    needed = {MACROS, "settings"}
    waiting = [query_named(name) for name in names]
    while waiting:
        query = waiting.pop()
        if query.name not in needed:
            needed.add(query.name)
            if query.name not in kept:
                waiting += [queries[name] for name in query.reads if name in queries]
    return {name: query for name, query in queries.items() if name in needed}


def query_named(name: str) -> Query:
    """The query called ``name``. Raises UsageError naming the ones that exist."""
    queries = all_queries()
    if name not in queries:
        raise UsageError(f"there is no query {name!r}; expected one of {', '.join(sorted(queries))}")
    return queries[name]


def query_text(name: str) -> str:
    """The SQL that makes the derived table ``name``, its header included, exactly as it will run."""
    return query_named(name).text
