"""What a programme grows from: seed, plan and shape; and what each of its seasons starts from.

Random numbers come in named streams, so that drawing more of them in one part (say, a denser logger) leaves
every other part as it was.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from .plan import Plan, Shape

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Words = NDArray[np.object_]
Dates = NDArray[np.datetime64]

REGION_CODES = ("amber", "basalt", "cobalt", "dune", "ember", "flint", "garnet", "hazel")
FIRST_DAY = "09-15"
"""Day on which the simulated part of every season starts; the season itself starts on 1 August."""
SIMULATED_DAYS = 276
"""Days simulated in a season: mid-September to mid-June."""
HOURS = SIMULATED_DAYS * 24


@dataclass(frozen=True)
class Scenario:
    """Seed, plan and shape; the same three give the same programme."""

    seed: int
    plan: Plan
    shape: Shape

    def stream(self, *names: object) -> np.random.Generator:
        """The generator of one named part of the programme."""
        return np.random.default_rng([self.seed, *(zlib.crc32(str(name).encode()) for name in names)])

    @property
    def regions(self) -> list[str]:
        """The invented codes of the regions."""
        further = [f"region{number:02d}" for number in range(len(REGION_CODES) + 1, self.shape.regions + 1)]
        return [*REGION_CODES, *further][: self.shape.regions]


def pick(rng: np.random.Generator, shares: dict[str, float], size: int) -> Words:
    """`size` draws from the names of `shares`, in proportion to their values (which need not sum to one)."""
    weights = np.array(list(shares.values()))
    return np.array(list(shares), dtype=object)[rng.choice(len(shares), size=size, p=weights / weights.sum())]


def pick_one(rng: np.random.Generator, shares: dict[str, float]) -> str:
    """One draw from the names of `shares`."""
    return str(pick(rng, shares, 1)[0])


def by_day(hourly: NDArray[Any]) -> NDArray[Any]:
    """(tanks, hours) as (tanks, days, 24)."""
    return hourly.reshape(len(hourly), -1, 24)


@dataclass(frozen=True)
class Calendar:
    """The invented school calendar of one season. `dates` (days,) datetime64[D]; `school_day` (days,) bool."""

    season: int
    dates: Dates
    school_day: Bools

    @property
    def first(self) -> Any:
        """Day 0 of the simulation, as a date."""
        return self.dates[0]

    def day_of(self, dates: Any) -> Ints:
        """The day number of a date, or of each of many."""
        return np.asarray(dates.astype("datetime64[D]") - self.first, dtype=np.int64)

    def date(self, days: Any, known: Any = True) -> Dates:
        """Dates of days, at the resolution the typed frames of the record set use; blank where not known."""
        return np.where(known, self.first + np.asarray(days), np.datetime64("NaT")).astype("datetime64[us]")

    def moment(self, since: Any, unit: str = "h") -> Dates:
        """Moments of hours (or minutes, unit "m") since the first day, at the same resolution."""
        moments: Dates = self.first.astype(f"datetime64[{unit}]") + np.asarray(since, dtype=int)
        return moments.astype("datetime64[us]")

    def next_school_day(self, days: Any) -> Ints:
        """The first school day on or after each day (the last simulated day when there is none)."""
        school = np.flatnonzero(self.school_day)
        later: Ints = np.append(school, len(self.dates) - 1)[np.searchsorted(school, days)]
        return later

    def trip_day(self, days: Ints) -> Ints:
        """The next school day within three days, else the last one before: eggs cannot wait out a break."""
        school, later = np.flatnonzero(self.school_day), self.next_school_day(days)
        return np.where(later - days <= 3, later, school[np.searchsorted(school, days) - 1])


def calendar_of(season: int) -> Calendar:
    """The calendar of one season: weekdays without an autumn, winter, February and spring break."""
    dates = np.datetime64(f"{season}-{FIRST_DAY}") + np.arange(SIMULATED_DAYS)
    breaks = (  # month to count from, which such weekday, days
        (f"{season}-11", 3, "Thu", 4),
        (f"{season}-12-15", 0, "Sat", 16),
        (f"{season + 1}-02", 2, "Mon", 5),
        (f"{season + 1}-03", 3, "Mon", 5),
    )
    closed = ~np.is_busday(dates)
    for month, number, weekday, length in breaks:
        start = np.busday_offset(month, number, roll="forward", weekmask=weekday)
        closed |= (dates >= start) & (dates < start + length)
    return Calendar(season, dates, ~closed)


@dataclass(frozen=True)
class Season:
    """What a season starts from. setups: one row per tank; batches: one row per batch."""

    scenario: Scenario
    calendar: Calendar
    setups: pd.DataFrame
    batches: pd.DataFrame

    @property
    def plan(self) -> Plan:
        """The plan of the programme."""
        return self.scenario.plan

    def stream(self, name: str) -> np.random.Generator:
        """The generator of one named part of this season."""
        return self.scenario.stream(name, self.calendar.season)

    def tank(self, column: str) -> Any:
        """(tanks,) one column of the set-ups."""
        return self.setups[column].to_numpy()

    @property
    def ordinary(self) -> Bools:
        """(tanks,) those not planted poor."""
        return np.asarray(self.setups["poor"] == "")
