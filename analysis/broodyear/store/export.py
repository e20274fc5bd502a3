"""Writing the whole store as plain files: the tables as they now read, derived tables, history, and a descriptor.

An export in CSV is a valid Data Package, and loads back to the same records.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any, Literal

import duckdb

from broodyear.errors import Refused, UsageError
from broodyear.formulas import FORMULA_STARTS
from broodyear.outputs import new_folder, require_folder
from broodyear.schemas import Column, Table, all_tables, data_package, dictionary_markdown
from broodyear.store.handle import Store
from broodyear.store.joining import stored_name
from broodyear.store.layout import hour_flag
from broodyear.store.opening import first_line, is_full, quoted_path, unavailable
from broodyear.workspace import working_folder

FORMATS = ("csv", "parquet")
DESCRIPTOR, DICTIONARY = "datapackage.json", "data_dictionary.md"
_HISTORY = ("uploads", "rejected_rows", "findings")
_MEDIA_TYPES = {"csv": "text/csv", "parquet": "application/vnd.apache.parquet"}


def export_store(store: Store, folder: str | Path, fmt: str = "csv") -> list[Path]:
    """Write the store into ``folder`` as ``fmt`` ("csv" or "parquet"); returns the files written.

    ``<table>.<fmt>`` holds the rows as they now read, labels that the settings join under the one they mean, so
    that they load anywhere; ``derived/`` what the queries make of them; ``history/`` the uploads, their findings
    and rejected rows, rows that were superseded or withdrawn, and where labels are joined the rows as they came;
    ``datapackage.json`` and ``data_dictionary.md`` describe all of it. The folder is put
    in its place whole. Raises UsageError for another format or a folder that may not be replaced, Refused when the
    disk is full.
    """
    if fmt not in FORMATS:
        raise UsageError(f"there is no export format {fmt!r}; choose csv or parquet")
    target = Path(folder)
    own = (*(f"{table.name}.{fmt}" for table in all_tables()), "derived", "history", DESCRIPTOR, DICTIONARY)
    require_folder(target, "export", own)
    store.derive()
    try:
        with new_folder(target, "export", own) as staged:
            names = _write_all(store, staged, fmt)
    except duckdb.IOException as error:
        if not is_full(error):
            raise unavailable(store.path, error) from None
        raise Refused(
            f"the export stopped while writing {target} ({first_line(str(error))}); it is as it was before. Free "
            "some space, or name another folder with --out"
        ) from None
    return [target / name for name in names]


def _write_all(store: Store, folder: Path, fmt: str) -> list[str]:
    """Write every file into ``folder``; returns their names."""
    for part in ("derived", "history"):
        (folder / part).mkdir()
    writer = Writer(store.connection, folder, fmt)
    for table in all_tables():
        writer.write(table.name, current_select(table, fmt))
    _write_history(writer)
    if store.settings.same:
        # The rows of each table that read otherwise, or not at all, under joined labels.
        for table in all_tables():
            came = f"(FROM {stored_name(writer.connection, table)} EXCEPT FROM {table.name})"
            writer.describe(f"history/{table.name}_as_they_came", _plain_select(writer, came))
    _write_derived(writer)
    species = writer.connection.execute("SELECT DISTINCT species FROM batches ORDER BY 1").fetchall()
    content = data_package(fmt, tuple(writer.resources), [str(code) for (code,) in species])
    (folder / DESCRIPTOR).write_text(f"{json.dumps(content, ensure_ascii=False, indent=2)}\n", encoding="utf-8")
    (folder / DICTIONARY).write_text(dictionary_markdown(), encoding="utf-8")
    return [*writer.written, DESCRIPTOR, DICTIONARY]


class Writer:
    """Writes query results as files and remembers them with their fields, for the descriptor."""

    def __init__(self, connection: duckdb.DuckDBPyConnection, folder: Path, fmt: str) -> None:
        self.connection = connection
        self.folder = folder
        self.fmt = fmt
        self.written: list[str] = []
        self.resources: list[dict[str, Any]] = []

    def write(self, name: str, query: str) -> None:
        """Write the result of ``query`` to ``<name>.<format>``."""
        options = "FORMAT csv, HEADER true" if self.fmt == "csv" else "FORMAT parquet"
        # The database of a store that is read can write to the folder for temporary files only.
        with working_folder() as folder:
            part = folder.resolve() / "part"
            self.connection.execute(f"COPY ({query}) TO {quoted_path(part)} ({options})")
            shutil.move(part, self.folder / f"{name}.{self.fmt}")
        self.written.append(f"{name}.{self.fmt}")

    def write_plain(self, name: str, source: str) -> None:
        """Write all of ``source``, its texts guarded and its lists joined."""
        self.write(name, _plain_select(self, source))

    def describe(self, name: str, query: str) -> None:
        """Write as ``write`` does, and add the file to the descriptor."""
        self.write(name, query)
        described = self.connection.execute(f"DESCRIBE {query}").fetchall()
        resource: dict[str, Any] = {
            "name": name.replace("/", "-"),
            "path": f"{name}.{self.fmt}",
            "format": self.fmt,
            "mediatype": _MEDIA_TYPES[self.fmt],
            "schema": {"fields": [_field(str(row[0]), str(row[1])) for row in described]},
        }
        if self.fmt == "csv":
            resource |= {"profile": "tabular-data-resource", "encoding": "utf-8"}
        self.resources.append(resource)


def _field(name: str, kind: str) -> dict[str, str]:
    known: dict[str, Literal["integer", "number", "boolean", "date", "datetime"]] = {
        "INTEGER": "integer", "BIGINT": "integer", "HUGEINT": "integer", "SMALLINT": "integer",
        "UBIGINT": "integer", "DOUBLE": "number", "FLOAT": "number", "BOOLEAN": "boolean", "DATE": "date",
        "TIMESTAMP": "datetime",
    }  # fmt: skip
    described = {"name": name, "type": known.get(kind, "number" if kind.startswith("DECIMAL") else "string")}
    return described | ({"format": "any"} if described["type"] == "datetime" else {})


def current_select(table: Table, fmt: str, source: str = "") -> str:
    """SQL of the rows of ``table`` as they are written in ``fmt``, in a fixed order. source: SQL of the rows;
    without one, those that now read."""
    columns = ", ".join(_exported(column, fmt) for column in table.columns)
    order = ", ".join(f'r."{name}"' for name in table.primary_key)
    return f"SELECT {columns} FROM {source or table.name} AS r ORDER BY {order}, upload, line"


def _exported(column: Column, fmt: str) -> str:
    name = f'r."{column.name}"'
    if fmt == "csv" and column.kind in {"code", "text"}:
        return f'{guarded_sql(name)} AS "{column.name}"'
    if column.kind == "moment":
        flag = f'r."{hour_flag(column)}"'
        return f'{moment_sql(name, flag)} AS "{column.name}"'
    return f"{name}"


def guarded_sql(text: str) -> str:
    """SQL for a text with an apostrophe before what a spreadsheet would run as a formula."""
    starts = ", ".join(f"'{start}'" for start in FORMULA_STARTS)
    return f"CASE WHEN left({text}, 1) IN ({starts}) THEN '''' || {text} ELSE {text} END"


def moment_sql(moment: str, has_hour: str) -> str:
    """SQL for a moment as it is uploaded: with its time, or the date alone where the hour is not known."""
    written = f"strftime({moment}, '%Y-%m-%dT%H:%M:%S')"
    finer = f"strftime({moment}, '%Y-%m-%dT%H:%M:%S.%f')"
    timed = f"CASE WHEN microsecond({moment}) % 1000000 = 0 THEN {written} ELSE {finer} END"
    return f"CASE WHEN {has_hour} THEN {timed} ELSE strftime({moment}, '%Y-%m-%d') END"


def _write_history(writer: Writer) -> None:
    for name in _HISTORY:
        writer.describe(f"history/{name}", _plain_select(writer, name))
    for table in all_tables():
        kept = f"(SELECT * FROM received_{table.name} WHERE superseded_by IS NOT NULL OR upload IN (SELECT upload "
        kept += "FROM uploads WHERE withdrawn))"
        writer.describe(f"history/{table.name}_replaced", _plain_select(writer, kept))


def _write_derived(writer: Writer) -> None:
    from broodyear.derived import all_queries

    for name, query in all_queries().items():
        if query.returns and name != "macros":
            writer.describe(f"derived/{name}", _plain_select(writer, name, ", ".join(query.key)))


def _plain_select(writer: Writer, source: str, order: str = "") -> str:
    """SQL that reads all of ``source``, its texts guarded and its lists joined where the target is CSV."""
    described = writer.connection.execute(f"DESCRIBE SELECT * FROM {source}").fetchall()
    columns = ", ".join(_plain(str(row[0]), str(row[1]), writer.fmt) for row in described)
    return f"SELECT {columns} FROM {source} AS r ORDER BY {order or 'ALL'}"


def _plain(name: str, kind: str, fmt: str) -> str:
    column = f'r."{name}"'
    if fmt == "csv" and kind.endswith("[]"):
        return f'{guarded_sql(f"array_to_string({column}, chr(59) || chr(32))")} AS "{name}"'
    if fmt == "csv" and (kind == "VARCHAR" or kind.startswith("ENUM")):
        return f'{guarded_sql(f"{column}::VARCHAR")} AS "{name}"'
    return column
