"""Mistakes people make in their records, planted at the planned shares, each one logged.

Every function takes a working copy of the tables, spoils some rows and logs what it did. Mistakes of reading
temperature are in mistakes_in_readings.py, those of whole files in writing.py.
"""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pandas as pd

from .frames import Array, rows_by
from .mistakes_in_labels import retype_labels
from .mistakes_in_readings import spoil_readings
from .plan import MistakesPlan, Plan
from .season import SeasonTruth
from .streams import Bools, stream
from .tables import Tables, WorkingCopy

HANDOUT_UNITS_C_DAYS = {"chinook": 545.0, "coho": 470.0, "rainbow_trout": 335.0}
"""Species: thermal units to half hatched on the forecast sheet the coordinator hands out with the eggs."""

DATES_AT_RISK = {
    "losses": "checked_on",
    "stages": "first_seen_on",
    "exits": "exited_on",
    "water_tests": "tested_on",
}
LOG_COLUMNS = ["rule", "table", "season", "tank_id", "rows", "detail", "row", "column", "text"]

BROKEN_CELLS = (
    ("ambiguous_date", "losses", "checked_on", "03/04/2024"),
    ("letter_in_number", "losses", "dead", "1O"),
    ("unknown_tank", "losses", "tank_id", "TK-9999"),
    ("not_allowed", "incidents", "kind", "powercut"),
    ("unit_in_number", "temperatures", "water_temp", "9.5C"),
    ("not_a_number", "water_tests", "value", "<0.25"),
    ("required_blank", "stages", "stage", ""),
    ("no_such_date", "losses", "checked_on", "2024-02-30"),
    ("out_of_range", "temperatures", "water_temp", "850"),
)
"""Cells that must send their row back: rule, table, column, what is written in place of the value."""

FOUND_BY = {
    "f_readings": "looks_fahrenheit",
    "f_reading_row": "looks_fahrenheit",
    "f_thermal_units": "looks_fahrenheit_units",
    "thermal_units_restarted": "units_restarted",
    "day_month_swapped": "day_month_swapped",
    "cumulative_dead": "losses_cumulative",
    "copied_run": "readings_copied",
    "set_point_typed": "set_point_typed",
    "copied_forecast": "dating_equals_forecast",
    "id_retyped": "same_tank_two_labels",
    "logger_in_air": "logger_out_of_water",
    "refused_ambiguous_date": "ambiguous_date",
    "refused_letter_in_number": "not_a_number",
    "refused_unknown_tank": "unknown_tank",
    "refused_not_allowed": "not_allowed",
    "refused_unit_in_number": "not_a_number",
    "refused_not_a_number": "not_a_number",
    "refused_required_blank": "required_blank",
    "refused_no_such_date": "not_a_date",
    "refused_out_of_range": "out_of_range",
}
"""Mistake: the rule of the checks that should find it. The others leave no trace."""


def plant_mistakes(
    seed: int, clean: Tables, lived: tuple[SeasonTruth, ...], plan: Plan
) -> tuple[Tables, pd.DataFrame]:
    """The tables as sent, and the log of mistakes: rule, table, season, tank_id (its true label), rows,
    detail.

    A mistake of one cell also has its row (position in the sent frame), column and the text written there.
    """
    desk = WorkingCopy({f.name: clean.frame(f.name).copy() for f in fields(clean)}, lived)
    shares = plan.mistakes
    _thermal_units(desk, shares, stream(seed, "mistakes", "units"))
    _zero_filled(desk, plan, stream(seed, "mistakes", "zeros"))
    _running_totals(desk, shares, stream(seed, "mistakes", "totals"))
    _copied_forecasts(desk, shares, stream(seed, "mistakes", "forecasts"))
    _swapped_dates(desk, shares, stream(seed, "mistakes", "swaps"))
    spoil_readings(desk, shares, seed)
    retype_labels(desk, shares, stream(seed, "mistakes", "labels"))
    _broken_cells(desk, shares, stream(seed, "mistakes", "cells"))
    return Tables(**desk.frames), pd.DataFrame(desk.log, columns=LOG_COLUMNS)


def _thermal_units(desk: WorkingCopy, shares: MistakesPlan, rng: np.random.Generator) -> None:
    """Units in °F·d called c_days, and units that start from nothing on delivery."""
    frame = desk.frames["deliveries"]
    draw = rng.random(len(frame))
    celsius = (frame["thermal_unit"] == "c_days").to_numpy() & (frame["stage_at_delivery"] == "eyed").to_numpy()
    in_fahrenheit = (draw < shares.f_units_share) & celsius
    restarted = (draw > 1 - shares.units_restarted_share) & celsius
    units = frame["thermal_units_at_delivery"].to_numpy(copy=True)
    units[in_fahrenheit] = np.round(units[in_fahrenheit] * 1.8)
    units[restarted] = np.round(rng.uniform(0, 12, restarted.sum()))
    frame["thermal_units_at_delivery"] = units
    _note_rows(desk, "f_thermal_units", "deliveries", in_fahrenheit, "°F·d written as c_days")
    _note_rows(
        desk,
        "thermal_units_restarted",
        "deliveries",
        restarted,
        "counted from delivery, not from fertilisation",
    )


def _note_rows(desk: WorkingCopy, rule: str, name: str, rows: Bools, detail: str) -> None:
    frame = desk.frames[name]
    for row in np.flatnonzero(rows):
        season, at = int(frame["_season"].iloc[row]), int(frame["_at"].iloc[row])
        desk.note(rule, name, season, at, 1, detail, row=int(row))


def _by_tank(frame: pd.DataFrame) -> dict[tuple[int, int], Array]:
    """(season, row of the tank) → positions of its rows."""
    return {(int(key[0]), int(key[1])): rows for key, rows in rows_by(frame, ["_season", "_at"])}


def _zero_filled(desk: WorkingCopy, plan: Plan, rng: np.random.Generator) -> None:
    """Tanks that keep blank rows for days nobody looked, filled with zeros as if they had been counted."""
    frame = desk.frames["losses"]
    blank = frame["dead"].isna().to_numpy()
    share = plan.mistakes.zero_filled_weekends_share / max(plan.records.blank_weekends_share, 1e-9)
    dead, entry = frame["dead"].to_numpy(copy=True), frame["entry"].to_numpy(dtype=object, copy=True)
    for (season, at), rows in _by_tank(frame).items():
        mine = rows[blank[rows]]
        if mine.size and rng.random() < share:
            dead[mine], entry[mine] = 0.0, None
            desk.note("zero_filled_weekends", "losses", season, at, len(mine), "0 written on days nobody looked")
    frame["dead"], frame["entry"] = dead, pd.Series(entry, dtype=object, index=frame.index)


def _running_totals(desk: WorkingCopy, shares: MistakesPlan, rng: np.random.Generator) -> None:
    """Dead written as a running total over the season."""
    frame = desk.frames["losses"]
    dead = frame["dead"].to_numpy(copy=True)
    for (season, at), rows in _by_tank(frame).items():
        counted = rows[np.isfinite(dead[rows])]
        if rng.random() < shares.cumulative_dead_share and (dead[counted] > 0).sum() >= 4:
            dead[counted] = np.cumsum(dead[counted])
            desk.note("cumulative_dead", "losses", season, at, len(counted), "running total written as daily dead")
    frame["dead"] = dead


def handout_date(truth: SeasonTruth, at: int) -> np.datetime64:
    """The date of half hatch on the forecast sheet: constant units at the set point, from the day of
    delivery."""
    cohort = truth.cohorts.iloc[truth.main[at]]
    species = str(truth.batches["species"].iloc[int(cohort["batch"])])
    units_left = HANDOUT_UNITS_C_DAYS[species] - float(cohort["thermal_units_at_delivery"])
    days = int(np.ceil(max(units_left, 0.0) / float(truth.setups["set_point_c"].iloc[at])))
    return truth.calendar.first + int(cohort["day"]) + days


def _copied_forecasts(desk: WorkingCopy, shares: MistakesPlan, rng: np.random.Generator) -> None:
    """Half hatch dated from the forecast sheet; a few people say so."""
    frame = desk.frames["stages"]
    seasons = {truth.calendar.season: truth for truth in desk.lived}
    seen, absent = frame["first_seen_on"].to_numpy(copy=True), frame["last_absent_on"].to_numpy(copy=True)
    dating = frame["dating"].to_numpy(dtype=object, copy=True)
    for row in np.flatnonzero((frame["stage"] == "hatch_half").to_numpy()):
        if rng.random() >= shares.copied_forecast_share:
            continue
        season, at = int(frame["_season"].iloc[row]), int(frame["_at"].iloc[row])
        says_so = rng.random() < shares.forecast_declared_share
        seen[row] = handout_date(seasons[season], at)
        absent[row] = np.datetime64("NaT")
        dating[row] = "copied_from_forecast" if says_so else None
        detail = "date of the forecast sheet, and says so" if says_so else "date of the forecast sheet, unsaid"
        desk.note("copied_forecast", "stages", season, at, 1, detail, row=int(row))
    frame["first_seen_on"], frame["last_absent_on"] = seen, absent
    frame["dating"] = pd.Series(dating, dtype=object, index=frame.index)


def _swapped_dates(desk: WorkingCopy, shares: MistakesPlan, rng: np.random.Generator) -> None:
    """Day and month swapped in dates that stay valid dates; never onto another row's key."""
    keys = {
        "losses": ["_at", "stage"],
        "stages": ["_at", "stage"],
        "exits": ["_at", "fate"],
        "water_tests": ["_at", "analyte"],
    }
    for name, column in DATES_AT_RISK.items():
        frame = desk.frames[name]
        dates = frame[column].to_numpy(copy=True)
        swapped, can = _swap(dates)
        chance = shares.day_month_swap_share / max(can.mean(), 1e-9)
        chosen = can & (rng.random(len(frame)) < chance)
        if name == "stages":
            chosen &= ~(frame["last_absent_on"].to_numpy() >= swapped)
        moved = frame.assign(**{column: np.where(chosen, swapped, dates)})
        clash = moved.duplicated([*keys[name], column], keep=False).to_numpy()
        chosen &= ~clash
        frame[column] = np.where(chosen, swapped, dates)
        _note_rows(desk, "day_month_swapped", name, chosen, f"{column}: day and month changed places")


def _swap(dates: np.ndarray) -> tuple[np.ndarray, Bools]:
    """Dates with day and month exchanged, and whether that can be done unseen."""
    days = dates.astype("datetime64[D]")
    months = days.astype("datetime64[M]")
    day = (days - months).astype(int) + 1
    month = months.astype(int) % 12 + 1
    can = ~np.isnat(days) & (day <= 12) & (day != month)
    year_start = days.astype("datetime64[Y]").astype("datetime64[M]")
    safe_day, safe_month = np.where(can, day, 1), np.where(can, month, 1)
    swapped = (year_start + (safe_day - 1)).astype("datetime64[D]") + (safe_month - 1)
    return swapped.astype(dates.dtype), can


def _broken_cells(desk: WorkingCopy, shares: MistakesPlan, rng: np.random.Generator) -> None:
    """A few cells nobody can read. The frames keep the true value; the text replaces it in the file."""
    for number in range(shares.rejected_rows):
        rule, name, column, text = BROKEN_CELLS[number % len(BROKEN_CELLS)]
        frame = desk.frames[name]
        if frame.empty:
            continue
        row = int(rng.integers(len(frame)))
        season, at = int(frame["_season"].iloc[row]), int(frame["_at"].iloc[row])
        detail = f"{column} written as {text!r}: the row must be refused"
        desk.note(f"refused_{rule}", name, season, at, 1, detail, row=row, column=column, text=text)
