"""Sites and tanks: who hosts a tank in which season, in which room, and how each tank is set up there.

Hidden facts (a site's effect, its thermometer's offset) ride along in the same frames; `records` keeps only
what the record set has columns for. All codes are invented.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from .plan import PlacesPlan
from .scenario import Floats, Scenario, Words, pick, pick_one

ROOMS = {"classroom": 0.50, "laboratory": 0.16, "library": 0.14, "foyer": 0.07, "office": 0.06, "workshop": 0.07}
SITE_KINDS = {"school": 0.86, "library": 0.08, "community_centre": 0.06}
WATER_SOURCES = {"municipal_chlorine": 0.5, "municipal_chloramine": 0.2, "well": 0.22, "surface": 0.08}
FILTERS = {"internal": 0.3, "hang_on": 0.3, "canister": 0.2, "sponge": 0.15, "undergravel": 0.05}
THERMOMETER_STEPS = {"0.1": 0.45, "0.5": 0.35, "1": 0.20}
VOLUMES_L = (75, 110, 150, 200)
DISINFECTANTS = {"vinegar": 0.45, "iodophor": 0.3, "none": 0.2, "other": 0.05}
DIFFERENTIALS_C = {"0.5": 0.25, "1": 0.45, "1.5": 0.2, "2": 0.1, "3": 0.03}
WITH_GRAVEL = {"gravel": 0.75, "gravel_and_single_layer_stones": 0.25}
WITHOUT_GRAVEL = {"bare": 0.55, "single_layer_stones": 0.40, "other": 0.05}
POOR_SET_POINT_C = 8.5


@dataclass(frozen=True)
class Places:
    """sites, tanks: one row each; setups: one row per season and tank. Hidden columns included."""

    sites: pd.DataFrame
    tanks: pd.DataFrame
    setups: pd.DataFrame


def build_places(scenario: Scenario) -> Places:
    """Every site, tank and set-up of the programme's seasons."""
    register = _Register(scenario)
    hosts = _hosts(scenario, register.rng)
    for season in scenario.shape.years:
        for host in hosts:
            register.host(host, season)
    sites, tanks = pd.DataFrame(register.sites), pd.DataFrame(register.tanks)
    hosting = pd.DataFrame(register.hosting).merge(sites, on="site_id").merge(tanks, on="tank_id")
    hosting = hosting.sort_values(["season", "tank_id"], ignore_index=True)
    return Places(sites, tanks, _with_luck(_set_up(hosting, scenario), scenario))


@dataclass
class Host:
    """One host of one to three tanks, which move from site to site together; poor: "tank", "site" or ""."""

    region: str
    size: int
    poor: str
    site: dict[str, Any] = field(default_factory=dict)
    rooms: list[str] = field(default_factory=list)
    labels: list[str] = field(default_factory=list)


def _hosts(scenario: Scenario, rng: np.random.Generator) -> list[Host]:
    """Hosts, dealt to regions in turn; the first ones are planted poor."""
    places, regions = scenario.plan.places, scenario.regions
    sizes = [2] * places.poor_sites + [1] * places.poor_tanks
    poor = ["site"] * places.poor_sites + ["tank"] * places.poor_tanks
    chances = [1 - places.two_tank_share - places.three_tank_share, places.two_tank_share, places.three_tank_share]
    while (left := scenario.shape.tanks - sum(sizes)) > 0:
        sizes.append(min(int(rng.choice([1, 2, 3], p=chances)), left))
        poor.append("")
    # the poor ones start in the second region
    return [
        Host(regions[(number + 1) % len(regions)], size, kind)
        for number, (size, kind) in enumerate(zip(sizes, poor, strict=True))
    ]


class _Register:
    """Hands out site and tank codes, and remembers every site, every tank and who hosted it when."""

    def __init__(self, scenario: Scenario) -> None:
        self.plan, self.rng, self.first_season = scenario.plan, scenario.stream("places"), scenario.shape.years[0]
        self.sites: list[dict[str, Any]] = []
        self.tanks: list[dict[str, Any]] = []
        self.hosting: list[dict[str, Any]] = []
        self.sites_in: Counter[str] = Counter()

    def host(self, host: Host, season: int) -> None:
        """One season of a host: at the same site again or at a new one; those planted poor always stay."""
        rng, places, first = self.rng, self.plan.places, season == self.first_season
        moves = first or (rng.random() >= places.returning_share and not host.poor)
        if moves:
            host.site = self.new_site(host.region, season)
            host.rooms = [_room(places, rng) for _ in range(host.size)]
            if host.poor:
                host.site.update(log_hazard=0.0, site_set_point_c=POOR_SET_POINT_C)
                # in any quiet room, so that they do not make one room or one practice look poor
                host.rooms = [pick_one(rng, ROOMS) for _ in range(host.size)]
        retired = [rng.random() < places.tank_retired_share and not host.poor for _ in range(host.size)]
        renewed = first or (moves and places.new_sites_get_new_chillers)
        host.labels = [
            self.new_tank(season) if renewed or gone else host.labels[tank] for tank, gone in enumerate(retired)
        ]
        shared = {"season": season, "site_id": host.site["site_id"], "poor": host.poor}
        self.hosting += [
            {**shared, "tank_id": label, "room_type": room}
            for label, room in zip(host.labels, host.rooms, strict=True)
        ]

    def new_site(self, region: str, season: int) -> dict[str, Any]:
        """A site that starts hosting; in the programme's first season some have hosted for years."""
        rng, plan = self.rng, self.plan
        self.sites_in[region] += 1
        keen = bool(rng.random() < plan.places.keen_site_share)
        site = {
            "site_id": f"{region[:3].upper()}-{self.sites_in[region]:03d}",
            "region": region,
            "site_kind": pick_one(rng, SITE_KINDS),
            "water_source": pick_one(rng, WATER_SOURCES),
            "weekend_access": bool(rng.random() < plan.places.weekend_access_share),
            "first_season": season - (int(rng.integers(0, 6)) if season == self.first_season else 0),
            "keen": keen,
            "log_hazard": rng.normal(0, plan.survival.site_log_hazard_sd)
            + keen * plan.survival.keen_site_log_hazard,
            "thermometer_offset_c": rng.normal(0, plan.records.thermometer_offset_sd_c),
            "thermometer_step": float(pick_one(rng, THERMOMETER_STEPS)),
            "reads_fahrenheit": bool(rng.random() < 0.06),
            "writes_hour": bool(rng.random() < 0.5),
            "reads_controller": bool(rng.random() < 0.05),
            "reading_hour": int(rng.integers(8, 15)),
            "site_set_point_c": _set_point_c(plan.places, rng),
            "site_room_c": rng.uniform(plan.water.room_low_c, plan.water.room_high_c),
        }
        self.sites.append(site)
        return site

    def new_tank(self, season: int) -> str:
        """A new tank's label. Chillers of a first season are up to nine years old."""
        label = f"TK-{len(self.tanks) + 1:04d}"
        age_years = int(self.rng.integers(0, 10 if season == self.first_season else 3))
        row = {"tank_id": label, "volume_l": int(self.rng.choice(VOLUMES_L)), "chiller_year": season - age_years}
        self.tanks.append({**row, "filter_kind": pick_one(self.rng, FILTERS), "registered": season})
        return label


def _room(places: PlacesPlan, rng: np.random.Generator) -> str:
    return "hallway" if rng.random() < places.hallway_share else pick_one(rng, ROOMS)


def _set_point_c(places: PlacesPlan, rng: np.random.Generator) -> float:
    """The set point a site likes, to half a degree."""
    draw, low, high = rng.random(), places.set_point_low_c, places.set_point_high_c
    if draw < places.cold_site_share:
        low, high = 4.0, 5.0
    elif draw > 1 - places.warm_site_share:
        low, high = 11.0, 12.0
    return float(round(rng.uniform(low, high) * 2) / 2)


def _set_up(hosting: pd.DataFrame, scenario: Scenario) -> pd.DataFrame:
    """Adds the columns of `setups` but the dates (bottom, cover, set point, cleaning), and who has a logger."""
    places, rng = scenario.plan.places, scenario.stream("set-ups")
    frame, size = hosting.copy(), len(hosting)
    frame["seasons_before"] = frame["season"] - frame["first_season"]
    frame["tank_returns"] = frame.duplicated(["tank_id"])
    frame["returns_to_site"] = frame.groupby("tank_id")["site_id"].shift() == frame["site_id"]
    frame["gravel_practice"] = _practices(frame, places, rng)
    has_gravel = frame["gravel_practice"].isin(list(WITH_GRAVEL))
    frame["gravel_depth_cm"] = np.where(has_gravel, np.round(rng.uniform(2, 6, size)), np.nan)
    frame["stone_diameter_mm"] = _stone_sizes(frame, rng)
    frame["crushed_shell"] = rng.random(size) < 0.3
    frame["light_cover"] = rng.random(size) < places.light_cover_share
    frame["insulated"] = rng.random(size) < places.insulated_share
    frame["set_point_c"] = frame["site_set_point_c"]
    frame["differential_c"] = pick(rng, DIFFERENTIALS_C, size).astype(float)
    frame["disinfectant"] = pick(rng, DISINFECTANTS, size)
    hours = np.round(rng.uniform(1, 24, size))
    frame["disinfection_hours"] = np.where(frame["disinfectant"] == "none", np.nan, hours)
    keeps = (rng.random(size) < places.media_carried_over_share) & frame["returns_to_site"]
    frame["media_carried_over_pct"] = np.where(keeps, rng.choice([25.0, 50.0, 75.0, 100.0], size), 0.0)
    frame["room_temp_c"] = (frame["site_room_c"] + rng.normal(0, 0.5, size)).round(0)
    logger_share = np.where(frame["keen"], places.logger_share_keen, places.logger_share_other)
    frame["has_logger"] = rng.random(size) < logger_share
    is_hasty = rng.random(size) < 0.05
    frame["conditioning_days"] = np.where(is_hasty, rng.integers(1, 5, size), rng.integers(7, 31, size))
    return frame


def _practices(frame: pd.DataFrame, places: PlacesPlan, rng: np.random.Generator) -> Words:
    """Gravel practice: goes with the room, except layered stones; a returning tank mostly keeps last season's."""
    size = len(frame)
    is_hallway = frame["room_type"] == "hallway"
    gravel_share = np.where(is_hallway, places.gravel_share_hallway, places.gravel_share_quiet_rooms)
    drawn = np.where(
        rng.random(size) < gravel_share, pick(rng, WITH_GRAVEL, size), pick(rng, WITHOUT_GRAVEL, size)
    )
    layered = (rng.random(size) < places.layered_stones_share) & (frame["poor"] == "")
    keeps = (rng.random(size) >= places.practice_change_share) & frame["returns_to_site"]
    fresh = pd.Series(drawn, index=frame.index).mask(layered, "layered_stones").mask(keeps)
    return fresh.groupby(frame["tank_id"]).ffill().to_numpy()


def _stone_sizes(frame: pd.DataFrame, rng: np.random.Generator) -> Floats:
    """Stone diameter in mm where there are stones: small when layered."""
    large, small = np.round(rng.uniform(25, 50, len(frame))), np.round(rng.uniform(8, 16, len(frame)))
    single = frame["gravel_practice"].str.contains("single_layer")
    return np.where(frame["gravel_practice"] == "layered_stones", small, np.where(single, large, np.nan))


def _with_luck(frame: pd.DataFrame, scenario: Scenario) -> pd.DataFrame:
    """Adds the unexplained part of each tank-season's hazard, and which ones collapse or stop reporting."""
    plan, rng, size = scenario.plan, scenario.stream("luck"), len(frame)
    ordinary = frame["poor"] == ""
    effects = rng.normal(0, plan.survival.season_log_hazard_sd, scenario.shape.seasons)
    frame["season_log_hazard"] = effects[frame["season"] - scenario.shape.years[0]]
    frame["tank_log_hazard"] = rng.normal(0, plan.survival.tank_log_hazard_sd, size) * ordinary
    frame["collapses"] = (rng.random(size) < plan.survival.collapse_share) & ordinary
    chance = np.where(frame["collapses"], plan.records.reported_share_collapsed, plan.records.reported_share)
    frame["reports"] = (rng.random(size) < chance) | ~ordinary
    return frame
