"""One season lived through: eggs delivered, water, development, deaths, exits. The truth, before anyone
writes."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from .batches import deliver
from .development import Progress, develop
from .incidents import collapse_hazard, draw_incidents
from .lives import live
from .plan import Plan
from .school_days import SIMULATED_DAYS, Calendar, calendar_of, looks
from .streams import Bools, Floats, Ints, stream
from .survival import (
    Exposed,
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
LATE_PICK_DAYS = 14
"""Days after half hatch until which dead eggs are still picked."""


@dataclass(frozen=True)
class Conditions:
    """What the fish of a season are given. Frames: setups (tanks), batches, cohorts (deliveries), incidents.

    main: (tanks,) the cohort of each tank's first delivery. looked: (tanks, days) whether someone looked.
    planned_close: (tanks,) the day its release is planned for.
    """

    calendar: Calendar
    setups: pd.DataFrame
    batches: pd.DataFrame
    cohorts: pd.DataFrame
    main: Ints
    incidents: pd.DataFrame
    water: Water
    looked: Bools
    planned_close: Ints

    @property
    def at(self) -> Ints:
        """(cohorts,) the tank of each cohort."""
        tank: Ints = self.cohorts["at"].to_numpy()
        return tank

    @property
    def first_day(self) -> Ints:
        """(tanks,) the day of each tank's first delivery."""
        day: Ints = self.cohorts["day"].to_numpy()[self.main]
        return day


@dataclass(frozen=True)
class DevelopedSeason(Conditions):
    """A season before anyone dies: its conditions, and how fish develop in that water.

    close_day: (tanks,) day it is to be emptied. feeding_day: (cohorts,) day of first feeding, or nan.
    """

    progress: Progress
    close_day: Ints
    feeding_day: Floats


@dataclass(frozen=True)
class SeasonTruth(DevelopedSeason):
    """Everything true of one season.

    poor_factor: (cohorts,) factor on hazards of tanks planted poor, 1 elsewhere. silent_day: (tanks,) day
    from which nothing is sent any more, beyond the season for tanks that report.
    """

    hazard: Hazards
    poor_factor: Floats
    schedule: Schedule
    fates: Fates
    silent_day: Ints

    def reaches(self) -> dict[str, Bools]:
        """Outcome -> (tanks,) whether its records go on until the outcome is known."""
        hatch_day = np.nan_to_num(self.progress.hatch_day[self.main], nan=1e9)
        to_release = self.silent_day > self.schedule.close_day
        return {
            "hatch": self.silent_day > hatch_day + LATE_PICK_DAYS,
            "hatch_to_release": to_release,
            "delivered_to_release": to_release,
        }


def live_season(
    seed: int, season: int, setups: pd.DataFrame, batches: pd.DataFrame, plan: Plan, regions: list[str]
) -> SeasonTruth:
    """Live one season of a programme."""
    developing = developed(seed, _conditions(seed, season, setups, batches, plan, regions), plan)
    hazard, poor_factor = hazards_of(seed, developing, plan)
    schedule = _schedule(developing, plan, stream(seed, "exits", season))
    shares = hatched_share(developing.progress, plan.development)
    fates = live(developing.cohorts, hazard, shares, schedule, plan, stream(seed, "lives", season))
    silent_day = _silence(developing, stream(seed, "silence", season))
    return SeasonTruth(
        **vars(developing),
        hazard=hazard,
        poor_factor=poor_factor,
        schedule=schedule,
        fates=fates,
        silent_day=silent_day,
    )


def _conditions(
    seed: int, season: int, setups: pd.DataFrame, batches: pd.DataFrame, plan: Plan, regions: list[str]
) -> Conditions:
    """Eggs delivered, water run, visits drawn."""
    calendar = calendar_of(season)
    cohorts = deliver(seed, setups, batches, calendar, plan, regions)
    main = np.flatnonzero(~cohorts["is_second"].to_numpy())
    batch, first_day = cohorts["batch"].to_numpy()[main], cohorts["day"].to_numpy()[main]
    planned = _planned_close(batch, batches, calendar, stream(seed, "closing", season))
    incidents = draw_incidents(seed, setups, first_day, planned, calendar, plan)
    water = simulate_water(seed, setups, incidents, calendar, plan)
    weekend_access = setups["weekend_access"].to_numpy(dtype=bool)
    looked = looks(calendar, weekend_access, plan.records, stream(seed, "looks", season))
    return Conditions(calendar, setups, batches, cohorts, main, incidents, water, looked, planned)


def developed(seed: int, given: Conditions, plan: Plan) -> DevelopedSeason:
    """Development summed in the given water, and with it the days of feeding and of emptying.

    Every draw comes from a stream of its own, so the same tanks in other water meets the same luck.
    """
    same = {field.name: getattr(given, field.name) for field in fields(Conditions)}
    season = given.calendar.season
    progress = _develop_all(seed, season, given.cohorts, given.batches, given.water, plan)
    close_day = _closing(given.planned_close, progress, given.main, given.calendar)
    feeding_day = _feeding(progress, given.at, given.looked, stream(seed, "feeding", season))
    return DevelopedSeason(**same, progress=progress, close_day=close_day, feeding_day=feeding_day)


def hazards_of(seed: int, developing: DevelopedSeason, plan: Plan) -> tuple[Hazards, Floats]:
    """Hazards of every cohort, and the (cohorts,) factor in them that makes tanks planted poor what they are."""
    collapse = collapse_hazard(developing.incidents, len(developing.setups), SIMULATED_DAYS)
    bad_days = stream(seed, "bad days", developing.calendar.season)
    shock = shocks(developing.water.hourly_c, developing.water.still, collapse, plan, bad_days)[:, developing.at]
    effects = stage_effects(developing.setups, developing.batches, developing.cohorts, plan)
    delay = np.nan_to_num(developing.feeding_day - developing.progress.button_up_day, nan=0.0)
    daily_c, close_day = developing.water.daily_mean_c()[developing.at], developing.close_day[developing.at]
    exposed = Exposed(developing.progress, daily_c, delay, developing.cohorts["day"].to_numpy(), close_day)
    ordinary = hazards(exposed, effects, shock, plan)
    factor = _poor_factor(*ordinary.cumulative(), developing.setups["poor"].to_numpy()[developing.at], plan)
    return replace(ordinary, background=ordinary.background * factor[None, :, None]), factor


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
    whole = Progress(np.zeros((size, days)), np.zeros((size, days)), *(np.full(size, np.nan) for _ in range(3)))
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


def _poor_factor(background: Floats, shock: Floats, poor: NDArray[np.object_], plan: Plan) -> Floats:
    """(cohorts,) factor on the background hazard that makes tanks planted poor lack the planned points.

    background, shock: (3, cohorts) ordinary hazards summed over each stage. poor: (cohorts,) tank, site or "".
    """
    points = np.select(
        [poor == "tank", poor == "site"],
        [plan.places.poor_tank_shortfall_points, plan.places.poor_site_shortfall_points],
        0.0,
    )
    usual = np.exp(-background.sum(axis=0) - shock.sum(axis=0))
    wanted = np.maximum(usual - points / 100, 0.02)
    factor = (-np.log(wanted) - shock.sum(axis=0)) / np.maximum(background.sum(axis=0), 1e-9)
    return np.where(points > 0, np.maximum(factor, 1.0), 1.0)


def _found_share(setups: pd.DataFrame, plan: Plan) -> Floats:
    """(3, tanks) share of the dead that is found at a look."""
    share = np.full((3, len(setups)), plan.records.dead_found_share)
    layered = (setups["gravel_practice"] == "layered_stones").to_numpy()
    share[1] = np.where(layered, plan.records.dead_alevins_found_in_stones_share, share[1])
    return share


def _schedule(developing: DevelopedSeason, plan: Plan, rng: np.random.Generator) -> Schedule:
    """What people will do: partial releases, fish moved to another tank of the batch, escapes."""
    close_day, tanks = developing.close_day, len(developing.setups)
    ordinary = (developing.setups["poor"] == "").to_numpy()
    fry_day = np.nan_to_num(developing.progress.button_up_day[developing.main], nan=1e9)
    draw = rng.random((3, tanks))
    before = _school_days_before(developing, 14)
    partial = (draw[0] < plan.records.partial_release_share) & (before > fry_day + 10) & (before < close_day)
    escape = (draw[1] < plan.records.escape_share) & (close_day - 25 > fry_day) & ordinary
    sender = (draw[2] < plan.records.transfer_share) & (close_day - 30 > fry_day) & ordinary & ~partial
    batch = developing.cohorts["batch"].to_numpy()[developing.main]
    move_to = _receivers(sender, batch, fry_day, close_day, ordinary & ~partial, rng)
    return Schedule(
        looked=developing.looked,
        found_share=_found_share(developing.setups, plan),
        close_day=close_day,
        partial_day=np.where(partial, before, -1),
        partial_share=rng.uniform(0.3, 0.5, tanks),
        move_day=np.where(move_to >= 0, _school_days_before(developing, 28), -1),
        move_to=move_to,
        escape_day=np.where(escape, close_day - 20, -1),
        escape_share=rng.uniform(0.05, 0.15, tanks),
    )


def _school_days_before(developing: DevelopedSeason, days: int) -> Ints:
    """(tanks,) the first school day from so many days before closing."""
    return np.array(
        [developing.calendar.next_school_day(int(day) - days) for day in developing.close_day], dtype=np.int64
    )


def _receivers(
    sender: Bools, batch: Ints, fry_day: Floats, close_day: Ints, may_receive: Bools, rng: np.random.Generator
) -> Ints:
    """(tanks,) the tank each sender sends to, -1 for none: a tank of its batch with fry that stays open
    longer."""
    to = np.full(len(sender), -1, dtype=np.int64)
    free = may_receive & ~sender
    for tank in np.flatnonzero(sender):
        ready = (
            free & (batch == batch[tank]) & (fry_day < close_day[tank] - 30) & (close_day > close_day[tank] - 10)
        )
        candidates = np.flatnonzero(ready)
        if candidates.size:
            to[tank] = int(rng.choice(candidates))
            free[to[tank]] = False
    return to


def _silence(developing: DevelopedSeason, rng: np.random.Generator) -> Ints:
    """(tanks,) the day from which a tank sends nothing: its collapse, or any day; beyond the season when it
    reports."""
    setups, first_day = developing.setups, developing.first_day
    share = rng.uniform(0.2, 0.9, len(setups))
    any_day = (first_day + share * (developing.close_day - first_day)).astype(np.int64)
    collapses = developing.incidents[developing.incidents["is_collapse"]]
    collapse_day = any_day.copy()
    collapse_day[collapses["at"].to_numpy()] = collapses["start_hour"].to_numpy() // 24 + 1
    silent = ~setups["reports"].to_numpy(dtype=bool)
    day: Ints = np.where(silent, np.where(setups["collapses"], collapse_day, any_day), SIMULATED_DAYS + 1)
    return day
