"""Mistakes in temperature readings: Fahrenheit, copies, the set point, loggers in the air, clocks that are
off."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from .plan import MistakesPlan
from .season import SeasonTruth
from .streams import Floats, stream
from .tables import WorkingCopy

RUN_LENGTHS = {0.1: (20, 31), 0.5: (30, 46), 1.0: (50, 71)}
"""Resolution (°C or °F): how many readings in a row are copied, beyond what an honest thermometer would
repeat."""
CLOCK_OFFSETS_HOURS = (-8, -7, -1, 1, 7, 8)
FEWEST_READINGS = 40

Groups = dict[tuple[int, int], np.ndarray]


def spoil_readings(desk: WorkingCopy, shares: MistakesPlan, seed: int) -> None:
    """Plant every mistake of reading temperature in the desk's `temperatures`."""
    frame = desk.frames["temperatures"]
    if frame.empty:
        return
    by_logger = _is_logger(frame)
    hand, loggers = _groups(frame, ~by_logger), _groups(frame, by_logger)
    values = frame["water_temp"].to_numpy(copy=True)
    said_f = (frame["unit"] == "F").to_numpy()
    rng = stream(seed, "mistakes", "hand readings")
    _spoil_hand_tanks(desk, shares, hand, values, said_f, rng)
    _single_fahrenheit_rows(desk, shares, hand, values, said_f, rng)
    _loggers_in_air(desk, shares, loggers, frame, values, stream(seed, "mistakes", "air"))
    moments = frame["read_at"].to_numpy(copy=True)
    _clock_offsets(desk, shares, loggers, moments, stream(seed, "mistakes", "clocks"))
    desk.frames["temperatures"] = frame.assign(water_temp=values, read_at=moments)


def _is_logger(frame: pd.DataFrame) -> np.ndarray:
    """Rows read by a logger: said so, or blank with an hour."""
    blank = frame["instrument"].isna().to_numpy()
    with_hour = frame["read_at_has_hour"].to_numpy(dtype=bool)
    by_logger: np.ndarray = (blank & with_hour) | (frame["instrument"] == "logger").to_numpy()
    return by_logger


def _groups(frame: pd.DataFrame, keep: np.ndarray) -> Groups:
    """(season, row of the tank) → positions of its kept rows, in the order of the frame."""
    rows = np.flatnonzero(keep)
    key = frame["_season"].to_numpy(dtype=np.int64)[rows] * 1_000_000 + frame["_at"].to_numpy(dtype=np.int64)[rows]
    order = np.argsort(key, kind="stable")
    names, starts = np.unique(key[order], return_index=True)
    parts = np.split(rows[order], starts[1:])
    return {(int(name // 1_000_000), int(name % 1_000_000)): part for name, part in zip(names, parts, strict=True)}


def _truth(desk: WorkingCopy, season: int) -> SeasonTruth:
    return next(truth for truth in desk.lived if truth.calendar.season == season)


def _deal(
    tanks: list[tuple[int, int]], shares: Iterable[float], rng: np.random.Generator
) -> list[list[tuple[int, int]]]:
    """Deal shuffled tank-seasons to mistakes, so that none gets two of them."""
    shuffled = [tanks[i] for i in rng.permutation(len(tanks))]
    dealt, start = [], 0
    for share in shares:
        count = int(rng.binomial(len(tanks), share)) if tanks else 0
        dealt.append(sorted(shuffled[start : start + count]))
        start += count
    return dealt


def _spoil_hand_tanks(
    desk: WorkingCopy,
    shares: MistakesPlan,
    hand: Groups,
    values: Floats,
    said_f: np.ndarray,
    rng: np.random.Generator,
) -> None:
    tanks = [key for key, rows in hand.items() if len(rows) >= FEWEST_READINGS and not said_f[rows].any()]
    fahrenheit, copied, typed = _deal(
        tanks, (shares.f_readings_tank_share, shares.copied_run_share, shares.set_point_typed_share), rng
    )
    for key in fahrenheit:
        values[hand[key]] = np.round(values[hand[key]] * 1.8 + 32)
        desk.note("f_readings", "temperatures", *key, len(hand[key]), "°F with the unit blank, the whole season")
    for key in copied:
        run = _copy_run(_truth(desk, key[0]), key[1], hand[key], values, rng)
        desk.note("copied_run", "temperatures", *key, run, f"the same reading {run} times in a row")
    for key in typed:
        set_point = float(_truth(desk, key[0]).setups["set_point_c"].iloc[key[1]])
        values[hand[key]] = set_point
        desk.note("set_point_typed", "temperatures", *key, len(hand[key]), f"the set point {set_point} every time")


def _copy_run(truth: SeasonTruth, at: int, rows: np.ndarray, values: Floats, rng: np.random.Generator) -> int:
    """Copy one reading over the following ones; returns how many are the same."""
    step = float(truth.setups["thermometer_step"].iloc[at])
    length = min(int(rng.integers(*RUN_LENGTHS[step])), len(rows) - 5)
    start = int(rng.integers(0, len(rows) - length))
    values[rows[start : start + length]] = values[rows[start]]
    return length


def _single_fahrenheit_rows(
    desk: WorkingCopy,
    shares: MistakesPlan,
    hand: Groups,
    values: Floats,
    said_f: np.ndarray,
    rng: np.random.Generator,
) -> None:
    for key, rows in hand.items():
        mine = rows[(rng.random(len(rows)) < shares.f_readings_row_share) & (values[rows] < 25) & ~said_f[rows]]
        if mine.size:
            values[mine] = np.round(values[mine] * 1.8 + 32)
            desk.note(
                "f_reading_row", "temperatures", *key, len(mine), "single readings in °F with the unit blank"
            )


def _loggers_in_air(
    desk: WorkingCopy,
    shares: MistakesPlan,
    loggers: Groups,
    frame: pd.DataFrame,
    values: Floats,
    rng: np.random.Generator,
) -> None:
    """A logger lifted out of the water for one to four days reads the room."""
    moments = frame["read_at"].to_numpy()
    for key, rows in loggers.items():
        if rng.random() >= shares.logger_in_air_share:
            continue
        truth = _truth(desk, key[0])
        start = moments[rows[0]] + np.timedelta64(int(rng.uniform(0.05, 0.7) * (len(rows))), "h")
        end = start + np.timedelta64(int(rng.integers(24, 97)), "h")
        mine = rows[(moments[rows] >= start) & (moments[rows] < end)]
        hour = ((moments[mine] - truth.calendar.first) / np.timedelta64(1, "h")).astype(int)
        values[mine] = np.round(truth.water.room_c[key[1], hour] + rng.normal(0, 0.15, len(mine)), 1)
        desk.note(
            "logger_in_air",
            "temperatures",
            *key,
            len(mine),
            f"out of the water from {start.astype('datetime64[m]')}",
        )


def _clock_offsets(
    desk: WorkingCopy, shares: MistakesPlan, loggers: Groups, moments: np.ndarray, rng: np.random.Generator
) -> None:
    for key, rows in loggers.items():
        if rng.random() < shares.clock_offset_share:
            hours = int(rng.choice(CLOCK_OFFSETS_HOURS))
            moments[rows] += np.timedelta64(hours, "h")
            desk.note("clock_offset", "temperatures", *key, len(rows), f"the clock is {hours:+d} h off")
