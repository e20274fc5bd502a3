"""The invented school calendar: which days are school days, and on which of them someone looks at a tank."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .plan import RecordsPlan
from .streams import Bools

Days = NDArray[np.datetime64]

FIRST_DAY = (9, 15)
"""Month and day on which the simulated part of every season starts; the season itself starts on 1 August."""
SIMULATED_DAYS = 276
"""Days simulated in a season: mid-September to mid-June."""
HOURS = SIMULATED_DAYS * 24


@dataclass(frozen=True)
class Calendar:
    """One season's days. `dates` (days,) datetime64[D]; `school_day` (days,) bool."""

    season: int
    dates: Days
    school_day: Bools

    @property
    def first(self) -> np.datetime64:
        """Day 0 of the simulation, as a date."""
        first: np.datetime64 = self.dates[0]
        return first

    def day_of(self, date: np.datetime64) -> int:
        """The index of a date."""
        return int((date.astype("datetime64[D]") - self.first).astype(int))

    def next_school_day(self, day: int) -> int:
        """The first school day on or after `day` (the last simulated day when there is none)."""
        later = np.flatnonzero(self.school_day[max(day, 0) :])
        return max(day, 0) + int(later[0]) if later.size else len(self.dates) - 1

    def trip_day(self, day: int) -> int:
        """The next school day when it comes within three days, else the last one before (eggs cannot wait out
        a break)."""
        later = self.next_school_day(day)
        return later if later - day <= 3 else int(np.flatnonzero(self.school_day[:day])[-1])


def calendar_of(season: int) -> Calendar:
    """The calendar of one season: weekdays without an autumn, winter, February and spring break."""
    first = np.datetime64(f"{season}-{FIRST_DAY[0]:02d}-{FIRST_DAY[1]:02d}", "D")
    dates = first + np.arange(SIMULATED_DAYS)
    closed = ~np.is_busday(dates)
    for start, length in _breaks(season):
        closed |= (dates >= start) & (dates < start + length)
    return Calendar(season, dates, ~closed)


def _breaks(season: int) -> list[tuple[np.datetime64, int]]:
    """First day and length in days of each break."""
    autumn = np.busday_offset(f"{season}-11", 3, roll="forward", weekmask="Thu")
    winter = np.busday_offset(f"{season}-12-15", 0, roll="forward", weekmask="Sat")
    february = np.busday_offset(f"{season + 1}-02", 2, roll="forward", weekmask="Mon")
    spring = np.busday_offset(f"{season + 1}-03", 3, roll="forward", weekmask="Mon")
    return [(autumn, 4), (winter, 16), (february, 5), (spring, 5)]


def looks(calendar: Calendar, weekend_access: Bools, plan: RecordsPlan, rng: np.random.Generator) -> Bools:
    """(tanks, days) whether someone looked at the tank that day."""
    draw = rng.random((len(weekend_access), len(calendar.dates)))
    on_school_days = draw < plan.school_day_check_share
    on_closed_days = (draw < plan.weekend_check_share) & weekend_access[:, None]
    return np.where(calendar.school_day[None, :], on_school_days, on_closed_days)
