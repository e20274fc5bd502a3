"""How eggs develop in the invented programme: a rate per hour, summed.

The rate follows a Bělehrádek-type curve that bends down when the water is too warm, gains a little from
variance within the day, and differs between batches and tanks. No model under test has this form, and no
published coefficient set is used; the curves were drawn through round numbers of days so that hatch falls
where hatcheries see it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .plan import DevelopmentPlan
from .scenario import Floats, Words, by_day


@dataclass(frozen=True)
class Curve:
    """Rate per day at a constant temperature: (T − zero)^power / scale_days, bent down above about `bend_c`."""

    scale_days: float
    zero_c: float
    power: float
    bend_c: float = 17.5
    bend_width_c: float = 1.1

    def rate_per_day(self, temp_c: Floats) -> Floats:
        """Fraction of development gained per day at each temperature (°C); never negative."""
        warmth = np.maximum(temp_c - self.zero_c, 0.0)
        bend = 1 + np.exp((temp_c - self.bend_c) / self.bend_width_c)
        rate: Floats = warmth**self.power / self.scale_days / bend
        return rate

    def days(self, temp_c: float) -> float:
        """Days from 0 to 1 at a constant temperature (°C), for an average batch."""
        return float(1 / self.rate_per_day(np.array([temp_c]))[0])


TRUE_CURVES: dict[str, tuple[Curve, Curve]] = {
    "chinook": (Curve(1891.0, -3.1, 1.373), Curve(2837.0, -4.0, 1.624)),
    "coho": (Curve(1484.0, -2.6, 1.371), Curve(1061.0, -3.0, 1.469)),
    "rainbow_trout": (Curve(834.0, -1.7, 1.326), Curve(1032.0, -2.2, 1.587)),
}
"""Species: the curve from fertilisation to half hatched, and the curve from there to half buttoned up."""


@dataclass(frozen=True)
class Progress:
    """Development of each cohort, at the end of each day: (cohorts, days) in fractions of the stage's
    development.

    `to_hatch` is 1 when half have hatched; `to_button_up` counts from there and is 1 when half have buttoned
    up. `hatch_day`, `button_up_day`, `eyed_day`: fractional days of the simulated season (nan when not
    reached).
    """

    to_hatch: Floats
    to_button_up: Floats
    hatch_day: Floats
    button_up_day: Floats
    eyed_day: Floats


def develop(
    species: Words,
    hourly_c: Floats,
    start_hour: Floats,
    start_fraction: Floats,
    rate_factor: Floats,
    plan: DevelopmentPlan,
) -> Progress:
    """Development of cohorts in the water of their tanks.

    Args:
        species: (cohorts,) names.
        hourly_c: (cohorts, hours) water temperature, °C.
        start_hour: (cohorts,) hour of the season at which the eggs arrived.
        start_fraction: (cohorts,) fraction of development to hatch already done on arrival.
        rate_factor: (cohorts,) the batch's and tank's factor on every rate.
    """
    arrived = np.arange(hourly_c.shape[1]) >= start_hour[:, None]
    # variance within the day quickens development
    gain = np.repeat(1 + plan.variance_effect_per_c2 * by_day(hourly_c).var(axis=2), 24, axis=1)
    gain = gain * rate_factor[:, None] / 24.0
    hatch = start_fraction[:, None] + np.cumsum(_rates(species, hourly_c, 0) * gain * arrived, axis=1)
    button_up = np.cumsum(_rates(species, hourly_c, 1) * gain * (hatch >= 1.0), axis=1)
    return Progress(
        to_hatch=hatch[:, 23::24],
        to_button_up=button_up[:, 23::24],
        hatch_day=crossing(hatch, 1.0) / 24,
        button_up_day=crossing(button_up, 1.0) / 24,
        eyed_day=crossing(hatch, plan.eyed_fraction) / 24,
    )


def _rates(species: Words, hourly_c: Floats, stretch: int) -> Floats:
    """(cohorts, hours) rate per day on the first or second curve of each cohort's species."""
    rates = np.empty_like(hourly_c)
    for name in set(species):
        rates[species == name] = TRUE_CURVES[name][stretch].rate_per_day(hourly_c[species == name])
    return rates


def crossing(cumulative: Floats, level: float | Floats) -> Floats:
    """(cohorts,) fractional step at which each row of sums reaches its level; nan if never, or on the first."""
    level = np.broadcast_to(level, len(cumulative))
    reached = cumulative >= level[:, None]
    step, rows = reached.argmax(axis=1), np.arange(len(cumulative))
    before = cumulative[rows, np.maximum(step - 1, 0)]
    gain = np.maximum(cumulative[rows, step] - before, 1e-12)
    return np.where(reached.any(axis=1) & ~reached[:, 0], step + (level - before) / gain, np.nan)
