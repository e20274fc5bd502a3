"""Who dies when: daily hazards by stage, shocks, contagion, and the daily draw.

Hazards multiply (log scale) and shocks add; deaths cluster because shocks and fungus strike many at once.
Nothing here is a logit of a survival rate, so that no regression under test is the mechanism.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import ndtr

from .development import Progress
from .plan import DevelopmentPlan, Plan
from .streams import Bools, Floats, Ints

STAGES = ("egg", "alevin", "fry")


@dataclass(frozen=True)
class Hazards:
    """Hazards of each cohort. `background`, `shock`: (3 stages, cohorts, days). `in_stage`: the same shape,
    bool: where the median fish of the cohort is in that stage, so that sums over it give expected
    survival."""

    background: Floats
    shock: Floats
    in_stage: Bools

    def cumulative(self) -> tuple[Floats, Floats]:
        """((3, cohorts) background, (3, cohorts) shock): summed over the median fish's time in each stage."""
        return (self.background * self.in_stage).sum(axis=2), (self.shock * self.in_stage).sum(axis=2)


@dataclass(frozen=True)
class Fates:
    """What happened. `dead_found` (3, tanks, days) as picked at looks; the rest (tanks,) or (3, cohorts) true
    counts."""

    dead_found: Ints
    dead: Ints
    hatched: Ints
    left: Ints
    escaped: Ints
    partial: Ints
    moved_out: Ints
    moved_in: Ints
    alive_by_day: Ints
    emptied_day: Ints


@dataclass(frozen=True)
class Schedule:
    """What people do in a season, by tank: days are indices, -1 for never.

    looked: (tanks, days) whether the dead are picked that day. found_share: (3, tanks) share of the dead that is
    found when someone looks.
    """

    looked: Bools
    found_share: Floats
    close_day: Ints
    partial_day: Ints
    partial_share: Floats
    move_day: Ints
    move_to: Ints
    escape_day: Ints
    escape_share: Floats


def stage_effects(tanks: pd.DataFrame, batches: pd.DataFrame, cohorts: pd.DataFrame, plan: Plan) -> Floats:
    """(3, cohorts) log hazard of each cohort in each stage, from everything that acts the whole season."""
    own = plan.survival
    shared = (
        tanks["log_hazard"]
        + tanks["season_log_hazard"]
        + tanks["tank_log_hazard"]
        + own.hallway_log_hazard * (tanks["room_type"] == "hallway")
        + own.gravel_log_hazard * tanks["gravel_practice"].str.startswith("gravel")
        + own.site_seasons_log_hazard * tanks["seasons_before"]
        + own.region_log_hazard * (tanks["region"] == tanks["region"].min())
    ).to_numpy(dtype=float)
    by_stage = np.stack(
        [
            own.no_light_cover_egg_log_hazard * ~tanks["light_cover"].to_numpy(dtype=bool),
            own.layered_stones_alevin_log_hazard * (tanks["gravel_practice"] == "layered_stones").to_numpy()
            + own.bare_alevin_log_hazard * (tanks["gravel_practice"] == "bare").to_numpy(),
            own.no_media_fry_log_hazard * (tanks["media_carried_over_pct"] == 0).to_numpy(),
        ]
    )
    at, batch = cohorts["at"].to_numpy(), cohorts["batch"].to_numpy()
    effects: Floats = (by_stage + shared)[:, at] + batches["log_hazard"].to_numpy()[batch]
    effects += cohorts["lot_log_hazard"].to_numpy()
    effects[1] += plan.eggs.late_trip_alevin_log_hazard * cohorts["is_late"].to_numpy()
    return effects


@dataclass(frozen=True)
class Exposed:
    """What each cohort goes through: development, daily_c (cohorts, days) °C, feeding_delay_days (cohorts,)
    from button-up to first feeding, from_day and close_day (cohorts,) between which it is in the tank."""

    progress: Progress
    daily_c: Floats
    feeding_delay_days: Floats
    from_day: Ints
    close_day: Ints


def hazards(exposed: Exposed, effects: Floats, shock: Floats, plan: Plan) -> Hazards:
    """Hazards of every cohort, stage and day.

    Args:
        effects: (3, cohorts) log hazards of `stage_effects`.
        shock: (3, cohorts, days) hazards added by `shocks`.
    """
    own, progress = plan.survival, exposed.progress
    warm = own.warm_log_hazard_per_c * (exposed.daily_c - own.warm_reference_c)
    green = np.where(progress.to_hatch < plan.development.eyed_fraction, np.log(own.green_egg_hazard_ratio), 0.0)
    background = np.stack(
        [
            own.egg_hazard * _daily_gain(progress.to_hatch) * np.exp(effects[0][:, None] + warm + green),
            own.alevin_hazard * _daily_gain(progress.to_button_up) * np.exp(effects[1][:, None] + warm),
            own.fry_hazard_per_day * np.exp(effects[2][:, None] + warm + _hunger(exposed, plan)),
        ]
    )
    days = exposed.daily_c.shape[1]
    return Hazards(background, shock, _in_stage(progress, exposed.from_day, exposed.close_day, days))


def _hunger(exposed: Exposed, plan: Plan) -> Floats:
    """(cohorts, days) log hazard of fry fed late, for the forty days after button-up."""
    days = np.arange(exposed.daily_c.shape[1])[None, :]
    delay = np.clip(exposed.feeding_delay_days - 5, 0, 12)[:, None]
    young = days < np.nan_to_num(exposed.progress.button_up_day, nan=1e9)[:, None] + 40
    hunger: Floats = plan.survival.late_feeding_log_hazard_per_day * delay * young
    return hunger


def _daily_gain(cumulative: Floats) -> Floats:
    gain: Floats = np.diff(cumulative, axis=1, prepend=cumulative[:, :1])
    return gain


def _in_stage(progress: Progress, from_day: Ints, close_day: Ints, days: int) -> Bools:
    """(3, cohorts, days) the median fish's stage."""
    day = np.arange(days)[None, :]
    hatch = np.nan_to_num(np.floor(progress.hatch_day), nan=1e9)[:, None]
    button_up = np.nan_to_num(np.floor(progress.button_up_day), nan=1e9)[:, None]
    here = (day >= from_day[:, None]) & (day < close_day[:, None])
    return np.stack([here & (day <= hatch), here & (day > hatch) & (day <= button_up), here & (day > button_up)])


def shocks(hourly_c: Floats, still: Bools, collapse: Floats, plan: Plan, rng: np.random.Generator) -> Floats:
    """(3, tanks, days) hazards that strike and pass: hot hours, still water, collapses, bad days."""
    own = plan.survival
    hot = (hourly_c > own.hot_limit_c).reshape(len(hourly_c), -1, 24).sum(axis=2)
    hours_so_far = np.cumsum(hot, axis=1)
    hot_hazard = own.hot_hazard_per_hour * hot * (1 + hours_so_far / 24)
    still_run = _hours_in_a_row(still)
    still_hours = (still_run > 6).reshape(len(hourly_c), -1, 24).sum(axis=2)
    still_hazard = own.still_water_hazard_per_hour * still_hours
    bad_day = (rng.random(hot.shape) < own.bad_day_probability) * rng.exponential(
        own.bad_day_mean_hazard, hot.shape
    )
    common = hot_hazard + collapse + bad_day
    return np.stack(
        [
            common + own.still_water_egg_share * still_hazard,
            common + still_hazard,
            common + own.still_water_egg_share * still_hazard,
        ]
    )


def _hours_in_a_row(still: Bools) -> Ints:
    """(tanks, hours) how many hours the water has stood still, up to and including each hour."""
    hours = np.arange(still.shape[1])[None, :]
    last_moving = np.maximum.accumulate(np.where(still, -1, hours), axis=1)
    return hours - last_moving


def hatched_share(progress: Progress, plan: DevelopmentPlan) -> tuple[Floats, Floats]:
    """Two (cohorts, days) shares: hatched by the end of the day, buttoned up by the end of the day."""
    hatched: Floats = ndtr((progress.to_hatch - 1) / plan.hatch_spread_fraction)
    started = progress.to_button_up > 0
    buttoned: Floats = ndtr((progress.to_button_up - 1) / plan.button_up_spread_fraction) * started
    return hatched, buttoned
