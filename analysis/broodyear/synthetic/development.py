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
from .streams import Floats


@dataclass(frozen=True)
class Curve:
    """Rate per day at a constant temperature: (T − zero)^power / scale_days, bent down above about
    `bend_c`."""

    scale_days: float
    zero_c: float
    power: float
    bend_c: float = 17.5
    bend_width_c: float = 1.1

    def rate_per_day(self, temp_c: Floats) -> Floats:
        """Fraction of development gained per day at each temperature (°C); never negative."""
        warmth = np.maximum(temp_c - self.zero_c, 0.0)
        bent: Floats = (
            warmth**self.power / self.scale_days / (1 + np.exp((temp_c - self.bend_c) / self.bend_width_c))
        )
        return bent

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
    species: str,
    hourly_c: Floats,
    start_hour: Floats,
    start_fraction: Floats,
    rate_factor: Floats,
    plan: DevelopmentPlan,
) -> Progress:
    """Development of cohorts of one species in the water of their tanks.

    Args:
        hourly_c: (cohorts, hours) water temperature, °C.
        start_hour: (cohorts,) hour of the season at which the eggs arrived.
        start_fraction: (cohorts,) fraction of development to hatch already done on arrival.
        rate_factor: (cohorts,) the batch's and tank's factor on every rate.
    """
    to_hatch_curve, to_button_up_curve = TRUE_CURVES[species]
    arrived = np.arange(hourly_c.shape[1])[None, :] >= start_hour[:, None]
    gain = _variance_gain(hourly_c, plan) * rate_factor[:, None] / 24.0
    hatch = start_fraction[:, None] + np.cumsum(to_hatch_curve.rate_per_day(hourly_c) * gain * arrived, axis=1)
    hatched = hatch >= 1.0
    button_up = np.cumsum(to_button_up_curve.rate_per_day(hourly_c) * gain * hatched, axis=1)
    return Progress(
        to_hatch=hatch[:, 23::24],
        to_button_up=button_up[:, 23::24],
        hatch_day=crossing_day(hatch, np.ones(len(hatch))),
        button_up_day=crossing_day(button_up, np.ones(len(hatch))),
        eyed_day=crossing_day(hatch, np.full(len(hatch), plan.eyed_fraction)),
    )


def _variance_gain(hourly_c: Floats, plan: DevelopmentPlan) -> Floats:
    """(cohorts, hours) factor by which variance within the day quickens development."""
    by_day = hourly_c.reshape(len(hourly_c), -1, 24)
    gain: Floats = np.repeat(1 + plan.variance_effect_per_c2 * by_day.var(axis=2), 24, axis=1)
    return gain


def crossing_day(cumulative: Floats, level: Floats) -> Floats:
    """(cohorts,) fractional day on which a row of hourly sums first reaches its level; nan if never, or
    before day 0."""
    reached = cumulative >= level[:, None]
    hour = reached.argmax(axis=1)
    crossed = reached.any(axis=1) & ~reached[:, 0]
    rows = np.arange(len(level))
    before = cumulative[rows, np.maximum(hour - 1, 0)]
    step = np.maximum(cumulative[rows, hour] - before, 1e-12)
    return np.where(crossed, (hour + (level - before) / step) / 24.0, np.nan)


def fraction_on_arrival(species: str, hatchery_temp_c: float, days: float, rate_factor: float) -> float:
    """Fraction of development to hatch done after `days` at the hatchery's constant temperature."""
    return days * rate_factor / TRUE_CURVES[species][0].days(hatchery_temp_c)
