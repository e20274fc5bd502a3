"""The macros of a check or a load, in a file from which its session reads them: to make them anew takes the
database longer than most files of records, to attach a file of them next to nothing."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path

import duckdb

from broodyear.derived import MACROS, own_name, query_text
from broodyear.intake.shapes import reading_macros
from broodyear.store.layout import quoted
from broodyear.store.opening import file_made_by, quoted_path

_NAME = '"macros of the intake"'


@contextmanager
def with_macros(
    connection: duckdb.DuckDBPyConnection, folder: Path, *, school_years: bool = True
) -> Iterator[None]:
    """Let a session, for the length of a block, see the macros by which cells are read and those that every query
    shares. They lie in ``folder`` then; school_years: see ``reading_macros``."""
    own, file = own_name(connection), folder / "macros.duckdb"
    file.write_bytes(_macros(school_years))
    connection.execute(f"ATTACH {quoted_path(file)} AS {_NAME} (READ_ONLY)")
    connection.execute(f"SET search_path = {quoted(f'{own}.main,{_NAME}.main')}")
    try:
        yield
    finally:
        # Where the database has failed, what went wrong is being raised already.
        with suppress(duckdb.Error):
            connection.execute(f"USE {own}")
            connection.execute(f"DETACH {_NAME}")


@cache
def _macros(school_years: bool) -> bytes:
    text = f"{reading_macros(school_years=school_years)};\n{query_text(MACROS)}"
    return file_made_by(lambda connection: connection.execute(text.replace(" TEMP MACRO ", " MACRO ")))
