"""Sites and tanks: who hosts a tank in which season, in which region and room.

Hidden facts (a site's effect, its thermometer's offset) ride along in the same frames; `records` keeps only
what the record set has columns for. All codes are invented.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from .plan import PlacesPlan, Plan, Shape
from .streams import pick_one, stream

REGION_CODES = ("amber", "basalt", "cobalt", "dune", "ember", "flint", "garnet", "hazel")
ROOMS = {
    "classroom": 0.50,
    "laboratory": 0.16,
    "library": 0.14,
    "foyer": 0.07,
    "office": 0.06,
    "workshop": 0.07,
}
SITE_KINDS = {"school": 0.86, "library": 0.08, "community_centre": 0.06}
WATER_SOURCES = {"municipal_chlorine": 0.5, "municipal_chloramine": 0.2, "well": 0.22, "surface": 0.08}
FILTERS = {"internal": 0.3, "hang_on": 0.3, "canister": 0.2, "sponge": 0.15, "undergravel": 0.05}
THERMOMETER_STEPS = {"0.1": 0.45, "0.5": 0.35, "1": 0.20}
VOLUMES_L = (75, 110, 150, 200)


@dataclass
class Spot:
    """One host of one to three tanks: the group of tank numbers that moves from site to site together."""

    region: str
    tanks: list[int]
    stays: bool
    poor: str = ""
    site: dict[str, object] = field(default_factory=dict)
    rooms: list[str] = field(default_factory=list)
    labels: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Places:
    """sites: one row per site; tanks: one row per tank; hosting: one row per season and tank. Hidden columns
    included."""

    sites: pd.DataFrame
    tanks: pd.DataFrame
    hosting: pd.DataFrame


class _Registry:
    """Hands out site and tank codes, and remembers every site and tank it made."""

    def __init__(self, plan: Plan, rng: np.random.Generator) -> None:
        self.plan, self.rng = plan, rng
        self.sites: list[dict[str, object]] = []
        self.tanks: list[dict[str, object]] = []
        self.sites_in: dict[str, int] = {}

    def new_site(self, region: str, season: int, first: bool) -> dict[str, object]:
        """A site that starts hosting; in the programme's first season some have hosted for years."""
        rng, survival, places = self.rng, self.plan.survival, self.plan.places
        self.sites_in[region] = self.sites_in.get(region, 0) + 1
        keen = rng.random() < places.keen_site_share
        site: dict[str, object] = {
            "site_id": f"{region[:3].upper()}-{self.sites_in[region]:03d}",
            "region": region,
            "site_kind": pick_one(rng, SITE_KINDS),
            "water_source": pick_one(rng, WATER_SOURCES),
            "weekend_access": bool(rng.random() < places.weekend_access_share),
            "first_season": season - (int(rng.integers(0, 6)) if first else 0),
            "keen": bool(keen),
            "log_hazard": rng.normal(0, survival.site_log_hazard_sd) + keen * survival.keen_site_log_hazard,
            **_thermometer(self.plan, rng),
            **_climate(self.plan, rng),
        }
        self.sites.append(site)
        return site

    def new_tank(self, season: int, first: bool) -> str:
        """A new tank's label. Chillers of a first season are up to nine years old."""
        label = f"TK-{len(self.tanks) + 1:04d}"
        age_years = int(self.rng.integers(0, 10)) if first else int(self.rng.integers(0, 3))
        volume_l = int(self.rng.choice(VOLUMES_L))
        row = {"tank_id": label, "volume_l": volume_l, "chiller_year": season - age_years}
        self.tanks.append({**row, "filter_kind": pick_one(self.rng, FILTERS), "registered": season})
        return label


def _thermometer(plan: Plan, rng: np.random.Generator) -> dict[str, object]:
    """How a site reads temperature by hand."""
    return {
        "thermometer_offset_c": rng.normal(0, plan.records.thermometer_offset_sd_c),
        "thermometer_step": float(pick_one(rng, THERMOMETER_STEPS)),
        "reads_fahrenheit": bool(rng.random() < 0.06),
        "writes_hour": bool(rng.random() < 0.5),
        "reads_controller": bool(rng.random() < 0.05),
        "reading_hour": int(rng.integers(8, 15)),
    }


def _climate(plan: Plan, rng: np.random.Generator) -> dict[str, object]:
    """The usual room and the set point a site likes."""
    places, water = plan.places, plan.water
    draw = rng.random()
    low, high = places.set_point_low_c, places.set_point_high_c
    if draw < places.cold_site_share:
        low, high = 4.0, 5.0
    elif draw > 1 - places.warm_site_share:
        low, high = 11.0, 12.0
    return {
        "site_set_point_c": round(rng.uniform(low, high) * 2) / 2,
        "site_room_c": rng.uniform(water.room_low_c, water.room_high_c),
    }


def build_places(seed: int, plan: Plan, shape: Shape) -> Places:
    """Every site, tank and hosting of the programme's seasons."""
    rng = stream(seed, "places")
    registry = _Registry(plan, rng)
    spots = _spots(plan.places, shape, rng)
    hosting: list[dict[str, object]] = []
    for number, season in enumerate(shape.years):
        for spot in spots:
            _settle(spot, season, number == 0, registry, plan)
            hosting += _host(spot, season)
    sites = pd.DataFrame(registry.sites)
    tanks = pd.DataFrame(registry.tanks)
    return Places(sites, tanks, _one_row_each(hosting, sites, tanks))


def _spots(places: PlacesPlan, shape: Shape, rng: np.random.Generator) -> list[Spot]:
    """Groups of tanks, dealt to regions in turn; the first groups are the ones planted poor, and they always
    stay."""
    regions = [region_code(number) for number in range(shape.regions)]
    sizes = [2] * places.poor_sites + [1] * places.poor_tanks
    chances = [
        1 - places.two_tank_share - places.three_tank_share,
        places.two_tank_share,
        places.three_tank_share,
    ]
    while sum(sizes) < shape.tanks:
        sizes.append(min(int(rng.choice([1, 2, 3], p=chances)), shape.tanks - sum(sizes)))
    spots, taken = [], 0
    for number, size in enumerate(sizes):
        poor = (
            "site"
            if number < places.poor_sites
            else "tank"
            if number < places.poor_sites + places.poor_tanks
            else ""
        )
        region = regions[(number + 1) % len(regions)]  # the poor ones start in the second region
        spots.append(Spot(region, list(range(taken, taken + size)), stays=bool(poor), poor=poor))
        taken += size
    return spots


def region_code(number: int) -> str:
    """The invented code of a region by its number."""
    return REGION_CODES[number] if number < len(REGION_CODES) else f"region{number + 1:02d}"


def _settle(spot: Spot, season: int, first: bool, registry: _Registry, plan: Plan) -> None:
    """Move a spot to its site of the season: the same one again, or a new one."""
    rng, places = registry.rng, plan.places
    moves = first or (rng.random() >= places.returning_share and not spot.stays)
    if moves:
        spot.site = registry.new_site(spot.region, season, first)
        spot.rooms = [_room(places, rng) for _ in spot.tanks]
        if spot.poor:
            spot.site.update(log_hazard=0.0, site_set_point_c=8.5)
            # in any quiet room, so that they do not make one room or one practice look poor
            spot.rooms = [pick_one(rng, ROOMS) for _ in spot.tanks]
    fresh_chiller = moves and places.new_sites_get_new_chillers and not first
    retired = [rng.random() < places.tank_retired_share and not spot.stays for _ in spot.tanks]
    if first:
        spot.labels = [registry.new_tank(season, first) for _ in spot.tanks]
    else:
        spot.labels = [
            registry.new_tank(season, first) if gone or fresh_chiller else label
            for gone, label in zip(retired, spot.labels, strict=True)
        ]


def _room(places: PlacesPlan, rng: np.random.Generator) -> str:
    return "hallway" if rng.random() < places.hallway_share else pick_one(rng, ROOMS)


def _host(spot: Spot, season: int) -> list[dict[str, object]]:
    """The rows of one spot in one season."""
    shared = {"season": season, "site_id": spot.site["site_id"], "poor": spot.poor}
    return [
        {**shared, "tank_id": label, "room_type": room}
        for label, room in zip(spot.labels, spot.rooms, strict=True)
    ]


def _one_row_each(hosting: list[dict[str, object]], sites: pd.DataFrame, tanks: pd.DataFrame) -> pd.DataFrame:
    """Hosting with the facts of site and tank joined on, in order of season and tank."""
    frame = pd.DataFrame(hosting).merge(sites, on="site_id", how="left").merge(tanks, on="tank_id", how="left")
    frame = frame.sort_values(["season", "tank_id"], ignore_index=True)
    frame["seasons_before"] = frame["season"] - frame["first_season"]
    frame["tank_returns"] = frame.duplicated(["tank_id"])
    same_site = frame.groupby("tank_id")["site_id"].shift() == frame["site_id"]
    frame["returns_to_site"] = same_site.to_numpy(dtype=bool)
    return frame
