"""Times that are taken in and warned of: local hours that the change to and from summer time skips or doubles, and
dates after the day of the load.

The programme's zone is not known, so the two rules most in use are looked at: North America (second Sunday of
March, first Sunday of November) and the European Union (last Sundays of March and October). Such times are kept as
they are written.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator

import duckdb

from broodyear.findings import Finding
from broodyear.intake.cell_sql import hour_columns
from broodyear.schemas import Table
from broodyear.store.layout import hour_flag

_SUNDAY = 6
_ONE_HOUR = dt.timedelta(hours=1)
#: A column that spans more years than this holds a wrong date; its years are looked up one by one.
_MOST_YEARS = 20


def _sunday(year: int, month: int, number: int) -> dt.datetime:
    """The first, second … Sunday of a month, or the last for number 0, at midnight."""
    if number == 0:
        first_of_next = dt.datetime(year + month // 12, month % 12 + 1, 1)
        return first_of_next - dt.timedelta(days=(first_of_next.weekday() - _SUNDAY - 1) % 7 + 1)
    first = dt.datetime(year, month, 1)
    return first + dt.timedelta(days=(_SUNDAY - first.weekday()) % 7 + 7 * (number - 1))


def skipped_hours(year: int) -> tuple[dt.datetime, ...]:
    """Starts of the hours that clocks skip in spring: from 02:00 to 03:00."""
    return (_sunday(year, 3, 2).replace(hour=2), _sunday(year, 3, 0).replace(hour=2))


def doubled_hours(year: int) -> tuple[dt.datetime, ...]:
    """Starts of the hours that clocks show twice in autumn: 01:00 in North America, 02:00 in most of the EU."""
    return (_sunday(year, 11, 1).replace(hour=1), _sunday(year, 10, 0).replace(hour=2))


def is_doubled(moment: dt.datetime) -> bool:
    """Whether a local time may have come twice that night."""
    return any(start <= moment < start + _ONE_HOUR for start in doubled_hours(moment.year))


def clock_change_warnings(
    connection: duckdb.DuckDBPyConnection, path: str, table: Table, upload: int
) -> Iterator[Finding]:
    """One warning per column of moments for the rows of ``upload`` whose times lie in such an hour, with their
    number and the first line."""
    for column in hour_columns(table):
        mine = f'FROM received_{table.name} WHERE upload = {upload} AND "{hour_flag(column)}"'
        starts = [start for year in _years(connection, column.name, mine) for start in _changes(year)]
        if not starts:
            continue
        within = " OR ".join(
            f"(\"{column.name}\" >= '{start}' AND \"{column.name}\" < '{start + _ONE_HOUR}')" for start in starts
        )
        [(count, line)] = connection.execute(f"SELECT count(*), min(line) {mine} AND ({within})").fetchall()
        if count:
            yield _warning(path, table, column.name, int(count), int(line))


def _years(connection: duckdb.DuckDBPyConnection, name: str, source: str) -> Iterable[int]:
    """The years of a column, perhaps with years between them."""
    [(first, last)] = connection.execute(f'SELECT year(min("{name}")), year(max("{name}")) {source}').fetchall()
    if first is None:
        return ()
    if last - first <= _MOST_YEARS:
        return range(first, last + 1)
    years = connection.execute(f'SELECT DISTINCT year("{name}") AS y {source} ORDER BY y').fetchall()
    return [year for (year,) in years]


def _changes(year: int) -> tuple[dt.datetime, ...]:
    return (*skipped_hours(year), *doubled_hours(year))


def _warning(path: str, table: Table, column: str, count: int, line: int) -> Finding:
    times = "1 time lies" if count == 1 else f"{count:,} times lie"
    message = f"{times} in an hour that the change to or from summer time skips or doubles; kept as written"
    advice = "Nothing needs doing when the logger stays on winter time or no clock was changed there."
    return Finding(path, line, table.name, column, None, "warning", "clock_change", message, advice)


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
