"""What the fish of a season are given, before anyone dies: eggs, water, people who look, and development."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import pandas as pd

from .batches import deliver
from .development import Progress, develop
from .scenario import SIMULATED_DAYS, Bools, Floats, Ints, Season
from .water import Water, draw_incidents, simulate_water

RELEASE_WINDOWS = {"chinook": ("04-06", 26), "coho": ("04-20", 24), "rainbow_trout": ("04-12", 30)}
"""Species: first day and length in days of the window in which its releases are planned."""
LAST_CLOSING_DAY = SIMULATED_DAYS - 4
FEWEST_FRY_DAYS = 18
"""Days from button-up for which a tank is kept at least."""


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
        return np.asarray(self.cohorts["at"])

    @property
    def first_day(self) -> Ints:
        """(tanks,) the day of each tank's first delivery."""
        return np.asarray(self.cohorts["day"])[self.main]

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


def conditions_of(season: Season) -> Conditions:
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
    button_up_day = np.nan_to_num(progress.button_up_day[given.main], nan=LAST_CLOSING_DAY)
    ready = button_up_day.astype(np.int64) + FEWEST_FRY_DAYS
    close_day = given.calendar.next_school_day(np.clip(given.planned_close, ready, LAST_CLOSING_DAY))
    same = {field.name: getattr(given, field.name) for field in fields(Conditions)}
    return DevelopedSeason(**same, progress=progress, close_day=close_day, feeding_day=_feeding(given, progress))


def _feeding(given: Conditions, progress: Progress) -> Floats:
    """(cohorts,) day of first feeding: the first look some days after button-up, nan when never."""
    lag = np.round(given.stream("feeding").gamma(2, 1.5, len(given.setups)))[given.at]
    ready = np.nan_to_num(progress.button_up_day + lag, nan=SIMULATED_DAYS).astype(np.int64)
    later = given.looked[given.at] & (np.arange(SIMULATED_DAYS) >= ready[:, None])
    return np.where(later.any(axis=1), later.argmax(axis=1), np.nan)
