"""One season lived through: eggs delivered, water, development, deaths, exits. The truth, before anyone writes."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from .batches import deliver
from .development import Progress, develop
from .incidents import collapse_hazard, draw_incidents
from .lives import live
from .plan import Plan
from .school_days import SIMULATED_DAYS, Calendar, calendar_of, looks
from .streams import Bools, Floats, Ints, stream
from .survival import (
    Fates,
    Hazards,
    Schedule,
    hatched_share,
    hazards,
    shocks,
    stage_effects,
)
from .temperatures import Water, simulate_water

RELEASE_WINDOWS = {"chinook": (4, 6, 26), "coho": (4, 20, 24), "rainbow_trout": (4, 12, 30)}
"""Species: month, day and length in days of the window in which its releases are planned."""
LAST_CLOSING_DAY = SIMULATED_DAYS - 4


@dataclass(frozen=True)
class SeasonTruth:
    """Everything true of one season. Frames: setups (tanks), batches, cohorts, incidents. Arrays by cohort or tank.

    looked: (tanks, days) someone looked. feeding_day: (cohorts,) day of first feeding. silent_day: (tanks,) day from
    which nothing is sent any more. main: (tanks,) the cohort of each tank's first delivery.
    """

    calendar: Calendar
    setups: pd.DataFrame
    batches: pd.DataFrame
    cohorts: pd.DataFrame
    incidents: pd.DataFrame
    water: Water
    progress: Progress
    hazard: Hazards
    fates: Fates
    schedule: Schedule
    looked: Bools
    feeding_day: Floats
    silent_day: Ints
    main: Ints


def live_season(
    seed: int, season: int, setups: pd.DataFrame, batches: pd.DataFrame, plan: Plan, regions: list[str]
) -> SeasonTruth:
    """Live one season of a programme."""
    calendar = calendar_of(season)
    cohorts = deliver(seed, setups, batches, calendar, plan, regions)
    at, tanks = cohorts["at"].to_numpy(), len(setups)
    main = np.flatnonzero(~cohorts["is_second"].to_numpy())
    planned = _planned_close(
        cohorts["batch"].to_numpy()[main], batches, calendar, stream(seed, "closing", season)
    )
    incidents = draw_incidents(seed, setups, cohorts["day"].to_numpy()[main], planned, calendar, plan)
    water = simulate_water(seed, setups, incidents, calendar, plan)
    progress = _develop_all(seed, season, cohorts, batches, water, plan)
    close_day = _closing(planned, progress, main, calendar)
    looked = looks(
        calendar, setups["weekend_access"].to_numpy(dtype=bool), plan.records, stream(seed, "looks", season)
    )
    feeding_day = _feeding(progress, at, looked, stream(seed, "feeding", season))
    effects = stage_effects(setups, batches, cohorts, plan)
    shock = shocks(
        water.hourly_c,
        water.still,
        collapse_hazard(incidents, tanks, SIMULATED_DAYS),
        plan,
        stream(seed, "bad days", season),
    )
    delay = np.nan_to_num(feeding_day - progress.button_up_day, nan=0.0)
    hazard = hazards(
        progress, effects, water.daily_mean_c()[at], shock[:, at], delay, cohorts, close_day[at], plan
    )
    hazard = _with_poor_tanks(hazard, setups, at, plan)
    schedule = _schedule(
        setups, cohorts, main, progress, close_day, calendar, plan, stream(seed, "exits", season)
    )
    fates = live(
        cohorts,
        hazard,
        hatched_share(progress, plan.development),
        schedule,
        looked,
        _found_share(setups, plan),
        plan,
        stream(seed, "lives", season),
    )
    silent_day = _silence(
        setups, incidents, close_day, cohorts["day"].to_numpy()[main], stream(seed, "silence", season)
    )
    return SeasonTruth(
        calendar,
        setups,
        batches,
        cohorts,
        incidents,
        water,
        progress,
        hazard,
        fates,
        schedule,
        looked,
        feeding_day,
        silent_day,
        main,
    )


def _planned_close(batch: Ints, batches: pd.DataFrame, calendar: Calendar, rng: np.random.Generator) -> Ints:
    """(tanks,) the day each release is planned for."""
    days = []
    for species in batches["species"].to_numpy()[batch]:
        month, day, length = RELEASE_WINDOWS[species]
        start = calendar.day_of(np.datetime64(f"{calendar.season + 1}-{month:02d}-{day:02d}"))
        days.append(calendar.next_school_day(start + int(rng.integers(0, length))))
    return np.array(days, dtype=np.int64)


def _closing(planned: Ints, progress: Progress, main: Ints, calendar: Calendar) -> Ints:
    """(tanks,) the day each tank is emptied: as planned, but at least 18 days after button-up."""
    ready = np.nan_to_num(progress.button_up_day[main], nan=LAST_CLOSING_DAY) + 18
    wanted = np.minimum(np.maximum(planned, ready.astype(np.int64)), LAST_CLOSING_DAY)
    return np.array([calendar.next_school_day(int(day)) for day in wanted], dtype=np.int64)


def _develop_all(
    seed: int, season: int, cohorts: pd.DataFrame, batches: pd.DataFrame, water: Water, plan: Plan
) -> Progress:
    """Development of every cohort, species by species."""
    rng = stream(seed, "tank rates", season)
    tank_factor = np.exp(rng.normal(0, plan.development.tank_log_rate_sd, len(water.hourly_c)))
    at, batch = cohorts["at"].to_numpy(), cohorts["batch"].to_numpy()
    factor = batches["rate_factor"].to_numpy()[batch] * tank_factor[at]
    species = batches["species"].to_numpy()[batch]
    size, days = len(cohorts), SIMULATED_DAYS
    whole = Progress(
        np.zeros((size, days)), np.zeros((size, days)), *(np.full(size, np.nan) for _ in range(3))
    )
    for name in sorted(set(species)):
        rows = np.flatnonzero(species == name)
        part = develop(
            name,
            water.hourly_c[at[rows]],
            cohorts["hour"].to_numpy(dtype=float)[rows],
            cohorts["fraction"].to_numpy(dtype=float)[rows],
            factor[rows],
            plan.development,
        )
        for field in ("to_hatch", "to_button_up", "hatch_day", "button_up_day", "eyed_day"):
            getattr(whole, field)[rows] = getattr(part, field)
    return whole


def _feeding(progress: Progress, at: Ints, looked: Bools, rng: np.random.Generator) -> Floats:
    """(cohorts,) day of first feeding: the first look some days after button-up, nan when never."""
    lag = np.round(rng.gamma(2, 1.5, len(looked)))[at]
    day = np.full(len(at), np.nan)
    for cohort, ready in enumerate(progress.button_up_day + lag):
        later = np.flatnonzero(looked[at[cohort], int(ready) :]) if np.isfinite(ready) else np.array([])
        if later.size:
            day[cohort] = int(ready) + later[0]
    return day


def _with_poor_tanks(hazard: Hazards, setups: pd.DataFrame, at: Ints, plan: Plan) -> Hazards:
    """Raise the background hazard of tanks planted poor until they lack the planned percentage points."""
    poor = setups["poor"].to_numpy()[at]
    points = np.select(
        [poor == "tank", poor == "site"],
        [plan.places.poor_tank_shortfall_points, plan.places.poor_site_shortfall_points],
        0.0,
    )
    background, shock = (part.sum(axis=0) for part in hazard.cumulative())
    usual = np.exp(-background - shock)
    wanted = np.maximum(usual - points / 100, 0.02)
    factor = (-np.log(wanted) - shock) / np.maximum(background, 1e-9)
    factor = np.where(points > 0, np.maximum(factor, 1.0), 1.0)
    return replace(hazard, background=hazard.background * factor[None, :, None])


def _found_share(setups: pd.DataFrame, plan: Plan) -> Floats:
    """(3, tanks) share of the dead that is found at a look."""
    share = np.full((3, len(setups)), plan.records.dead_found_share)
    layered = (setups["gravel_practice"] == "layered_stones").to_numpy()
    share[1] = np.where(layered, plan.records.dead_alevins_found_in_stones_share, share[1])
    return share


def _schedule(
    setups: pd.DataFrame,
    cohorts: pd.DataFrame,
    main: Ints,
    progress: Progress,
    close_day: Ints,
    calendar: Calendar,
    plan: Plan,
    rng: np.random.Generator,
) -> Schedule:
    """What people will do: partial releases, fish moved to another tank of the batch, escapes."""
    tanks = len(setups)
    ordinary = (setups["poor"] == "").to_numpy()
    fry_day = np.nan_to_num(progress.button_up_day[main], nan=1e9)
    draw = rng.random((3, tanks))
    before = np.array([calendar.next_school_day(int(day) - 14) for day in close_day])
    partial = (draw[0] < plan.records.partial_release_share) & (before > fry_day + 10) & (before < close_day)
    escape = (draw[1] < plan.records.escape_share) & (close_day - 25 > fry_day) & ordinary
    sender = (draw[2] < plan.records.transfer_share) & (close_day - 30 > fry_day) & ordinary & ~partial
    move_to = _receivers(
        sender, cohorts["batch"].to_numpy()[main], fry_day, close_day, ordinary & ~partial, rng
    )
    # a moment before the partial release, so that the two never meet on one day
    move_day = np.array([calendar.next_school_day(int(day) - 28) for day in close_day])
    return Schedule(
        close_day=close_day,
        partial_day=np.where(partial, before, -1),
        partial_share=rng.uniform(0.3, 0.5, tanks),
        move_day=np.where(move_to >= 0, move_day, -1),
        move_to=move_to,
        escape_day=np.where(escape, close_day - 20, -1),
        escape_share=rng.uniform(0.05, 0.15, tanks),
    )


def _receivers(
    sender: Bools, batch: Ints, fry_day: Floats, close_day: Ints, may_receive: Bools, rng: np.random.Generator
) -> Ints:
    """(tanks,) the tank each sender sends to, -1 for none: a tank of its batch with fry that stays open longer."""
    to = np.full(len(sender), -1, dtype=np.int64)
    free = may_receive & ~sender
    for tank in np.flatnonzero(sender):
        ready = (
            free
            & (batch == batch[tank])
            & (fry_day < close_day[tank] - 30)
            & (close_day > close_day[tank] - 10)
        )
        candidates = np.flatnonzero(ready)
        if candidates.size:
            to[tank] = int(rng.choice(candidates))
            free[to[tank]] = False
    return to


def _silence(
    setups: pd.DataFrame, incidents: pd.DataFrame, close_day: Ints, from_day: Ints, rng: np.random.Generator
) -> Ints:
    """(tanks,) the day from which a tank sends nothing: its collapse, or any day; beyond the season when it reports."""
    anyday = (from_day + rng.uniform(0.2, 0.9, len(setups)) * (close_day - from_day)).astype(np.int64)
    collapses = incidents[incidents["is_collapse"]]
    collapse_day = anyday.copy()
    collapse_day[collapses["at"].to_numpy()] = collapses["start_hour"].to_numpy() // 24 + 1
    silent = ~setups["reports"].to_numpy(dtype=bool)
    return np.where(silent, np.where(setups["collapses"], collapse_day, anyday), SIMULATED_DAYS + 1)
