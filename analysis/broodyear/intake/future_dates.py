"""Dates after the day of the load. They are taken in: a clock may be wrong, and so may a year."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator

import duckdb

from broodyear.findings import Finding
from broodyear.schemas import Table


def future_warnings(
    connection: duckdb.DuckDBPyConnection, path: str, table: Table, upload: int, today: dt.date
) -> Iterator[Finding]:
    """One warning per column of dates for the rows of ``upload`` that lie after ``today``, with their number, the
    latest of them and the first line."""
    columns = [column.name for column in table.columns if column.kind in {"date", "moment"}]
    if not columns:
        return
    tomorrow = today + dt.timedelta(days=1)
    later = [f"FILTER (\"{name}\" >= '{tomorrow}')" for name in columns]
    asked = ", ".join(
        f'count(*) {only}, min(line) {only}, max("{name}"::DATE) {only}'
        for name, only in zip(columns, later, strict=True)
    )
    [row] = connection.execute(f"SELECT {asked} FROM received_{table.name} WHERE upload = {upload}").fetchall()
    for place, name in enumerate(columns):
        count, line, latest = row[3 * place : 3 * place + 3]
        if count:
            dates = "1 date lies" if count == 1 else f"{count:,} dates lie"
            message = f"{dates} in the future, the latest {latest:%Y-%m-%d}"
            advice = "Look up the year, or the clock it came from, and send the row again as it should be."
            yield Finding(path, line, table.name, name, None, "warning", "in_the_future", message, advice)
