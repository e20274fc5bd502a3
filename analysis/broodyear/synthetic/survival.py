"""Who dies when: daily hazards by stage, and the shocks that strike and pass.

Hazards multiply (log scale) and shocks add; deaths cluster because shocks and fungus strike many at once.
Nothing here is a logit of a survival rate, so that no regression under test is the mechanism.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from .development import Progress
from .plan import Plan
from .scenario import Bools, Floats, Ints, by_day
from .water import Water

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


def stage_effects(tanks: pd.DataFrame, batches: pd.DataFrame, cohorts: pd.DataFrame, plan: Plan) -> Floats:
    """(3, cohorts) log hazard of each cohort in each stage, from everything that acts the whole season."""
    own, gravel = plan.survival, tanks["gravel_practice"]
    shared = (
        tanks["log_hazard"]
        + tanks["season_log_hazard"]
        + tanks["tank_log_hazard"]
        + own.hallway_log_hazard * (tanks["room_type"] == "hallway")
        + own.gravel_log_hazard * gravel.str.startswith("gravel")
        + own.site_seasons_log_hazard * tanks["seasons_before"]
        + own.region_log_hazard * (tanks["region"] == tanks["region"].min())
    )
    egg = own.no_light_cover_egg_log_hazard * ~tanks["light_cover"].astype(bool)
    alevin = own.layered_stones_alevin_log_hazard * (gravel == "layered_stones") + (
        own.bare_alevin_log_hazard * (gravel == "bare")
    )
    fry = own.no_media_fry_log_hazard * (tanks["media_carried_over_pct"] == 0)
    by_stage = np.stack([stage + shared for stage in (egg, alevin, fry)])
    effects: Floats = by_stage[:, cohorts["at"]] + batches["log_hazard"].to_numpy()[cohorts["batch"]]
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
    egg, alevin, fry = effects[:, :, None]
    background = np.stack(
        [
            own.egg_hazard * _daily_gain(progress.to_hatch) * np.exp(egg + warm + green),
            own.alevin_hazard * _daily_gain(progress.to_button_up) * np.exp(alevin + warm),
            own.fry_hazard_per_day * np.exp(fry + warm + _hunger(exposed, plan)),
        ]
    )
    return Hazards(background, shock, _in_stage(exposed))


def _hunger(exposed: Exposed, plan: Plan) -> Floats:
    """(cohorts, days) log hazard of fry fed late, for the forty days after button-up."""
    delay_days = np.clip(exposed.feeding_delay_days - 5, 0, 12)[:, None]
    button_up_day = np.nan_to_num(exposed.progress.button_up_day, nan=1e9)[:, None]
    is_young = np.arange(exposed.daily_c.shape[1]) < button_up_day + 40
    return plan.survival.late_feeding_log_hazard_per_day * delay_days * is_young


def _daily_gain(cumulative: Floats) -> Floats:
    return np.diff(cumulative, axis=1, prepend=cumulative[:, :1])


def _in_stage(exposed: Exposed) -> Bools:
    """(3, cohorts, days) the median fish's stage."""
    day = np.arange(exposed.daily_c.shape[1])
    hatch = np.nan_to_num(np.floor(exposed.progress.hatch_day), nan=1e9)[:, None]
    button_up = np.nan_to_num(np.floor(exposed.progress.button_up_day), nan=1e9)[:, None]
    here = (day >= exposed.from_day[:, None]) & (day < exposed.close_day[:, None])
    return np.stack([here & (day <= hatch), here & (day > hatch) & (day <= button_up), here & (day > button_up)])


def shocks(water: Water, collapse: Floats, plan: Plan, rng: np.random.Generator) -> Floats:
    """(3, tanks, days) hazards that strike and pass: hot hours, still water, collapses, bad days."""
    own = plan.survival
    hot_hours = by_day(water.hourly_c > own.hot_limit_c).sum(axis=2)
    hot = own.hot_hazard_per_hour * hot_hours * (1 + np.cumsum(hot_hours, axis=1) / 24)
    still = own.still_water_hazard_per_hour * by_day(_hours_in_a_row(water.still) > 6).sum(axis=2)
    is_bad_day = rng.random(hot.shape) < own.bad_day_probability
    common = hot + collapse + is_bad_day * rng.exponential(own.bad_day_mean_hazard, hot.shape)
    other_stages = common + own.still_water_egg_share * still
    return np.stack([other_stages, common + still, other_stages])


def _hours_in_a_row(still: Bools) -> Ints:
    """(tanks, hours) how many hours the water has stood still, up to and including each hour."""
    hours = np.arange(still.shape[1])
    return hours - np.maximum.accumulate(np.where(still, -1, hours), axis=1)
