"""A small programme for the tests of queries: a store in memory, filled with the few rows a test needs."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import duckdb

from broodyear.derived import query_text, run_query
from broodyear.derived.catalogue import MACROS, Query, needed_for
from broodyear.schemas import TABLE_NAMES, table
from broodyear.settings import Acknowledged, Settings
from broodyear.store.layout import create_layout

Row = dict[str, Any]
#: Derived tables of earlier tests, those used last at the end: a number for the query and all it was made of ->
#: where it is kept, and a number for its rows.
_KEPT: OrderedDict[int, tuple[str, int]] = OrderedDict()
MOST_KEPT = 400

#: Hand-made readings are rounder and more alike than honest ones, so tests of arithmetic trust them all.
TRUSTED = tuple(
    Acknowledged(rule, "*", "made by hand for a test")
    for rule in (
        "logger_out_of_water",
        "looks_fahrenheit",
        "readings_copied",
        "set_point_typed",
        "losses_cumulative",
    )
)


@dataclass
class Programme:
    """An in-memory stand-in for an open store: the tables as they now read, and what the queries make of them."""

    connection: duckdb.DuckDBPyConnection
    _line: int = 1
    _settings: Settings = field(default_factory=Settings)
    #: Name of each table made so far -> a number for its rows.
    _made: dict[str, int] = field(default_factory=dict)

    def add(self, table_name: str, *rows: Row) -> None:
        """Insert rows; a moment written as a bare date has no hour. Other columns take their default or NULL."""
        for row in rows:
            values = {**_defaults(table_name, row), **row}
            for column in table(table_name).columns:
                if column.kind == "moment" and values.get(column.name) is not None:
                    values[f"{column.name}_has_hour"] = len(str(values[column.name])) > 10
            self._line += 1
            values |= {"upload": 1, "line": self._line}
            marks = ", ".join("?" for _ in values)
            names = ", ".join(f'"{name}"' for name in values)
            insert = f"INSERT INTO received_{table_name} ({names}) VALUES ({marks})"
            self.connection.execute(insert, list(values.values()))

    def read(self, tank_id: str, readings: dict[str, float], **columns: Any) -> None:
        """Insert temperature readings of one tank, by moment or date."""
        for moment, water_temp in readings.items():
            self.add("temperatures", {"tank_id": tank_id, "read_at": moment, "water_temp": water_temp, **columns})

    def derive(self, settings: Settings | None = None) -> None:
        """Forget what was derived and take these settings, by default ones under which no suspicion is open."""
        self._settings = settings or Settings(acknowledged=TRUSTED)
        self._made.clear()

    def rows(self, name: str, columns: str = "*", where: str = "true") -> list[tuple[Any, ...]]:
        """Rows of a derived table in the order of all their columns; it is made when first asked for."""
        standing: dict[str, int] = {}
        for query in needed_for([name]).values():
            if query.name not in self._made:
                self._made[query.name] = self._make(query, standing)
        return self.connection.execute(f"SELECT {columns} FROM {name} WHERE {where}\nORDER BY ALL").fetchall()

    def _make(self, query: Query, standing: dict[str, int]) -> int:
        """Make a derived table; a copy does where an earlier test has made it of the same rows and settings.
        standing: a number for the rows of each table of the store that was asked for, which stay as they are while
        the tables of one question are made. Returns a number for its rows."""
        for read in query.reads:
            if read not in self._made and read not in standing:
                standing[read] = self._rows_of(read)
        reads = tuple({**standing, **self._made}[read] for read in sorted(query.reads))
        origin = hash((query.name, self._settings, reads))
        if query.name == MACROS:
            return origin  # they are in the store
        if query.kept_as == "view":
            run_query(self.connection, query, self._settings)
            return origin
        if origin in _KEPT:
            self.connection.execute(
                f"CREATE OR REPLACE TEMP TABLE {query.name} AS FROM {_kept_as(query.name, origin)}"
            )
            _KEPT.move_to_end(origin)
        else:
            run_query(self.connection, query, self._settings)
            self._keep(query.name, origin)
        return _KEPT[origin][1]

    def _rows_of(self, table_name: str) -> int:
        return hash(repr(self.connection.execute(f"FROM {table_name}").fetchall()))

    def _keep(self, name: str, origin: int) -> None:
        place = _kept_as(name, origin)
        _KEPT[origin] = (place, self._rows_of(name))
        self.connection.execute(f"CREATE TABLE {place} AS FROM temp.{name}")
        if len(_KEPT) > MOST_KEPT:
            self.connection.execute(f"DROP TABLE {_KEPT.popitem(last=False)[1][0]}")

    def one(self, name: str, columns: str = "*", where: str = "true") -> tuple[Any, ...]:
        """The only row of a derived table that fits."""
        found = self.rows(name, columns, where)
        assert len(found) == 1, f"{len(found)} rows of {name} where {where}"
        return found[0]


def _kept_as(name: str, origin: int) -> str:
    return f'"{name} of {origin}"'


def _defaults(table_name: str, row: Row) -> Row:
    return {
        "temperatures": {
            "unit": "C",
            "instrument": "logger" if len(str(row.get("read_at", ""))) > 10 else "thermometer",
        },
        "losses": {"entry": "unknown" if row.get("dead") is None else "counted"},
        "stages": {"dating": "seen"},
    }.get(table_name, {})


@cache
def _store_in_memory() -> duckdb.DuckDBPyConnection:
    connection = duckdb.connect(":memory:")
    create_layout(connection)
    connection.execute(query_text(MACROS).replace(" TEMP MACRO ", " MACRO "))
    return connection


def new_programme() -> Programme:
    """A programme without a row: a session of its own in a store that is the same each time, emptied."""
    connection = _store_in_memory().cursor()
    for name in TABLE_NAMES:
        connection.execute(f"DELETE FROM received_{name}")
    connection.execute("DELETE FROM uploads")
    connection.execute("INSERT INTO uploads (upload, withdrawn) VALUES (1, false)")
    return Programme(connection)
