"""Light synthetic tank-seasons with planted effects, for calibrating survival models.

Only the counts and their circumstances are drawn, none of the records behind them. The generating model is
a logit with normal site, batch, season and tank-season deviations; the truth is what the caller planted.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from broodyear.errors import UsageError

ROOM_TYPES = ("classroom", "hallway", "library")
GRAVEL_PRACTICES = ("bare", "gravel", "single_layer_stones")
SPECIES = ("chinook", "coho")


@dataclass(frozen=True)
class TankSeasonPlan:
    """Size and spreads of a drawn programme; spreads and effects are on the logit scale.

    gravel_effects, room_effects: effect of each named level against none (unnamed levels have 0).
    gravel_by_room: chance of any gravel in each room type (default one half), which confounds the two.
    temp_effect_per_c: effect of +1 °C around 9 °C. eggs_low, eggs_high: range of a log-uniform count.
    """

    sites: int = 60
    seasons: int = 5
    batches_per_season: int = 4
    tanks_per_season: int = 60
    regions: int = 3
    base_logit: float = 1.7
    site_sd: float = 0.30
    batch_sd: float = 0.50
    season_sd: float = 0.15
    tank_sd: float = 0.45
    gravel_effects: Mapping[str, float] = field(default_factory=dict)
    room_effects: Mapping[str, float] = field(default_factory=dict)
    gravel_by_room: Mapping[str, float] = field(default_factory=dict)
    temp_effect_per_c: float = 0.0
    eggs_low: int = 30
    eggs_high: int = 300
    first_season: int = 2020


def draw_tank_seasons(rng: np.random.Generator, plan: TankSeasonPlan | None = None) -> pd.DataFrame:
    """Draw one row per tank-season, shape (seasons × tanks_per_season, 13).

    Columns season, tank_id, site_id, region, batch_id, species, room_type, gravel_practice,
    mean_water_temp_c, outcome (always delivered_to_release), eggs, survivors, usable. Batches are drawn
    anew each season and shared by all regions; a site keeps its room type, its gravel and its deviation.

    >>> frame = draw_tank_seasons(np.random.default_rng(1), TankSeasonPlan(sites=5, seasons=2, tanks_per_season=4))
    >>> frame.shape
    (8, 13)
    """
    plan = plan or TankSeasonPlan()
    if plan.tanks_per_season > plan.sites:
        raise UsageError(
            f"tanks_per_season ({plan.tanks_per_season}) must not exceed sites ({plan.sites}): one tank each."
        )
    sites = _draw_sites(rng, plan)
    batch_shift = rng.normal(0.0, plan.batch_sd, (plan.seasons, plan.batches_per_season))
    season_shift = rng.normal(0.0, plan.season_sd, plan.seasons)
    parts = [_draw_season(rng, plan, sites, place, batch_shift, season_shift) for place in range(plan.seasons)]
    return pd.concat(parts, ignore_index=True)


def _draw_sites(rng: np.random.Generator, plan: TankSeasonPlan) -> pd.DataFrame:
    rooms = rng.choice(ROOM_TYPES, plan.sites)
    chance = np.array([plan.gravel_by_room.get(str(room), 0.5) for room in rooms])
    kind = rng.choice(GRAVEL_PRACTICES[1:], plan.sites)
    return pd.DataFrame(
        {
            "site_id": [f"S{place:04d}" for place in range(plan.sites)],
            "region": [f"R{place % plan.regions + 1}" for place in range(plan.sites)],
            "room_type": rooms,
            "gravel_practice": np.where(rng.random(plan.sites) < chance, kind, GRAVEL_PRACTICES[0]),
            "site_shift": rng.normal(0.0, plan.site_sd, plan.sites),
        }
    )


def _draw_season(
    rng: np.random.Generator,
    plan: TankSeasonPlan,
    sites: pd.DataFrame,
    place: int,
    batch_shift: np.ndarray,
    season_shift: np.ndarray,
) -> pd.DataFrame:
    chosen = np.sort(rng.choice(plan.sites, plan.tanks_per_season, replace=False))
    frame = sites.iloc[chosen].reset_index(drop=True)
    batch = rng.integers(0, plan.batches_per_season, len(frame))
    temp_c = rng.normal(9.0, 1.2, len(frame)).round(2)
    log_odds = (
        plan.base_logit
        + frame["site_shift"].to_numpy()
        + batch_shift[place, batch]
        + season_shift[place]
        + rng.normal(0.0, plan.tank_sd, len(frame))
        + frame["gravel_practice"].map(lambda level: plan.gravel_effects.get(level, 0.0)).to_numpy()
        + frame["room_type"].map(lambda level: plan.room_effects.get(level, 0.0)).to_numpy()
        + plan.temp_effect_per_c * (temp_c - 9.0)
    )
    eggs = np.exp(rng.uniform(np.log(plan.eggs_low), np.log(plan.eggs_high), len(frame))).astype(int)
    survivors = rng.binomial(eggs, 1.0 / (1.0 + np.exp(-log_odds)))
    season = plan.first_season + place
    return pd.DataFrame(
        {
            "season": season,
            "tank_id": frame["site_id"].str.replace("S", "T"),
            "site_id": frame["site_id"],
            "region": frame["region"],
            "batch_id": [f"B{season}{number}" for number in batch],
            "species": [SPECIES[number % len(SPECIES)] for number in batch],
            "room_type": frame["room_type"],
            "gravel_practice": frame["gravel_practice"],
            "mean_water_temp_c": temp_c,
            "outcome": "delivered_to_release",
            "eggs": eggs,
            "survivors": survivors,
            "usable": True,
        }
    )
