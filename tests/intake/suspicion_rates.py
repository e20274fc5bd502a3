"""How often each rule speaks on an invented programme, without mistakes and with planted ones."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import duckdb
import numpy as np

from broodyear.findings import Finding
from broodyear.intake.suspicions import find_suspicions
from broodyear.schemas import all_tables
from broodyear.settings import Settings
from broodyear.store.layout import create_layout, value_columns
from broodyear.synthetic import Programme, Tables

#: Rule: the names under which the simulator logs what the rule is to find.
PLANTED = {
    "looks_fahrenheit": ("f_readings", "f_reading_row"),
    "looks_fahrenheit_units": ("f_thermal_units",),
    "units_restarted": ("thermal_units_restarted",),
    "day_month_swapped": ("day_month_swapped",),
    "losses_cumulative": ("cumulative_dead",),
    "readings_copied": ("copied_run",),
    "set_point_typed": ("set_point_typed",),
    "logger_out_of_water": ("logger_in_air",),
    "dating_equals_forecast": ("copied_forecast",),
}
#: Rules whose mistakes are logged row by row; the others are of a tank and season.
BY_ROW = {"looks_fahrenheit_units", "units_restarted", "day_month_swapped", "dating_equals_forecast"}

Case = tuple[object, ...]


@dataclass(frozen=True)
class Rates:
    """planted, found, false: cases by rule with planted mistakes; honest: findings by rule without any."""

    tank_seasons: int
    planted: Counter[str]
    found: Counter[str]
    false: Counter[str]
    honest: Counter[str]


def measure(programme: Programme) -> Rates:
    """The rates of one programme."""
    planted, found, false = Counter[str](), Counter[str](), Counter[str]()
    told = suspicions_of(programme.sent)
    for rule in PLANTED:
        wanted = _wanted(programme, rule)
        got = {_case(programme, finding, rule in BY_ROW) for finding in told if finding.rule == rule}
        planted[rule], found[rule], false[rule] = len(wanted), len(wanted & got), len(got - wanted)
    labels = set(programme.mistakes.query("rule == 'id_retyped'")["detail"].str.removeprefix("written as "))
    same = {finding.value for finding in told if finding.rule == "same_tank_two_labels"}
    rule = "same_tank_two_labels"
    planted[rule], found[rule], false[rule] = len(labels), len(labels & same), len(same - labels)
    honest = Counter(finding.rule for finding in suspicions_of(programme.clean))
    tank_seasons = sum(len(truth.setups) for truth in programme.seasons)
    return Rates(tank_seasons, planted, found, false, honest)


def _wanted(programme: Programme, rule: str) -> set[Case]:
    places = {
        (truth.calendar.season, tank): at
        for truth in programme.seasons
        for at, tank in enumerate(truth.setups["tank_id"])
    }
    rows = programme.mistakes[programme.mistakes["rule"].isin(PLANTED[rule])]
    by_row = rule in BY_ROW
    return {
        (row.table, row.row) if by_row else (row.season, places[row.season, row.tank_id])
        for row in rows.itertuples()
    }


def _case(programme: Programme, finding: Finding, by_row: bool) -> Case:
    assert finding.table is not None and finding.line is not None
    position = finding.line - 2
    if by_row:
        return finding.table, position
    row = programme.sent.frame(finding.table).iloc[position]
    return int(row["_season"]), int(row["_at"])


def suspicions_of(tables: Tables) -> list[Finding]:
    """Findings when a programme's tables arrive in one load, each row on the line after the one before."""
    with duckdb.connect() as connection:
        create_layout(connection)
        for upload, table in enumerate(all_tables(), start=1):
            if not hasattr(tables, table.name):
                continue  # an invented programme assigns nothing by chance
            _fill(connection, tables, table.name, dict(value_columns(table)), upload)
        found = find_suspicions(connection, tuple(range(1, len(all_tables()) + 1)), Settings())
    return [finding for _, finding in found]


def _fill(
    connection: duckdb.DuckDBPyConnection, tables: Tables, name: str, kinds: dict[str, str], upload: int
) -> None:
    frame = tables.frame(name).reset_index(drop=True)
    frame = frame[[column for column in kinds if column in frame]].copy()
    if name == "temperatures":
        timed = np.where(frame["read_at_has_hour"].to_numpy(dtype=bool), "logger", "thermometer")
        frame["instrument"] = frame["instrument"].astype(object).where(frame["instrument"].notna(), timed)
        frame["unit"] = frame["unit"].astype(object).fillna("C")
    if name == "losses":
        default = np.where(frame["dead"].notna(), "counted", "unknown")
        frame["entry"] = frame["entry"].astype(object).where(frame["entry"].notna(), default)
    if name == "stages":
        frame["dating"] = frame["dating"].astype(object).fillna("seen")
    chosen = ", ".join(f'"{column}"' for column in frame)
    typed = ", ".join(f'"{column}"::{kinds[column]}' for column in frame)
    frame["line"] = np.arange(2, len(frame) + 2)
    connection.register("rows_sent", frame)
    connection.execute(
        f"INSERT INTO received_{name} ({chosen}, upload, line) SELECT {typed}, {upload}, line FROM rows_sent"
    )
    connection.unregister("rows_sent")
    connection.execute(
        "INSERT INTO uploads (upload, path, table_name, withdrawn) VALUES (?, ?, ?, false)",
        [upload, f"{name}.csv", name],
    )
