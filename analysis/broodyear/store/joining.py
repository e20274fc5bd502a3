"""Labels that mean one thing, joined where rows are read: the stored rows keep the labels they came with."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import duckdb

from broodyear.derived import own_name
from broodyear.schemas import Table, all_tables
from broodyear.settings import SameKind, Settings
from broodyear.store.layout import key_columns, key_sql, names, quoted, value_columns

#: The columns that hold labels of each kind, in whatever table.
LABEL_COLUMNS: dict[str, SameKind] = {
    "tank_id": "tank", "site_id": "site", "region": "region", "batch_id": "batch",
}  # fmt: skip


def stored_name(connection: duckdb.DuckDBPyConnection, table: Table) -> str:
    """SQL name of the rows of ``table`` under the labels they came with, whatever this session reads."""
    return f"{own_name(connection)}.main.{table.name}"


def join_labels(connection: duckdb.DuckDBPyConnection, settings: Settings) -> None:
    """Let this session read every table under the labels that ``settings`` join; without such, do nothing.

    Temporary views of the session stand before the store's own. Of rows that have one key then, the one that came
    later stands, as if they had come under one label; what a tank, site or batch is, is taken together from all of
    its rows, the later saying more.
    """
    if not settings.same:
        return
    for table in all_tables():
        select = joined_rows(table, settings, stored_name(connection, table))
        if select is not None:
            connection.execute(f"CREATE OR REPLACE TEMP VIEW {table.name} AS {select}")


def joined_rows(table: Table, settings: Settings, source: str) -> str | None:
    """SQL of the rows of ``source`` under joined labels; None when no label of ``table`` can be joined."""
    meant = meant_in(table, settings)
    if not meant:
        return None
    rows = meant_rows(table, settings, source)
    concerned = " OR ".join(
        f'"{column}" IN ({_texts({*labels, *labels.values()})})'
        for column, labels in meant.items()
        if column in table.primary_key
    )
    if not concerned:
        return rows
    key = ", ".join(key_sql(table, settings))
    stand = names(table)
    if len(table.primary_key) == 1:
        stand = ", ".join(f'first_value("{name}" IGNORE NULLS) OVER latest' for name, _ in value_columns(table))
    kept = (
        f"SELECT {stand}, upload, line FROM ({rows} WHERE {concerned}) WINDOW latest AS (PARTITION BY {key} "
        "ORDER BY upload DESC, line DESC ROWS BETWEEN UNBOUNDED PRECEDING AND UNBOUNDED FOLLOWING) "
        "QUALIFY row_number() OVER latest = 1"
    )
    return f"{rows} WHERE NOT ({concerned}) UNION ALL {kept}"


def meant_in(table: Table, settings: Settings) -> dict[str, Mapping[str, str]]:
    """The columns of ``table`` whose labels ``settings`` join, each with what its labels mean."""
    meant = {column: settings.meant_by(kind) for column, kind in LABEL_COLUMNS.items()}
    return {column: labels for column, labels in meant.items() if labels and column in table.column_names}


def meant_rows(table: Table, settings: Settings, source: str) -> str:
    """SQL of all rows of ``source`` under joined labels, those too that another of the same key stands before."""
    return f"SELECT {_values(table, meant_in(table, settings))}, upload, line FROM {source}"


def rows_sent(connection: duckdb.DuckDBPyConnection, table: Table, settings: Settings) -> str:
    """SQL of every row of ``table`` that a standing upload brought, replaced since or not, under joined labels;
    beside its values its upload, line, and the path of its file."""
    values = _values(table, meant_in(table, settings))
    received = f"{own_name(connection)}.main.received_{table.name}"
    return f"SELECT {values}, upload, line, path FROM {received} JOIN uploads USING (upload) WHERE NOT withdrawn"


def joined_codes(codes: str, groups: Sequence[Sequence[str]]) -> str:
    """SQL of the codes that ``codes`` (SQL with one column, code) selects, and of those that mean one of them."""
    pairs = ", ".join(f"({number}, {quoted(label)})" for number, group in enumerate(groups) for label in group)
    if not pairs:
        return codes
    return (
        f"WITH known AS ({codes}), one AS (SELECT * FROM (VALUES {pairs}) AS same (number, code)) "
        "SELECT code FROM known UNION SELECT code FROM one WHERE number IN "
        "(SELECT number FROM one JOIN known USING (code))"
    )


def label_sql(text: str, column: str, settings: Settings) -> str:
    """SQL of what the label ``text`` (SQL) of a column means under ``settings``; ``text`` for any other column."""
    kind = LABEL_COLUMNS.get(column)
    # A label is a text here: the type of known codes need not have those it is compared with.
    return text if kind is None else _meant(f"{text}::VARCHAR", settings.meant_by(kind))


def meant_key(table: Table, settings: Settings, prefix: str = "") -> tuple[str, ...]:
    """As ``key_sql``, under joined labels."""
    parts = zip(key_columns(table), key_sql(table, settings, prefix), strict=True)
    return tuple(label_sql(part, column, settings) for column, part in parts)


def _values(table: Table, meant: Mapping[str, Mapping[str, str]]) -> str:
    return ", ".join(_value(name, meant.get(name, {})) for name, _ in value_columns(table))


def _value(name: str, labels: Mapping[str, str]) -> str:
    cell = f'"{name}"'
    return f"{_meant(cell, labels)} AS {cell}"


def _meant(text: str, labels: Mapping[str, str]) -> str:
    if not labels:
        return text
    cases = " ".join(f"WHEN {quoted(other)} THEN {quoted(label)}" for other, label in labels.items())
    return f"CASE {text} {cases} ELSE {text} END"


def _texts(labels: Collection[str]) -> str:
    return ", ".join(map(quoted, sorted(labels)))
