"""One season lived through: eggs delivered, water, development, deaths, exits. The truth, before anyone
writes."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import pandas as pd

from .batches import deliver
from .development import Progress, develop
from .lives import Fates, Schedule, live
from .scenario import SIMULATED_DAYS, Bools, Floats, Ints, Season
from .survival import Exposed, Hazards, hazards, shocks, stage_effects
from .water import Water, collapse_hazard, draw_incidents, simulate_water

RELEASE_WINDOWS = {"chinook": ("04-06", 26), "coho": ("04-20", 24), "rainbow_trout": ("04-12", 30)}
"""Species: first day and length in days of the window in which its releases are planned."""
LAST_CLOSING_DAY = SIMULATED_DAYS - 4
LATE_PICK_DAYS = 14
"""Days after half hatch until which dead eggs are still picked."""


@dataclass(frozen=True)
class Conditions(Season):
    """What the fish of a season are given. Frames: cohorts (deliveries), incidents.

    main: (tanks,) the cohort of each tank's first delivery. looked: (tanks, days) whether someone looked.
    planned_close: (tanks,) the day its release is planned for.
    """

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

    def of_batch(self, column: str) -> Any:
        """(cohorts,) one column of the batches."""
        return self.batches[column].to_numpy()[self.cohorts["batch"]]


@dataclass(frozen=True)
class DevelopedSeason(Conditions):
    """A season before anyone dies: its conditions, and how fish develop in that water.

    close_day: (tanks,) day it is to be emptied. feeding_day: (cohorts,) day of first feeding, or nan.
    """

    progress: Progress
    close_day: Ints
    feeding_day: Floats

    @property
    def fry_day(self) -> Floats:
        """(tanks,) fractional day on which half of the first delivery have buttoned up; 1e9 for never."""
        return np.nan_to_num(self.progress.button_up_day[self.main], nan=1e9)


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
        to_release = self.silent_day > self.close_day
        return {
            "hatch": self.silent_day > hatch_day + LATE_PICK_DAYS,
            "hatch_to_release": to_release,
            "delivered_to_release": to_release,
        }

    @property
    def open_days(self) -> Bools:
        """(tanks, days) days on which a tank holds fish and still reports."""
        day = np.arange(SIMULATED_DAYS)
        last = np.minimum(self.close_day, self.fates.emptied_day + 3)
        in_use = (day >= self.first_day[:, None]) & (day <= last[:, None])
        return in_use & (day < self.silent_day[:, None])


def live_season(season: Season) -> SeasonTruth:
    """Live one season of a programme."""
    developing = developed(_conditions(season))
    hazard, poor_factor = hazards_of(developing)
    schedule = _schedule(developing, season.stream("exits"))
    lives = season.stream("lives")
    fates = live(developing.cohorts, hazard, developing.progress, schedule, season.plan, lives)
    silent_day = _silence(developing, season.stream("silence"))
    return SeasonTruth(
        **vars(developing),
        hazard=hazard,
        poor_factor=poor_factor,
        schedule=schedule,
        fates=fates,
        silent_day=silent_day,
    )


def _conditions(season: Season) -> Conditions:
    """Eggs delivered, water run, visits drawn."""
    cohorts = deliver(season)
    main = np.flatnonzero(~cohorts["is_second"])
    first = cohorts.iloc[main]
    planned = _planned_close(season, first["batch"])
    incidents = draw_incidents(season, first["day"].to_numpy(), planned)
    water = simulate_water(season, incidents)
    return Conditions(
        **vars(season),
        cohorts=cohorts,
        main=main,
        incidents=incidents,
        water=water,
        looked=_looks(season),
        planned_close=planned,
    )


def _planned_close(season: Season, batch: pd.Series) -> Ints:
    """(tanks,) the day each release is planned for."""
    calendar, rng = season.calendar, season.stream("closing")
    first_days, lengths = zip(*season.batches["species"].map(RELEASE_WINDOWS).iloc[batch], strict=True)
    dates = np.array([f"{calendar.season + 1}-{first_day}" for first_day in first_days], dtype="datetime64[D]")
    return calendar.next_school_day(calendar.day_of(dates) + rng.integers(0, lengths))


def _looks(season: Season) -> Bools:
    """(tanks, days) whether someone looked at the tank that day."""
    records, school_day = season.plan.records, season.calendar.school_day
    draw = season.stream("looks").random((len(season.setups), len(school_day)))
    on_closed_days = (draw < records.weekend_check_share) & season.tank("weekend_access")[:, None]
    return np.where(school_day, draw < records.school_day_check_share, on_closed_days)


def developed(given: Conditions) -> DevelopedSeason:
    """Development summed in the given water, and with it the days of feeding and of emptying.

    Every draw comes from a stream of its own, so the same tanks in other water meets the same luck.
    """
    cohorts, plan = given.cohorts, given.plan.development
    tank_factor = np.exp(given.stream("tank rates").normal(0, plan.tank_log_rate_sd, len(given.setups)))
    progress = develop(
        given.of_batch("species"),
        given.water.hourly_c[given.at],
        cohorts["hour"].to_numpy(),
        cohorts["fraction"].to_numpy(),
        given.of_batch("rate_factor") * tank_factor[given.at],
        plan,
    )
    # emptied as planned, but at least 18 days after button-up
    ready = np.nan_to_num(progress.button_up_day[given.main], nan=LAST_CLOSING_DAY).astype(np.int64) + 18
    wanted = np.minimum(np.maximum(given.planned_close, ready), LAST_CLOSING_DAY)
    same = {field.name: getattr(given, field.name) for field in fields(Conditions)}
    close_day, feeding_day = given.calendar.next_school_day(wanted), _feeding(given, progress)
    return DevelopedSeason(**same, progress=progress, close_day=close_day, feeding_day=feeding_day)


def _feeding(given: Conditions, progress: Progress) -> Floats:
    """(cohorts,) day of first feeding: the first look some days after button-up, nan when never."""
    lag = np.round(given.stream("feeding").gamma(2, 1.5, len(given.setups)))[given.at]
    ready = np.nan_to_num(progress.button_up_day + lag, nan=SIMULATED_DAYS).astype(np.int64)
    later = given.looked[given.at] & (np.arange(SIMULATED_DAYS) >= ready[:, None])
    return np.where(later.any(axis=1), later.argmax(axis=1), np.nan)


def hazards_of(developing: DevelopedSeason) -> tuple[Hazards, Floats]:
    """Hazards of every cohort, and the (cohorts,) factor in them that makes tanks planted poor what they are."""
    at, plan, water = developing.at, developing.plan, developing.water
    collapse = collapse_hazard(developing, developing.incidents)
    shock = shocks(water, collapse, plan, developing.stream("bad days"))[:, at]
    effects = stage_effects(developing.setups, developing.batches, developing.cohorts, plan)
    delay = np.nan_to_num(developing.feeding_day - developing.progress.button_up_day, nan=0.0)
    from_day, close_day = developing.cohorts["day"].to_numpy(), developing.close_day[at]
    exposed = Exposed(developing.progress, water.daily_mean_c()[at], delay, from_day, close_day)
    usual = hazards(exposed, effects, shock, plan)
    factor = _poor_factor(usual, developing)
    return replace(usual, background=usual.background * factor[:, None]), factor


def _poor_factor(usual: Hazards, season: Conditions) -> Floats:
    """(cohorts,) factor on the background hazard that makes tanks planted poor lack the planned points."""
    places = season.plan.places
    shortfalls = {"tank": places.poor_tank_shortfall_points, "site": places.poor_site_shortfall_points, "": 0.0}
    points = season.setups["poor"].map(shortfalls).to_numpy(dtype=float)[season.at]
    background, shock = (part.sum(axis=0) for part in usual.cumulative())
    wanted = np.maximum(np.exp(-background - shock) - points / 100, 0.02)
    factor = (-np.log(wanted) - shock) / np.maximum(background, 1e-9)
    return np.where(points > 0, np.maximum(factor, 1.0), 1.0)


def _schedule(developing: DevelopedSeason, rng: np.random.Generator) -> Schedule:
    """What people will do: partial releases, fish moved to another tank of the batch, escapes."""
    records, close_day, fry_day = developing.plan.records, developing.close_day, developing.fry_day
    ordinary, tanks = developing.ordinary, len(close_day)
    draw = rng.random((3, tanks))
    before = developing.calendar.next_school_day(close_day - 14)
    partial = (draw[0] < records.partial_release_share) & (before > fry_day + 10) & (before < close_day)
    escape = (draw[1] < records.escape_share) & (close_day - 25 > fry_day) & ordinary
    sender = (draw[2] < records.transfer_share) & (close_day - 30 > fry_day) & ordinary & ~partial
    move_to = _receivers(developing, sender, ordinary & ~partial, rng)
    found_share = np.full((3, tanks), records.dead_found_share)
    is_layered = developing.tank("gravel_practice") == "layered_stones"
    found_share[1, is_layered] = records.dead_alevins_found_in_stones_share
    return Schedule(
        looked=developing.looked,
        found_share=found_share,
        close_day=close_day,
        partial_day=np.where(partial, before, -1),
        partial_share=rng.uniform(0.3, 0.5, tanks),
        move_day=np.where(move_to >= 0, developing.calendar.next_school_day(close_day - 28), -1),
        move_to=move_to,
        escape_day=np.where(escape, close_day - 20, -1),
        escape_share=rng.uniform(0.05, 0.15, tanks),
    )


def _receivers(season: DevelopedSeason, sender: Bools, may_receive: Bools, rng: np.random.Generator) -> Ints:
    """(tanks,) the tank each sender sends to, -1 for none: a tank of its batch with fry that stays open
    longer."""
    batch, close_day = season.of_batch("batch_id")[season.main], season.close_day
    to, free = np.full(len(sender), -1), may_receive & ~sender
    for tank in np.flatnonzero(sender):
        has_fry, stays = season.fry_day < close_day[tank] - 30, close_day > close_day[tank] - 10
        candidates = np.flatnonzero(free & (batch == batch[tank]) & has_fry & stays)
        if candidates.size:
            to[tank] = rng.choice(candidates)
            free[to[tank]] = False
    return to


def _silence(season: DevelopedSeason, rng: np.random.Generator) -> Ints:
    """(tanks,) the day from which a tank sends nothing: its collapse, or any day; beyond the season when it
    reports."""
    share = rng.uniform(0.2, 0.9, len(season.setups))
    day = (season.first_day + share * (season.close_day - season.first_day)).astype(np.int64)
    collapses = season.incidents[season.incidents["is_collapse"]]
    day[collapses["at"]] = collapses["start_hour"] // 24 + 1
    return np.where(season.tank("reports"), SIMULATED_DAYS + 1, day)
