"""How each tank is set up in each season: bottom, cover, set point, cleaning, and its own luck."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .people_and_places import Places
from .plan import PlacesPlan, Plan, Shape
from .streams import Bools, Floats, pick, stream

DISINFECTANTS = {"vinegar": 0.45, "iodophor": 0.3, "none": 0.2, "other": 0.05}
DIFFERENTIALS_C = {"0.5": 0.25, "1": 0.45, "1.5": 0.2, "2": 0.1, "3": 0.03}
WITH_GRAVEL = {"gravel": 0.75, "gravel_and_single_layer_stones": 0.25}
WITHOUT_GRAVEL = {"bare": 0.55, "single_layer_stones": 0.40, "other": 0.05}


def build_setups(seed: int, places: Places, plan: Plan, shape: Shape) -> pd.DataFrame:
    """One row per season and tank: the columns of `setups` but the dates, the context of site and tank,
    hidden facts.

    Hidden columns: has_logger, seasonal luck (`tank_log_hazard`), switches of style and reporting drawn per
    tank-season.
    """
    rng = stream(seed, "set-ups")
    frame = places.hosting.copy()
    size = len(frame)
    frame["gravel_practice"] = _practices(frame, plan.places, rng)
    frame["gravel_depth_cm"] = np.where(_has_gravel(frame), np.round(rng.uniform(2, 6, size)), np.nan)
    frame["stone_diameter_mm"] = _stone_sizes(frame, rng)
    frame["crushed_shell"] = rng.random(size) < 0.3
    frame["light_cover"] = rng.random(size) < plan.places.light_cover_share
    frame["insulated"] = rng.random(size) < plan.places.insulated_share
    frame["set_point_c"] = frame["site_set_point_c"]
    frame["differential_c"] = pick(rng, DIFFERENTIALS_C, size).astype(float)
    frame["disinfectant"] = pick(rng, DISINFECTANTS, size)
    hours = np.round(rng.uniform(1, 24, size))
    frame["disinfection_hours"] = np.where(frame["disinfectant"] == "none", np.nan, hours)
    keeps = (rng.random(size) < plan.places.media_carried_over_share) & frame["returns_to_site"].to_numpy()
    frame["media_carried_over_pct"] = np.where(keeps, rng.choice([25.0, 50.0, 75.0, 100.0], size), 0.0)
    frame["room_temp_c"] = (frame["site_room_c"] + rng.normal(0, 0.5, size)).round(0)
    frame["has_logger"] = rng.random(size) < np.where(
        frame["keen"], plan.places.logger_share_keen, plan.places.logger_share_other
    )
    frame["conditioning_days"] = np.where(
        rng.random(size) < 0.05, rng.integers(1, 5, size), rng.integers(7, 31, size)
    )
    frame["row"] = np.arange(size)
    return _with_luck(frame, seed, plan, shape)


def _with_luck(frame: pd.DataFrame, seed: int, plan: Plan, shape: Shape) -> pd.DataFrame:
    """Adds the unexplained part of each tank-season's hazard, and which ones collapse."""
    rng = stream(seed, "luck")
    ordinary = frame["poor"] == ""
    season_effect = dict(
        zip(shape.years, rng.normal(0, plan.survival.season_log_hazard_sd, shape.seasons), strict=True)
    )
    frame["season_log_hazard"] = frame["season"].map(season_effect).astype(float)
    frame["tank_log_hazard"] = rng.normal(0, plan.survival.tank_log_hazard_sd, len(frame)) * ordinary
    frame["collapses"] = (rng.random(len(frame)) < plan.survival.collapse_share) & ordinary
    chance = np.where(frame["collapses"], plan.records.reported_share_collapsed, plan.records.reported_share)
    frame["reports"] = (rng.random(len(frame)) < chance) | ~ordinary
    return frame


def _practices(frame: pd.DataFrame, places: PlacesPlan, rng: np.random.Generator) -> np.ndarray:
    """Gravel practice: goes with the room, except layered stones; a returning tank mostly keeps last
    season's."""
    size = len(frame)
    hallway = (frame["room_type"] == "hallway").to_numpy()
    gravel_share = np.where(hallway, places.gravel_share_hallway, places.gravel_share_quiet_rooms)
    drawn = np.where(
        rng.random(size) < gravel_share, pick(rng, WITH_GRAVEL, size), pick(rng, WITHOUT_GRAVEL, size)
    )
    layered = (rng.random(size) < places.layered_stones_share) & (frame["poor"] == "").to_numpy()
    drawn = np.where(layered, "layered_stones", drawn)
    keeps = frame["returns_to_site"].to_numpy() & (rng.random(size) >= places.practice_change_share)
    kept: dict[object, object] = {}
    for number, tank in enumerate(frame["tank_id"]):
        if keeps[number]:
            drawn[number] = kept[tank]
        kept[tank] = drawn[number]
    return drawn


def _has_gravel(frame: pd.DataFrame) -> Bools:
    return frame["gravel_practice"].isin(list(WITH_GRAVEL)).to_numpy()


def _stone_sizes(frame: pd.DataFrame, rng: np.random.Generator) -> Floats:
    """Stone diameter in mm where there are stones: small when layered."""
    large, small = np.round(rng.uniform(25, 50, len(frame))), np.round(rng.uniform(8, 16, len(frame)))
    single = frame["gravel_practice"].str.contains("single_layer").to_numpy()
    layered = (frame["gravel_practice"] == "layered_stones").to_numpy()
    return np.where(layered, small, np.where(single, large, np.nan))
