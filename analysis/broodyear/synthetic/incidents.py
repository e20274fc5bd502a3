"""Interruptions and collapses: what strikes which tank, when, for how long."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .plan import Plan
from .school_days import HOURS, Calendar
from .streams import Bools, Floats, Ints, pick, stream

COLLAPSE_CAUSES = {"pump_stopped": 0.35, "tap_water_added": 0.20, "leak": 0.10, "overfed": 0.15, "": 0.20}
COLUMNS = ["at", "kind", "start_hour", "end_hour", "is_collapse", "strength"]


def draw_incidents(
    seed: int, setups: pd.DataFrame, from_day: Ints, to_day: Ints, calendar: Calendar, plan: Plan
) -> pd.DataFrame:
    """One row per event of a season: at (tank row), kind, start_hour, end_hour, is_collapse, strength.

    `strength` is the survival through a collapse; nan for the rest. `from_day`, `to_day` bound the tank's
    use.
    """
    rng = stream(seed, "incidents", calendar.season)
    parts = [
        _chiller_stops(setups, from_day, to_day, calendar, plan, rng),
        _simple(plan.water.pump_stop_share, "pump_stopped", 30.0, setups, from_day, to_day, rng),
        _simple(plan.water.ice_share, "ice_on_exchanger", 40.0, setups, from_day, to_day, rng),
        _power_cuts(setups, from_day, to_day, plan, rng),
        _collapses(setups, from_day, to_day, plan, rng),
    ]
    frame = pd.concat([part for part in parts if len(part)] or [_events(np.array([], int), "", 0.0, 0.0)])
    frame = frame[frame["end_hour"] < HOURS].astype({"at": int, "start_hour": int, "end_hour": int})
    return frame.sort_values(["at", "start_hour", "kind"], ignore_index=True)[COLUMNS]


def _events(at: Ints, kind: object, start: object, hours: object) -> pd.DataFrame:
    frame = pd.DataFrame({"at": at, "kind": kind, "start_hour": start})
    frame["end_hour"] = frame["start_hour"] + np.maximum(np.round(hours), 1)  # type: ignore[call-overload]
    frame["is_collapse"] = False
    frame["strength"] = np.nan
    return frame


def _any_hour(from_day: Ints, to_day: Ints, rng: np.random.Generator) -> Ints:
    """A random hour of each tank's time in use, after its first five days."""
    span = np.maximum(to_day - from_day - 10, 1)
    hour: Ints = ((from_day + 5 + rng.random(len(from_day)) * span) * 24).astype(np.int64)
    return hour


def _chiller_stops(
    setups: pd.DataFrame,
    from_day: Ints,
    to_day: Ints,
    calendar: Calendar,
    plan: Plan,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Old chillers stop more often."""
    age_years = calendar.season - setups["chiller_year"].to_numpy(dtype=float)
    chance = plan.water.chiller_stop_share * (0.4 + 0.12 * age_years) * (setups["poor"] == "").to_numpy()
    at = np.flatnonzero(rng.random(len(setups)) < chance)
    hours = plan.water.chiller_stop_hours_median * np.exp(rng.normal(0, 0.6, len(at)))
    return _events(at, "chiller_stopped", _any_hour(from_day[at], to_day[at], rng), np.clip(hours, 4, 120))


def _simple(
    share: float,
    kind: str,
    hours_mean: float,
    setups: pd.DataFrame,
    from_day: Ints,
    to_day: Ints,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """One kind of event that strikes tanks independently."""
    at = np.flatnonzero((rng.random(len(setups)) < share) & (setups["poor"] == "").to_numpy())
    hours = rng.gamma(3, hours_mean / 3, len(at))
    return _events(at, kind, _any_hour(from_day[at], to_day[at], rng), hours)


def _power_cuts(
    setups: pd.DataFrame, from_day: Ints, to_day: Ints, plan: Plan, rng: np.random.Generator
) -> pd.DataFrame:
    """A power cut strikes many tanks of a region in the same hour."""
    parts = []
    for region in sorted(set(setups["region"])):
        members = np.flatnonzero((setups["region"] == region).to_numpy())
        for _ in range(int(rng.poisson(plan.water.power_cut_per_region))):
            hour, hours = int(rng.integers(90 * 24, 230 * 24)), float(rng.gamma(2, 5.0))
            struck = members[rng.random(len(members)) < plan.water.power_cut_share_of_tanks]
            struck = struck[(from_day[struck] * 24 < hour) & (to_day[struck] * 24 > hour + hours)]
            parts.append(_events(struck, "power_cut", hour, hours))
    return pd.concat(parts) if parts else _events(np.array([], int), "", 0.0, 0.0)


def _collapses(
    setups: pd.DataFrame, from_day: Ints, to_day: Ints, plan: Plan, rng: np.random.Generator
) -> pd.DataFrame:
    at = np.flatnonzero(setups["collapses"].to_numpy())
    frame = _events(
        at,
        pick(rng, COLLAPSE_CAUSES, len(at)),
        _any_hour(from_day[at], to_day[at], rng),
        rng.uniform(10, 60, len(at)),
    )
    frame["is_collapse"] = True
    frame["strength"] = np.clip(rng.beta(1, plan.survival.collapse_beta_b, len(at)), 0.005, 0.9)
    return frame


def hours_of(incidents: pd.DataFrame, kinds: tuple[str, ...], tanks: int) -> Bools:
    """(tanks, hours) whether any event of these kinds is going on (collapses not included)."""
    going_on = np.zeros((tanks, HOURS), dtype=bool)
    rows = incidents[incidents["kind"].isin(kinds) & ~incidents["is_collapse"]]
    for at, start, end in zip(rows["at"], rows["start_hour"], rows["end_hour"], strict=True):
        going_on[at, start:end] = True
    return going_on


def collapse_hazard(incidents: pd.DataFrame, tanks: int, days: int) -> Floats:
    """(tanks, days) hazard of death from collapses, spread over two days."""
    hazard = np.zeros((tanks, days))
    rows = incidents[incidents["is_collapse"]]
    for at, start, strength in zip(rows["at"], rows["start_hour"], rows["strength"], strict=True):
        day = start // 24
        hazard[at, day : day + 2] += -np.log(strength) / 2
    return hazard
