"""The hazards fish meet: by stage and day, and the shocks that strike and pass.

Hazards multiply (log scale) and shocks add; deaths cluster because shocks and fungus strike many at once.
Nothing here is a logit of a survival rate, so that no regression under test is the mechanism.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .conditions import Conditions, DevelopedSeason
from .scenario import HOURS, SIMULATED_DAYS, Bools, Floats, by_day
from .water import collapse_hazard

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


def hazards_of(season: DevelopedSeason) -> tuple[Hazards, Floats]:
    """Hazards of every cohort, and the (cohorts,) factor in them that makes tanks planted poor what they are."""
    own, progress = season.plan.survival, season.progress
    egg, alevin, fry = stage_effects(season)[:, :, None]
    warm = own.warm_log_hazard_per_c * (season.water.daily_mean_c()[season.at] - own.warm_reference_c)
    is_green = progress.to_hatch < season.plan.development.eyed_fraction
    green = np.where(is_green, np.log(own.green_egg_hazard_ratio), 0.0)
    background = np.stack(
        [
            own.egg_hazard * _daily_gain(progress.to_hatch) * np.exp(egg + warm + green),
            own.alevin_hazard * _daily_gain(progress.to_button_up) * np.exp(alevin + warm),
            own.fry_hazard_per_day * np.exp(fry + warm + _hunger(season)),
        ]
    )
    usual = Hazards(background, _shocks(season)[:, season.at], _in_stage(season))
    factor = _poor_factor(usual, season)
    return replace(usual, background=usual.background * factor[:, None]), factor


def stage_effects(season: Conditions) -> Floats:
    """(3, cohorts) log hazard of each cohort in each stage, from everything that acts the whole season."""
    own, of_tank, gravel = season.plan.survival, season.tank, season.tank("gravel_practice")
    shared = (
        of_tank("log_hazard")
        + of_tank("season_log_hazard")
        + of_tank("tank_log_hazard")
        + own.hallway_log_hazard * (of_tank("room_type") == "hallway")
        + own.gravel_log_hazard * np.char.startswith(gravel.astype(str), "gravel")
        + own.site_seasons_log_hazard * of_tank("seasons_before")
        + own.region_log_hazard * (of_tank("region") == min(of_tank("region")))
    )
    egg = own.no_light_cover_egg_log_hazard * ~of_tank("light_cover")
    stones = own.layered_stones_alevin_log_hazard * (gravel == "layered_stones")
    alevin = stones + own.bare_alevin_log_hazard * (gravel == "bare")
    fry = own.no_media_fry_log_hazard * (of_tank("media_carried_over_pct") == 0)
    effects: Floats = (np.stack([egg, alevin, fry]) + shared)[:, season.at] + season.of_batch("log_hazard")
    effects += season.cohorts["lot_log_hazard"].to_numpy()
    effects[1] += season.plan.eggs.late_trip_alevin_log_hazard * season.cohorts["is_late"].to_numpy()
    return effects


def _hunger(season: DevelopedSeason) -> Floats:
    """(cohorts, days) log hazard of fry fed late, for the forty days after button-up."""
    button_up_day = season.progress.button_up_day
    delay_days = np.clip(np.nan_to_num(season.feeding_day - button_up_day, nan=0.0) - 5, 0, 12)
    is_young = np.arange(SIMULATED_DAYS) < np.nan_to_num(button_up_day, nan=1e9)[:, None] + 40
    return season.plan.survival.late_feeding_log_hazard_per_day * delay_days[:, None] * is_young


def _daily_gain(cumulative: Floats) -> Floats:
    return np.diff(cumulative, axis=1, prepend=cumulative[:, :1])


def _in_stage(season: DevelopedSeason) -> Bools:
    """(3, cohorts, days) the median fish's stage, while it is in the tank."""
    day, from_day = np.arange(SIMULATED_DAYS), season.cohorts["day"].to_numpy()
    hatch = np.nan_to_num(np.floor(season.progress.hatch_day), nan=1e9)[:, None]
    button_up = np.nan_to_num(np.floor(season.progress.button_up_day), nan=1e9)[:, None]
    here = (day >= from_day[:, None]) & (day < season.close_day[season.at][:, None])
    return np.stack([here & (day <= hatch), here & (day > hatch) & (day <= button_up), here & (day > button_up)])


def _shocks(season: Conditions) -> Floats:
    """(3, tanks, days) hazards that strike and pass: hot hours, still water, collapses, bad days."""
    own, rng, water = season.plan.survival, season.stream("bad days"), season.water
    hot_hours = by_day(water.hourly_c > own.hot_limit_c).sum(axis=2)
    hot = own.hot_hazard_per_hour * hot_hours * (1 + np.cumsum(hot_hours, axis=1) / 24)
    hour = np.arange(HOURS)
    last_moving = np.maximum.accumulate(np.where(water.still, -1, hour), axis=1)
    still = own.still_water_hazard_per_hour * by_day(hour - last_moving > 6).sum(axis=2)
    is_bad_day = rng.random(hot.shape) < own.bad_day_probability
    bad_day = is_bad_day * rng.exponential(own.bad_day_mean_hazard, hot.shape)
    common = hot + collapse_hazard(season, season.incidents) + bad_day
    other_stages = common + own.still_water_egg_share * still
    return np.stack([other_stages, common + still, other_stages])


def _poor_factor(usual: Hazards, season: Conditions) -> Floats:
    """(cohorts,) factor on the background hazard that makes tanks planted poor lack the planned points."""
    places = season.plan.places
    shortfalls = {"tank": places.poor_tank_shortfall_points, "site": places.poor_site_shortfall_points, "": 0.0}
    points = season.setups["poor"].map(shortfalls).to_numpy(dtype=float)[season.at]
    background, shock = (part.sum(axis=0) for part in usual.cumulative())
    wanted = np.maximum(np.exp(-background - shock) - points / 100, 0.02)
    factor = (-np.log(wanted) - shock) / np.maximum(background, 1e-9)
    return np.where(points > 0, np.maximum(factor, 1.0), 1.0)
