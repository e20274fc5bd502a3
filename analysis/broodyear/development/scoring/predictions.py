"""Predicted days of many tanks at once, from matrices of daily temperatures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Days of a tank's last readings that stand for the days after them.
RECENT_DAYS = 7


@dataclass(frozen=True)
class DailyMatrix:
    """Daily temperatures of n tanks over the same number of days after delivery.

    temps_c: (n, days), each tank's record continued at the mean of its last week; length: (n, days) part of each
    day that counts (the delivery day may be short); recorded: (n,) days that come from the record.
    """

    temps_c: Floats
    length: Floats
    recorded: NDArray[np.intp]

    def subset(self, keep: NDArray[np.bool_]) -> DailyMatrix:
        """The tanks for which ``keep`` is true."""
        return DailyMatrix(self.temps_c[keep], self.length[keep], self.recorded[keep])


def daily_matrix(temps: Sequence[Floats], first_share: Floats, days: int) -> DailyMatrix:
    """The matrix of several tanks' records. temps: each (recorded,) in °C without gaps; days: columns wanted."""
    matrix = np.empty((len(temps), days))
    recorded = np.array([min(len(one), days) for one in temps], dtype=np.intp)
    for i, one in enumerate(temps):
        matrix[i, : recorded[i]] = one[:days]
        matrix[i, recorded[i] :] = one[-RECENT_DAYS:].mean()
    length = np.ones((len(temps), days))
    length[:, 0] = first_share
    return DailyMatrix(matrix, length, recorded)


def cumulative_fraction(rates: Floats, length: Floats, start: Floats) -> Floats:
    """(n, days + 1) development fraction at delivery and at the end of each day."""
    fraction = np.empty((rates.shape[0], rates.shape[1] + 1))
    fraction[:, 0] = start
    np.cumsum(rates * length, axis=1, out=fraction[:, 1:])
    fraction[:, 1:] += start[:, None]
    return fraction


def first_crossing(values: Floats) -> Floats:
    """(n,) fractional column at which rising rows first reach 0; 0 when they begin there; NaN when never."""
    is_over = values >= 0.0
    column = is_over.argmax(axis=1)
    rows = np.arange(len(values))
    before = np.maximum(column - 1, 0)
    low, high = values[rows, before], values[rows, column]
    with np.errstate(invalid="ignore", divide="ignore"):
        part = np.where(high > low, -low / (high - low), 0.0)
    return np.where(is_over.any(axis=1), np.where(column == 0, 0.0, before + part), np.nan)
