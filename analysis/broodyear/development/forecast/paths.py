"""The development of many tanks as a path in time: what is recorded so far, then a steady temperature ahead.

The uncertainty of the log development grows along the path: the model's spread is always there, days that were
not read add theirs, and so does the temperature of the days to come, as one error per tank for all of them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Farthest day sought, and the halvings that bring a day to within a hundredth.
FARTHEST_DAY = 420.0
_HALVINGS = 16
_STEP_C = 0.05


@dataclass(frozen=True)
class Journeys:
    """Temperatures of n tanks since delivery.

    temps_c: (n, days) daily means so far, 0 beyond a tank's own days; length: (n, days) part of each day that
    counts, 0 beyond; doubt_c: (n, days) standard error of days not read; days: (n,) recorded; ahead_c, ahead_sd_c:
    (n,) temperature of the days to come and its standard deviation.
    """

    temps_c: Floats
    length: Floats
    doubt_c: Floats
    days: NDArray[np.intp]
    ahead_c: Floats
    ahead_sd_c: Floats

    def subset(self, keep: NDArray[np.bool_]) -> Journeys:
        """The tanks for which ``keep`` is true."""
        return Journeys(
            self.temps_c[keep],
            self.length[keep],
            self.doubt_c[keep],
            self.days[keep],
            self.ahead_c[keep],
            self.ahead_sd_c[keep],
        )


class StagePath:
    """Development fraction towards one stage along the journeys, by one model."""

    def __init__(self, journeys: Journeys, rate: Callable[[Floats], Floats], start: Floats) -> None:
        self.journeys = journeys
        n, width = journeys.temps_c.shape
        self.done = np.empty((n, width + 1))
        self.done[:, 0] = start
        np.cumsum(rate(journeys.temps_c) * journeys.length, axis=1, out=self.done[:, 1:])
        self.done[:, 1:] += start[:, None]
        self.doubt = _cumulative_doubt(journeys, rate)
        self.rate_ahead = rate(journeys.ahead_c)
        self.slope_ahead = _slope(rate, journeys.ahead_c)

    def at(self, day: Floats) -> tuple[Floats, Floats]:
        """(log development, its variance from temperatures not read or still to come) of each tank at its day."""
        recorded = self.journeys.days.astype(float)
        inside = np.minimum(day, recorded)
        column = np.minimum(inside.astype(np.intp), max(self.done.shape[1] - 2, 0))
        rows = np.arange(len(day))
        after = np.minimum(column + 1, self.done.shape[1] - 1)
        part = inside - column
        done = self.done[rows, column] * (1.0 - part) + self.done[rows, after] * part
        doubt = self.doubt[rows, column] * (1.0 - part) + self.doubt[rows, after] * part
        ahead = np.maximum(day - recorded, 0.0)
        done = np.maximum(done + ahead * self.rate_ahead, 1e-12)
        doubt_ahead = ahead * self.slope_ahead * self.journeys.ahead_sd_c
        return np.log(done), (doubt**2 + doubt_ahead**2) / done**2

    def day_of(self, level: Floats, quantile: float = 0.0, variance: Floats | float = 0.0) -> Floats:
        """Day on which log development passes level + quantile × SD, SD² = variance + that of the temperatures.

        0 when it has passed on delivery; NaN when not within FARTHEST_DAY. Found by halving, all tanks at once.
        """
        low = np.zeros(len(self.rate_ahead))
        high = np.full(len(low), FARTHEST_DAY)
        is_never = ~self._is_past(high, level, quantile, variance)
        is_before = self._is_past(low, level, quantile, variance)
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            is_past = self._is_past(middle, level, quantile, variance)
            high = np.where(is_past, middle, high)
            low = np.where(is_past, low, middle)
        return np.where(is_never, np.nan, np.where(is_before, 0.0, 0.5 * (low + high)))

    def _is_past(self, day: Floats, level: Floats, quantile: float, variance: Floats | float) -> NDArray[np.bool_]:
        log_done, extra = self.at(day)
        if quantile == 0.0:
            return np.asarray(log_done >= level)
        return np.asarray(log_done >= level + quantile * np.sqrt(variance + extra))

    def mean_temp_c(self, day: Floats) -> Floats:
        """Mean temperature (°C) from delivery to a day, recorded and ahead."""
        recorded = self.journeys.days.astype(float)
        columns = np.arange(self.journeys.temps_c.shape[1])
        is_in = columns[None, :] < np.minimum(day, recorded)[:, None]
        total = np.sum(np.where(is_in, self.journeys.temps_c, 0.0), axis=1)
        ahead = np.maximum(day - recorded, 0.0)
        count = is_in.sum(axis=1) + ahead
        return np.asarray(
            np.where(
                count > 0, (total + ahead * self.journeys.ahead_c) / np.maximum(count, 1e-9), self.journeys.ahead_c
            )
        )


def _slope(rate: Callable[[Floats], Floats], temps_c: Floats) -> Floats:
    return np.asarray((rate(temps_c + _STEP_C) - rate(temps_c - _STEP_C)) / (2.0 * _STEP_C), dtype=float)


def _cumulative_doubt(journeys: Journeys, rate: Callable[[Floats], Floats]) -> Floats:
    """(n, days + 1) what one standard error of the days not read, all at once, adds to the fraction."""
    n, width = journeys.temps_c.shape
    each = np.zeros((n, width))
    is_doubtful = (journeys.doubt_c > 0) & (journeys.length > 0)
    each[is_doubtful] = (
        _slope(rate, journeys.temps_c[is_doubtful]) * journeys.doubt_c[is_doubtful] * journeys.length[is_doubtful]
    )
    total = np.zeros((n, width + 1))
    np.cumsum(each, axis=1, out=total[:, 1:])
    return total
