"""Mistakes people make in their records, planted at the planned shares, each one logged.

Every function takes the working copy of the tables, spoils some rows and logs what it did. Mistakes of reading
temperature are in mistakes_in_readings.py, those of whole files in files.py.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from .mistakes_in_readings import Tank, WorkingCopy, spoil_readings
from .scenario import Scenario
from .season import SeasonTruth

HANDOUT_UNITS_C_DAYS = {"chinook": 545.0, "coho": 470.0, "rainbow_trout": 335.0}
"""Species: thermal units to half hatched on the forecast sheet the coordinator hands out with the eggs."""

DATES_AT_RISK = {
    "losses": ("checked_on", "stage"),
    "stages": ("first_seen_on", "stage"),
    "exits": ("exited_on", "fate"),
    "water_tests": ("tested_on", "analyte"),
}
"""Table: its date in which day and month change places, and the column that is its key beside tank and date."""

BROKEN_CELLS = (
    ("ambiguous_date", "ambiguous_date", "losses", "checked_on", "03/04/2024"),
    ("letter_in_number", "not_a_number", "losses", "dead", "1O"),
    ("unknown_tank", "unknown_tank", "losses", "tank_id", "TK-9999"),
    ("not_allowed", "not_allowed", "incidents", "kind", "powercut"),
    ("unit_in_number", "not_a_number", "temperatures", "water_temp", "9.5C"),
    ("not_a_number", "not_a_number", "water_tests", "value", "<0.25"),
    ("required_blank", "required_blank", "stages", "stage", ""),
    ("no_such_date", "not_a_date", "losses", "checked_on", "2024-02-30"),
    ("out_of_range", "out_of_range", "temperatures", "water_temp", "850"),
)
"""Cells that must send their row back: name, rule that finds it, table, column, what is written for the value."""

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
    **{f"refused_{name}": rule for name, rule, *_ in BROKEN_CELLS},
}
"""Mistake: the rule of the checks that should find it. The others leave no trace."""


def plant_mistakes(
    scenario: Scenario, seasons: tuple[SeasonTruth, ...], clean: dict[str, pd.DataFrame]
) -> tuple[dict[str, pd.DataFrame], pd.DataFrame]:
    """The tables as sent, and the log of mistakes: rule, table, season, tank_id (its true label), rows,
    detail.

    A mistake of one cell also has its row (position in the sent frame), column and the text written there.
    """
    sent = WorkingCopy(scenario, seasons, clean)
    _thermal_units(sent)
    _zero_filled(sent)
    _running_totals(sent)
    _copied_forecasts(sent)
    _swapped_dates(sent)
    spoil_readings(sent)
    _retyped_labels(sent)
    _broken_cells(sent)
    return sent.frames, pd.DataFrame(sent.log, columns=sent.LOG_COLUMNS)


def _thermal_units(sent: WorkingCopy) -> None:
    """Units in °F·d called c_days, and units that start from nothing on delivery."""
    frame, rng = sent.frames["deliveries"], sent.stream("units")
    draw, units = rng.random(len(frame)), frame["thermal_units_at_delivery"]
    celsius = (frame["thermal_unit"] == "c_days") & (frame["stage_at_delivery"] == "eyed")
    in_fahrenheit = celsius & (draw < sent.shares.f_units_share)
    restarted = celsius & (draw > 1 - sent.shares.units_restarted_share)
    units = units.mask(in_fahrenheit, np.round(units * 1.8))
    units[restarted] = np.round(rng.uniform(0, 12, restarted.sum()))
    frame["thermal_units_at_delivery"] = units
    sent.note_rows("f_thermal_units", "deliveries", in_fahrenheit, "°F·d written as c_days")
    restart = "counted from delivery, not from fertilisation"
    sent.note_rows("thermal_units_restarted", "deliveries", restarted, restart)


def _zero_filled(sent: WorkingCopy) -> None:
    """Tanks that keep blank rows for days nobody looked, filled with zeros as if they had been counted."""
    frame, rng = sent.frames["losses"], sent.stream("zeros")
    blank_share = max(sent.scenario.plan.records.blank_weekends_share, 1e-9)
    dead, entry = frame["dead"].to_numpy(copy=True), frame["entry"].to_numpy(copy=True)
    for tank, rows in sent.by_tank("losses", frame["dead"].isna()).items():
        if rng.random() < sent.shares.zero_filled_weekends_share / blank_share:
            dead[rows], entry[rows] = 0.0, None
            sent.note("zero_filled_weekends", "losses", tank, len(rows), "0 written on days nobody looked")
    sent.frames["losses"] = frame.assign(dead=dead, entry=entry)


def _running_totals(sent: WorkingCopy) -> None:
    """Dead written as a running total over the season."""
    rng, dead = sent.stream("totals"), sent.frames["losses"]["dead"].to_numpy(copy=True)
    for tank, rows in sent.by_tank("losses").items():
        counted = rows[np.isfinite(dead[rows])]
        if rng.random() < sent.shares.cumulative_dead_share and (dead[counted] > 0).sum() >= 4:
            dead[counted] = np.cumsum(dead[counted])
            sent.note("cumulative_dead", "losses", tank, len(counted), "running total written as daily dead")
    sent.frames["losses"]["dead"] = dead


def _copied_forecasts(sent: WorkingCopy) -> None:
    """Half hatch dated from the forecast sheet; a few people say so."""
    frame, rng = sent.frames["stages"], sent.stream("forecasts")
    for row in frame.index[frame["stage"] == "hatch_half"]:
        if rng.random() >= sent.shares.copied_forecast_share:
            continue
        season, at = tank = sent.tank_of("stages", row)
        says_so = rng.random() < sent.shares.forecast_declared_share
        frame.loc[row, "first_seen_on"] = _handout_date(sent.seasons[season], at)
        frame.loc[row, "last_absent_on"] = pd.NaT
        frame.loc[row, "dating"] = "copied_from_forecast" if says_so else None
        detail = f"date of the forecast sheet, {'and says so' if says_so else 'unsaid'}"
        sent.note("copied_forecast", "stages", tank, 1, detail, row=int(row))


def _handout_date(truth: SeasonTruth, at: int) -> np.datetime64:
    """The date of half hatch on the forecast sheet: constant units at the set point, from delivery on."""
    cohort = truth.main[at]
    units = HANDOUT_UNITS_C_DAYS[truth.of_batch("species")[cohort]]
    left = max(units - truth.cohorts["thermal_units_at_delivery"][cohort], 0.0)
    days = int(np.ceil(left / truth.tank("set_point_c")[at]))
    date: np.datetime64 = truth.calendar.first + int(truth.first_day[at]) + days
    return date


def _swapped_dates(sent: WorkingCopy) -> None:
    """Day and month swapped in dates that stay valid dates; never onto another row's key."""
    rng = sent.stream("swaps")
    for name, (column, key) in DATES_AT_RISK.items():
        frame = sent.frames[name]
        dates = frame[column]
        can = (dates.dt.day <= 12) & (dates.dt.day != dates.dt.month)
        parts = {"year": dates.dt.year, "month": dates.dt.day.where(can, 1), "day": dates.dt.month.where(can, 1)}
        swapped = pd.to_datetime(pd.DataFrame(parts)).astype(dates.dtype)
        chosen = can & (rng.random(len(frame)) < sent.shares.day_month_swap_share / max(can.mean(), 1e-9))
        if name == "stages":
            chosen &= ~(frame["last_absent_on"] >= swapped)
        moved = frame.assign(**{column: dates.mask(chosen, swapped)})
        chosen &= ~moved.duplicated(["_at", key, column], keep=False)
        frame[column] = dates.mask(chosen, swapped)
        sent.note_rows("day_month_swapped", name, chosen, f"{column}: day and month changed places")


def retyped(tank_id: str) -> str:
    """The variant under which a tank's label comes back: another way to type the same number."""
    number = int(tank_id.split("-")[1])
    variants = (f"TK{number:04d}", f"tk-{number:04d}", f"TK-{number}", f"Tank {number}", f"TK_{number:04d}")
    return variants[number % len(variants)]


def _retyped_labels(sent: WorkingCopy) -> None:
    """Returning tanks written under a variant of their label for a whole season, in every table; the list of tanks
    has a row for each variant in the first season it is used."""
    rng = sent.stream("labels")
    renamed: dict[Tank, str] = {}
    first: dict[str, tuple[str, int]] = {}
    for season, truth in sent.seasons.items():
        chosen = rng.random(len(truth.setups)) < sent.shares.id_retyped_share
        for at in np.flatnonzero(chosen & truth.tank("tank_returns") & truth.ordinary).tolist():
            label = truth.tank("tank_id")[at]
            renamed[season, at] = retyped(label)
            first.setdefault(retyped(label), (label, season))
            sent.note("id_retyped", "setups", (season, at), 1, f"written as {retyped(label)}")
    if not renamed:
        return
    for name, frame in sent.frames.items():
        if name not in ("sites", "tanks", "batches"):
            labels = frame["tank_id"].to_numpy(copy=True)
            for tank, rows in sent.by_tank(name).items():
                labels[rows] = renamed.get(tank, labels[rows])
            sent.frames[name] = frame.assign(tank_id=labels)
    tanks = sent.frames["tanks"]
    own, seasons = zip(*first.values(), strict=True)
    again = tanks.set_index("tank_id").loc[list(own)].assign(tank_id=list(first), _season=seasons)
    sent.frames["tanks"] = pd.concat([tanks, again], ignore_index=True)


def _broken_cells(sent: WorkingCopy) -> None:
    """A few cells nobody can read. The frames keep the true value; the text replaces it in the file."""
    rng = sent.stream("cells")
    for number in range(sent.shares.rejected_rows):
        rule, _, name, column, text = BROKEN_CELLS[number % len(BROKEN_CELLS)]
        if len(sent.frames[name]):
            row = int(rng.integers(len(sent.frames[name])))
            detail = f"{column} written as {text!r}: the row must be refused"
            cell = {"row": row, "column": column, "text": text}
            sent.note(f"refused_{rule}", name, sent.tank_of(name, row), 1, detail, **cell)
