"""The shapes of cells that code outside the database asks for, read from where they are decided: the macros of
queries/intake/reading.sql."""

from __future__ import annotations

import re
from functools import cache

import duckdb

from broodyear.places import queries_folder

#: Blanks that are taken off both ends of a cell: all that Unicode counts as spaces, and the byte-order mark.
BLANKS = (
    " \t\r\n\u00a0\ufeff\u1680\u2000\u2001\u2002\u2003\u2004\u2005\u2006\u2007\u2008\u2009\u200a\u202f\u205f\u3000"
)
#: A day that has its year: four figures, or three numbers apart.
HAS_YEAR = r"[0-9]{4}|[0-9]+[./-][0-9]+[./-][0-9]+"
_FIGURES = re.compile(r"([0-9]{1,2})[./-]([0-9]{1,2})[./-]([0-9]{4}|[0-9]{2})(?:[ T,].*)?")


def make_readable(connection: duckdb.DuckDBPyConnection, *, with_school_years: bool = True) -> None:
    """Make the macros by which cells are read in a session; with_school_years: see ``reading_macros``."""
    connection.execute(reading_macros(school_years=with_school_years))


def reading_macros(*, school_years: bool) -> str:
    """SQL of the macros by which cells are read, shapes written out in them; school_years: those too for days with
    the school year behind them, which only files with a layout have."""
    return "\n".join(map(_macros, ("reading", "school_years") if school_years else ("reading",)))


@cache
def _macros(name: str) -> str:
    """The macros of a file without those of shapes, which take the database a fifth of the time of all."""
    cells = re.sub(r"CREATE OR REPLACE TEMP MACRO shape_\w+\(\) AS[^;]+;", "", _text(name))
    return re.sub(r"shape_(\w+)\(\)", lambda found: f"'{shape(found[1])}'", cells)


@cache
def _text(name: str) -> str:
    return (queries_folder() / "intake" / f"{name}.sql").read_text(encoding="utf-8")


@cache
def shape(name: str) -> str:
    """The regular expression that the macro ``shape_<name>`` gives. Raises KeyError when there is none."""
    found = re.search(rf"MACRO shape_{name}\(\) AS\s+([^;]+);", _text("reading"))
    if found is None:
        raise KeyError(name)
    return "".join(
        shape(other) if other else text for text, other in re.findall(r"'([^']*)'|shape_(\w+)\(\)", found[1])
    )


def has_shape(name: str, text: str) -> bool:
    """Whether a whole text has a shape."""
    return re.fullmatch(shape(name), text) is not None


def figures(text: str) -> tuple[int, int, str] | None:
    """The first two figures and the year of a date in figures whose year stands last, alone or before a clock."""
    found = _FIGURES.fullmatch(text)
    return None if found is None else (int(found[1]), int(found[2]), found[3])
