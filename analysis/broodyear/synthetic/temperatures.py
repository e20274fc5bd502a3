"""Water temperature, hour by hour: a tank warmed by its room and cooled by a chiller that switches on and
off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from .incidents import hours_of
from .plan import Plan
from .school_days import HOURS, Calendar
from .streams import Bools, Floats, stream

TANKS_AT_ONCE = 128


@dataclass(frozen=True)
class Water:
    """hourly_c, room_c: (tanks, hours) °C. still: (tanks, hours) True while no water moves."""

    hourly_c: Floats
    room_c: Floats
    still: Bools

    def daily_mean_c(self) -> Floats:
        """(tanks, days) mean of each day's hours."""
        means: Floats = self.hourly_c.reshape(len(self.hourly_c), -1, 24).mean(axis=2)
        return means


def simulate_water(
    seed: int, setups: pd.DataFrame, incidents: pd.DataFrame, calendar: Calendar, plan: Plan
) -> Water:
    """The water of every tank of a season."""
    rng = stream(seed, "water", calendar.season)
    tanks = len(setups)
    room_c = _rooms(setups, calendar, plan, rng)
    target_c = _targets(setups, plan, rng)
    chiller_off = hours_of(incidents, ("chiller_stopped", "power_cut"), tanks)
    iced = hours_of(incidents, ("ice_on_exchanger",), tanks)
    still = hours_of(incidents, ("pump_stopped", "power_cut"), tanks)
    cooling = np.where(chiller_off, 0.0, np.where(iced, 0.15, 1.0))
    hourly_c = _run_tanks(setups, room_c, target_c, cooling, rng)
    return Water(hourly_c, room_c, still)


def _rooms(setups: pd.DataFrame, calendar: Calendar, plan: Plan, rng: np.random.Generator) -> Floats:
    """Rooms: warm in school hours, cooler at night, at weekends and in breaks, with slow weather."""
    hour_of_day = np.arange(HOURS) % 24
    closed = np.repeat(~calendar.school_day, 24)
    shape = 1.2 * np.sin(2 * np.pi * (hour_of_day - 9) / 24) - plan.water.weekend_room_drop_c * _smooth(
        closed.astype(float)
    )
    weather = _slow_noise(len(setups), 1.0, 4, rng)
    room: Floats = setups["site_room_c"].to_numpy(dtype=float)[:, None] + shape[None, :] + weather
    return room


def _targets(setups: pd.DataFrame, plan: Plan, rng: np.random.Generator) -> Floats:
    """(tanks, hours) what the controller really holds: the set point, a tank's own offset, a slow drift."""
    offset = rng.normal(0, plan.water.controller_offset_sd_c, len(setups))
    drift = _slow_noise(len(setups), plan.water.slow_drift_sd_c, 14, rng)
    target: Floats = np.maximum(setups["set_point_c"].to_numpy(dtype=float) + offset, 3.0)[:, None] + drift
    return target


def _smooth(values: Floats) -> Floats:
    """A moving mean over eight hours."""
    smoothed: Floats = np.convolve(values, np.ones(8) / 8, mode="same")
    return smoothed


def _slow_noise(rows: int, sd: float, correlation_days: float, rng: np.random.Generator) -> Floats:
    """(rows, hours) noise that wanders over some days: daily first-order steps joined by straight lines."""
    days = HOURS // 24 + 1
    keep = np.exp(-1 / correlation_days)
    steps = rng.normal(0, sd * np.sqrt(1 - keep**2), (rows, days))
    steps[:, 0] = rng.normal(0, sd, rows)
    for day in range(1, days):
        steps[:, day] += keep * steps[:, day - 1]
    share = (np.arange(24) / 24.0)[None, None, :]
    joined: Floats = (steps[:, :-1, None] * (1 - share) + steps[:, 1:, None] * share).reshape(rows, HOURS)
    return joined


def _run_tanks(
    setups: pd.DataFrame, room_c: Floats, target_c: Floats, cooling: Floats, rng: np.random.Generator
) -> Floats:
    """The on–off controller of every tank, in blocks of tanks that fit a processor's cache."""
    hourly = np.empty_like(room_c)
    for start in range(0, len(setups), TANKS_AT_ONCE):
        block = slice(start, start + TANKS_AT_ONCE)
        hourly[block] = _run_block(setups.iloc[block], room_c[block], target_c[block], cooling[block], rng)
    return hourly


def _run_block(
    setups: pd.DataFrame, room_c: Floats, target_c: Floats, cooling: Floats, rng: np.random.Generator
) -> Floats:
    """The on–off controller, hour by hour, for all tanks of a block at once."""
    volume_l = setups["volume_l"].to_numpy(dtype=float)
    hold_hours = (20.0 + 0.22 * volume_l) * np.where(setups["insulated"].to_numpy(dtype=bool), 1.5, 1.0)
    gain = 1 / hold_hours
    power_c_per_hour = 1.9 * np.sqrt(100.0 / volume_l)
    half_c = setups["differential_c"].to_numpy(dtype=float) / 2
    by_hour = [np.ascontiguousarray(part.T) for part in (room_c, target_c, cooling)]
    noise = rng.normal(0, 0.03, by_hour[0].shape)
    hourly = np.empty_like(by_hour[0])
    water, is_on = target_c[:, 0].copy(), np.zeros(len(setups), dtype=bool)
    for hour, (room, target, works) in enumerate(zip(*by_hour, strict=True)):
        is_on = np.where(water > target + half_c, True, np.where(water <= target - half_c, False, is_on))
        warmed = water + (room - water) * gain
        cooled = np.maximum(warmed - power_c_per_hour * works, np.minimum(target - half_c, warmed))
        water = np.where(is_on, cooled, warmed)
        hourly[hour] = water + noise[hour]
    return np.ascontiguousarray(hourly.T)
