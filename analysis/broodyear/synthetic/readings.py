"""Temperature readings: loggers that never forget, and thermometers read when someone looks.

Half a million rows are kept as arrays (`Readings`) until the programme is put together.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from .frames import coded
from .plan import Plan, Shape
from .records import open_days_of
from .season import SeasonTruth
from .streams import Bools, Floats, Ints, stream

LOGGER_STEP_C = 0.1
INSTRUMENTS = ("logger", "thermometer", "controller")


@dataclass(frozen=True)
class Readings:
    """Rows of one season as arrays of one length: at (tank row), read_at (datetime64[m]), has_hour, value,
    in_fahrenheit (and said so), instrument (index into INSTRUMENTS), step (resolution in the unit
    written)."""

    at: Ints
    read_at: np.ndarray
    has_hour: Bools
    value: Floats
    in_fahrenheit: Bools
    instrument: Ints
    step: Floats

    def order(self) -> Readings:
        """The rows by tank, instrument and time."""
        rows = np.lexsort((self.read_at, self.instrument, self.at))
        return Readings(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))


def read_water(truth: SeasonTruth, plan: Plan, shape: Shape, seed: int) -> Readings:
    """Every reading of a season, in order of tank, instrument and time."""
    parts = [_logger_rows(truth, plan, shape, seed), _hand_rows(truth, plan, seed)]
    return Readings(
        *(np.concatenate([getattr(part, name) for part in parts]) for name in Readings.__dataclass_fields__)
    ).order()


def _logger_rows(truth: SeasonTruth, plan: Plan, shape: Shape, seed: int) -> Readings:
    """Loggers run from two days before delivery until the tank is emptied, or until it falls silent."""
    rng = stream(seed, "loggers", truth.calendar.season)
    step = shape.logger_interval_minutes
    at_rows, minutes, values = [], [], []
    first_day = truth.cohorts["day"].to_numpy()[truth.main] - 2
    last_day = np.minimum(truth.schedule.close_day, truth.silent_day)
    for at in np.flatnonzero(truth.setups["has_logger"].to_numpy(dtype=bool)):
        ticks = np.arange(first_day[at] * 1440, last_day[at] * 1440, step)
        water = np.interp(ticks / 60.0, np.arange(truth.water.hourly_c.shape[1]), truth.water.hourly_c[at])
        at_rows.append(np.full(len(ticks), at))
        minutes.append(ticks)
        values.append(water + rng.normal(0, plan.records.logger_offset_sd_c) + rng.normal(0, 0.04, len(ticks)))
    if not at_rows:
        return _nothing()
    all_ticks, tanks = np.concatenate(minutes), np.concatenate(at_rows)
    value = np.round(np.concatenate(values), 1)
    size = len(all_ticks)
    start = truth.calendar.first.astype("datetime64[m]")
    return Readings(
        tanks,
        start + all_ticks,
        np.ones(size, bool),
        value,
        np.zeros(size, bool),
        np.zeros(size, np.int64),
        np.full(size, LOGGER_STEP_C),
    )


def _nothing() -> Readings:
    none = np.zeros(0, np.int64)
    return Readings(
        none,
        none.astype("datetime64[m]"),
        none.astype(bool),
        none.astype(float),
        none.astype(bool),
        none,
        none.astype(float),
    )


def _hand_rows(truth: SeasonTruth, plan: Plan, seed: int) -> Readings:
    """One reading a look at most: the site's thermometer, its offset, its resolution, its unit."""
    rng = stream(seed, "hand readings", truth.calendar.season)
    setups, records = truth.setups, plan.records
    beside = rng.random(len(setups)) < records.hand_beside_logger_share
    reads = ~setups["has_logger"].to_numpy(dtype=bool) | beside
    days = (
        truth.looked
        & open_days_of(truth)
        & reads[:, None]
        & (rng.random(truth.looked.shape) < records.hand_reading_share)
    )
    at, day = np.nonzero(days)
    hour = day * 24 + setups["reading_hour"].to_numpy(dtype=int)[at]
    celsius = (
        truth.water.hourly_c[at, hour]
        + setups["thermometer_offset_c"].to_numpy(dtype=float)[at]
        + rng.normal(0, records.thermometer_error_sd_c, len(at))
    )
    fahrenheit = setups["reads_fahrenheit"].to_numpy(dtype=bool)[at]
    step = np.where(fahrenheit, 1.0, setups["thermometer_step"].to_numpy(dtype=float)[at])
    value = np.round(np.round(np.where(fahrenheit, celsius * 1.8 + 32, celsius) / step) * step, 1)
    knows_hour = setups["writes_hour"].to_numpy(dtype=bool)[at]
    minutes = hour * 60 + np.where(knows_hour, rng.integers(0, 12, len(at)) * 5, 0)
    moment = truth.calendar.first.astype("datetime64[m]") + np.where(knows_hour, minutes, day * 1440)
    instrument = np.where(setups["reads_controller"].to_numpy(dtype=bool)[at], 2, 1)
    return Readings(at, moment, knows_hour, value, fahrenheit, instrument, step)


def as_frame(readings: Readings, truth: SeasonTruth) -> pd.DataFrame:
    """The readings as rows of `temperatures`, with the hidden columns of the other frames.

    Unit and instrument are left blank where the record set's default says the same.
    """
    setups = truth.setups
    default = np.where(readings.has_hour, 0, 1)
    written = np.where(readings.instrument == default, -1, readings.instrument)
    return pd.DataFrame(
        {
            "tank_id": _labels(setups["tank_id"], readings.at),
            "read_at": readings.read_at.astype("datetime64[us]"),
            "water_temp": readings.value,
            "unit": coded(np.where(readings.in_fahrenheit, 0, -1), ["F"]),
            "instrument": coded(written, INSTRUMENTS),
            "read_at_has_hour": readings.has_hour,
            "_season": truth.calendar.season,
            "_region": _labels(setups["region"], readings.at),
            "_at": readings.at,
        }
    )


def _labels(values: pd.Series, at: Ints) -> Any:
    """Codes of many rows as a categorical column."""
    codes, names = pd.factorize(values)
    return coded(codes[at], [str(name) for name in names])
