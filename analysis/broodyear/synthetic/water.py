"""Interruptions and collapses of a season, and the water of its tanks hour by hour: warmed by the room, cooled
by a chiller that switches on and off."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from .scenario import HOURS, SIMULATED_DAYS, Bools, Floats, Ints, Season, by_day, pick

COLLAPSE_CAUSES = {"pump_stopped": 0.35, "tap_water_added": 0.20, "leak": 0.10, "overfed": 0.15, "": 0.20}
TANKS_AT_ONCE = 128


def draw_incidents(season: Season, from_day: Ints, to_day: Ints) -> pd.DataFrame:
    """One row per event of a season: at (tank row), kind, start_hour, end_hour, strength, is_collapse.

    `strength` is the survival through a collapse, nan for the rest. `from_day`, `to_day`: (tanks,) bounds of a
    tank's use.
    """
    water, rng = season.plan.water, season.stream("incidents")
    draw = _Incidents(season, from_day, to_day, rng)
    age_years = season.calendar.season - season.tank("chiller_year")  # old chillers stop more often
    chiller_share = water.chiller_stop_share * (0.4 + 0.12 * age_years)

    def chiller_hours(size: int) -> Floats:
        return np.clip(water.chiller_stop_hours_median * np.exp(rng.normal(0, 0.6, size)), 4, 120)

    parts = [
        draw.strikes("chiller_stopped", chiller_share, chiller_hours),
        draw.strikes("pump_stopped", water.pump_stop_share, lambda size: rng.gamma(3, 10.0, size)),
        draw.strikes("ice_on_exchanger", water.ice_share, lambda size: rng.gamma(3, 40.0 / 3, size)),
        *draw.power_cuts(),
        draw.collapses(),
    ]
    frame = pd.concat(parts, ignore_index=True)
    frame["is_collapse"] = frame["strength"].notna()
    return frame[frame["end_hour"] < HOURS].sort_values(["at", "start_hour", "kind"], ignore_index=True)


@dataclass(frozen=True)
class _Incidents:
    """Draws the events of a season, kind by kind, within each tank's days of use."""

    season: Season
    from_day: Ints
    to_day: Ints
    rng: np.random.Generator

    def strikes(self, kind: str, chance: Any, hours: Callable[[int], Floats]) -> pd.DataFrame:
        """One kind of event that strikes tanks independently; hours: draws so many lengths."""
        at = np.flatnonzero((self.rng.random(len(self.from_day)) < chance) & self.season.ordinary)
        lengths = hours(len(at))
        return _events(at, kind, self._any_hour(at), lengths)

    def power_cuts(self) -> list[pd.DataFrame]:
        """A power cut strikes many tanks of a region in the same hour."""
        rng, water, parts = self.rng, self.season.plan.water, []
        for region in sorted(set(self.season.setups["region"])):
            members = np.flatnonzero(self.season.setups["region"] == region)
            for _ in range(rng.poisson(water.power_cut_per_region)):
                hour, hours = int(rng.integers(90 * 24, 230 * 24)), float(rng.gamma(2, 5.0))
                struck = members[rng.random(len(members)) < water.power_cut_share_of_tanks]
                in_use = (self.from_day[struck] * 24 < hour) & (self.to_day[struck] * 24 > hour + hours)
                parts.append(_events(struck[in_use], "power_cut", hour, hours))
        return parts

    def collapses(self) -> pd.DataFrame:
        """The tanks that collapse, each of some cause, known or not."""
        at, rng = np.flatnonzero(self.season.setups["collapses"]), self.rng
        kind, start = pick(rng, COLLAPSE_CAUSES, len(at)), self._any_hour(at)
        frame = _events(at, kind, start, rng.uniform(10, 60, len(at)))
        survival = rng.beta(1, self.season.plan.survival.collapse_beta_b, len(at))
        return frame.assign(strength=survival.clip(0.005, 0.9))

    def _any_hour(self, at: Ints) -> Ints:
        """A random hour of each tank's use, after its first five days."""
        days = np.maximum(self.to_day[at] - self.from_day[at] - 10, 1)
        hours: Ints = ((self.from_day[at] + 5 + self.rng.random(len(at)) * days) * 24).astype(np.int64)
        return hours


def _events(at: Ints, kind: Any, start_hour: Any, hours: Any) -> pd.DataFrame:
    end_hour = start_hour + np.maximum(np.round(hours), 1).astype(np.int64)
    return pd.DataFrame(
        {"at": at, "kind": kind, "start_hour": start_hour, "end_hour": end_hour, "strength": np.nan}
    )


def collapse_hazard(season: Season, incidents: pd.DataFrame) -> Floats:
    """(tanks, days) hazard of death from collapses, spread over two days."""
    hazard = np.zeros((len(season.setups), SIMULATED_DAYS))
    rows = incidents[incidents["is_collapse"]]
    for at, start, strength in zip(rows["at"], rows["start_hour"], rows["strength"], strict=True):
        hazard[at, start // 24 : start // 24 + 2] += -np.log(strength) / 2
    return hazard


@dataclass(frozen=True)
class Water:
    """hourly_c, room_c: (tanks, hours) °C. still: (tanks, hours) True while no water moves."""

    hourly_c: Floats
    room_c: Floats
    still: Bools

    def daily_mean_c(self) -> Floats:
        """(tanks, days) mean of each day's hours."""
        return np.asarray(by_day(self.hourly_c).mean(axis=2))


def simulate_water(season: Season, incidents: pd.DataFrame) -> Water:
    """The water of every tank of a season."""
    rng, water, tanks = season.stream("water"), season.plan.water, len(season.setups)
    room_c = _rooms(season, rng)
    offset_c = rng.normal(0, water.controller_offset_sd_c, tanks)
    # what the controller really holds: the set point, a tank's own offset, a slow drift
    drift_c = _slow_noise(tanks, water.slow_drift_sd_c, 14, rng)
    target_c = np.maximum(season.tank("set_point_c") + offset_c, 3.0)[:, None] + drift_c
    is_off = _going_on(incidents, ("chiller_stopped", "power_cut"), tanks)
    is_iced = _going_on(incidents, ("ice_on_exchanger",), tanks)
    cooling = np.where(is_off, 0.0, np.where(is_iced, 0.15, 1.0))
    hourly_c = np.empty_like(room_c)
    for start in range(0, tanks, TANKS_AT_ONCE):  # blocks of tanks that fit a processor's cache
        block = slice(start, start + TANKS_AT_ONCE)
        hourly_c[block] = _run(season.setups.iloc[block], room_c[block], target_c[block], cooling[block], rng)
    return Water(hourly_c, room_c, _going_on(incidents, ("pump_stopped", "power_cut"), tanks))


def _going_on(incidents: pd.DataFrame, kinds: tuple[str, ...], tanks: int) -> Bools:
    """(tanks, hours) whether any event of these kinds is going on (collapses not included)."""
    going_on = np.zeros((tanks, HOURS), dtype=bool)
    rows = incidents[incidents["kind"].isin(kinds) & ~incidents["is_collapse"]]
    for at, start, end in zip(rows["at"], rows["start_hour"], rows["end_hour"], strict=True):
        going_on[at, start:end] = True
    return going_on


def _rooms(season: Season, rng: np.random.Generator) -> Floats:
    """Rooms: warm in school hours, cooler at night, at weekends and in breaks, with slow weather."""
    closed = np.repeat(~season.calendar.school_day, 24).astype(float)
    eight_hour_mean = np.convolve(closed, np.ones(8) / 8, mode="same")
    daily = 1.2 * np.sin(2 * np.pi * (np.arange(HOURS) % 24 - 9) / 24)
    usual = daily - season.plan.water.weekend_room_drop_c * eight_hour_mean
    room_c: Floats = season.tank("site_room_c")[:, None] + usual + _slow_noise(len(season.setups), 1.0, 4, rng)
    return room_c


def _slow_noise(rows: int, sd: float, correlation_days: float, rng: np.random.Generator) -> Floats:
    """(rows, hours) noise that wanders over some days: daily first-order steps joined by straight lines."""
    keep = np.exp(-1 / correlation_days)
    steps = rng.normal(0, sd * np.sqrt(1 - keep**2), (rows, SIMULATED_DAYS + 1))
    steps[:, 0] = rng.normal(0, sd, rows)
    for day in range(1, SIMULATED_DAYS + 1):
        steps[:, day] += keep * steps[:, day - 1]
    share = np.arange(24) / 24.0
    joined = steps[:, :-1, None] * (1 - share) + steps[:, 1:, None] * share
    return joined.reshape(rows, HOURS)


def _run(
    setups: pd.DataFrame, room_c: Floats, target_c: Floats, cooling: Floats, rng: np.random.Generator
) -> Floats:
    """The on–off controller, hour by hour, for all tanks of a block at once."""
    volume_l, half_c = setups["volume_l"].to_numpy(), setups["differential_c"].to_numpy() / 2
    hold_hours = (20.0 + 0.22 * volume_l) * np.where(setups["insulated"], 1.5, 1.0)
    gain, power_c_per_hour = 1 / hold_hours, 1.9 * np.sqrt(100.0 / volume_l)
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
