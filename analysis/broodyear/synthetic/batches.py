"""Egg batches, the trips that carry them, and what arrives in each tank."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from .development import fraction_on_arrival
from .plan import SPECIES, EggsPlan, Plan, Shape
from .school_days import Calendar
from .streams import Floats, pick, stream

SPAWNING = {"chinook": (10, 3), "coho": (11, 8), "rainbow_trout": (12, 18)}
"""Species: month and day about which it spawns."""
COUNT_METHODS = {"hand_twice": 0.25, "hand_once": 0.45, "weight": 0.10, "volume": 0.15, "displacement": 0.05}
VOLUMETRIC = ("weight", "volume", "displacement")
MOST_BATCHES = 6
STOCKS_PER_SPECIES = 2


@dataclass(frozen=True)
class Eggs:
    """batches: one row per batch; cohorts: one row per delivery, with hidden truth (true eggs, fraction,
    hour)."""

    batches: pd.DataFrame
    cohorts: pd.DataFrame


def build_batches(seed: int, plan: Plan, shape: Shape) -> pd.DataFrame:
    """One row per batch of every season. Hidden columns: log_hazard, rate_factor, is_bad, home (region
    number)."""
    rng = stream(seed, "batches")
    stock_effect = {
        (species, number): rng.normal(0, plan.eggs.stock_log_hazard_sd)
        for species in SPECIES
        for number in range(STOCKS_PER_SPECIES)
    }
    rows = []
    for number, season in enumerate(shape.years):
        for batch in range(batch_count(shape.regions)):
            rows.append(_batch(number, season, batch, shape, plan, stock_effect, rng))
    return pd.DataFrame(rows)


def batch_count(regions: int) -> int:
    """Batches a season: one per region, one shared by all, one more for the region that shares none."""
    return int(np.clip(regions + (2 if regions >= 4 else 1), 3, MOST_BATCHES))


def species_of(batch: int, regions: int) -> str:
    """The species of a batch: regional ones alternate between two, the rest are the third."""
    if batch >= min(regions, MOST_BATCHES - 1):
        return SPECIES[2]
    return SPECIES[(batch // 2) % 2]


def _batch(
    number: int,
    season: int,
    batch: int,
    shape: Shape,
    plan: Plan,
    stock_effect: dict[tuple[str, int], float],
    rng: np.random.Generator,
) -> dict[str, object]:
    """One batch: `number` is the season's place in the programme, `batch` the batch's place in the season."""
    species = species_of(batch, shape.regions)
    stock = int(rng.integers(STOCKS_PER_SPECIES))
    luck = rng.normal(0, plan.eggs.batch_log_hazard_sd) + stock_effect[species, stock]
    every = plan.eggs.bad_batch_every_seasons
    is_bad = batch == 0 and every > 0 and number % every == 0
    log_hazard = plan.eggs.bad_batch_log_hazard if is_bad else luck
    return {
        "batch_id": f"B{season}-{species[:2].upper()}{batch + 1}",
        "donor_stock": f"{species[:2].upper()}-{'Å' if stock else 'Y'}{stock + 1}",
        "species": species,
        "brood_year": season,
        "spawned_on": _spawning_day(species, season, rng),
        "females_pooled": int(rng.integers(3, 40)),
        "green_to_eyed_pct": _green_to_eyed_pct(log_hazard + rng.normal(0, 0.4)),
        "season": season,
        "number": batch,
        "log_hazard": log_hazard,
        "is_bad": is_bad,
        "rate_factor": float(np.exp(rng.normal(0, plan.development.batch_log_rate_sd))),
        "hatchery_temp_c": round(rng.uniform(7.5, 11.0), 1),
        "target_fraction": rng.uniform(plan.eggs.fraction_low, plan.eggs.fraction_high - 0.02),
    }


def _spawning_day(species: str, season: int, rng: np.random.Generator) -> np.datetime64:
    month, day = SPAWNING[species]
    return np.datetime64(f"{season}-{month:02d}-{day:02d}") + int(rng.integers(-5, 6))


def _green_to_eyed_pct(log_hazard: float) -> float:
    """Survival at the hatchery before the eyes show: poor batches show there first."""
    return round(float(np.clip(100 * np.exp(-0.12 * np.exp(log_hazard)), 5, 99)), 1)


def batch_weights(regions: int, eggs: EggsPlan) -> Floats:
    """(regions, batches) share of each region's tanks served from each batch."""
    count = batch_count(regions)
    shared = min(regions, MOST_BATCHES - 1)
    weights = np.zeros((regions, count))
    isolated = regions - 1 if eggs.isolated_last_region and regions >= 4 and count > shared + 1 else -1
    for region in range(regions):
        own, neighbour = region % shared, (region + 1) % shared
        weights[region, own] += eggs.own_batch_share
        if region == isolated:
            weights[region, shared + 1] += 1 - eggs.own_batch_share
            continue
        neighbour = 0 if neighbour == isolated else neighbour
        weights[region, neighbour] += eggs.neighbour_batch_share
        weights[region, shared] += eggs.shared_batch_share
    shares: Floats = weights / weights.sum(axis=1, keepdims=True)
    return shares


def deliver(
    seed: int,
    season_setups: pd.DataFrame,
    batches: pd.DataFrame,
    calendar: Calendar,
    plan: Plan,
    regions: list[str],
) -> pd.DataFrame:
    """The cohorts of one season: one row per tank, and one more for each second delivery.

    Columns: at (row of the tank in `season_setups`), the columns of `deliveries`, and hidden truth: batch
    (row of `batches`), eggs (true live eggs), hour (of the season), fraction (of development to hatch),
    is_second, lot effects.
    """
    rng = stream(seed, "deliveries", calendar.season)
    batch_of = _choose_batches(season_setups, batches, plan.eggs, regions, rng)
    trips = _trips(season_setups["region"].to_numpy(), batch_of, plan.eggs, rng)
    trip_facts = _trip_facts(trips, batches, calendar, plan, rng)
    cohorts = trips.merge(trip_facts, on="trip", how="left").sort_values("at", ignore_index=True)
    cohorts["eggs"] = _eggs(season_setups, plan.eggs, rng)
    cohorts["is_second"] = False
    second = _second_deliveries(cohorts, calendar, plan, rng)
    cohorts = pd.concat([cohorts, second], ignore_index=True) if len(second) else cohorts
    return _with_arrival(cohorts, batches, calendar, plan, rng)


def _choose_batches(
    setups: pd.DataFrame, batches: pd.DataFrame, eggs: EggsPlan, regions: list[str], rng: np.random.Generator
) -> np.ndarray:
    weights = batch_weights(len(regions), eggs)
    region_number = (
        setups["region"].map({region: number for number, region in enumerate(regions)}).to_numpy(dtype=int)
    )
    cumulative = np.cumsum(weights, axis=1)[region_number]
    draw = rng.random(len(setups))
    chosen: np.ndarray = np.minimum((draw[:, None] > cumulative).sum(axis=1), len(batches) - 1)
    return chosen


def _trips(region: np.ndarray, batch_of: np.ndarray, eggs: EggsPlan, rng: np.random.Generator) -> pd.DataFrame:
    """Tanks of one region and batch, shuffled and dealt to trips. Columns: at, batch, trip (code), order (of
    the trip)."""
    frame = pd.DataFrame({"at": np.arange(len(region)), "region": region, "batch": batch_of})
    frame = frame.iloc[rng.permutation(len(frame))]
    frame["order"] = frame.groupby(["region", "batch"]).cumcount() // eggs.tanks_per_trip
    frame["trip"] = [
        f"{r[:3].upper()}{b + 1}-{o + 1}"
        for r, b, o in zip(frame["region"], frame["batch"], frame["order"], strict=True)
    ]
    return frame.drop(columns="region")


def _trip_facts(
    trips: pd.DataFrame, batches: pd.DataFrame, calendar: Calendar, plan: Plan, rng: np.random.Generator
) -> pd.DataFrame:
    """One row per trip: its day and hour, transit, losses on the way, effects, and whether eggs were
    green."""
    facts = trips.drop_duplicates("trip").sort_values("trip")[["trip", "batch", "order"]].reset_index(drop=True)
    size = len(facts)
    kind = rng.random(size)
    facts["is_green"] = kind < plan.eggs.green_trip_share
    facts["is_late"] = (kind > 1 - plan.eggs.late_trip_share) & ~facts["is_green"]
    delay = np.round(facts["order"] * rng.exponential(plan.eggs.trip_spacing_days, size)).clip(0, 12)
    facts["day"] = [
        _trip_day(batches.iloc[b], bool(g), bool(late), int(d), calendar)
        for b, g, late, d in zip(facts["batch"], facts["is_green"], facts["is_late"], delay, strict=True)
    ]
    facts["hour_of_day"] = rng.integers(8, 16, size)
    facts["transit_hours"] = np.round(rng.gamma(4, 0.9, size) + 0.5, 1)
    facts["box_temp_c"] = np.round(rng.uniform(3, 9, size), 1)
    facts["dead_share"] = rng.beta(1, 100 / plan.eggs.dead_on_arrival_pct - 1, size)
    bad_trip = rng.random(size) < 0.03
    facts["dead_share"] = np.where(bad_trip, rng.beta(3, 6, size), facts["dead_share"])
    facts["lot_log_hazard"] = rng.normal(0, plan.eggs.lot_log_hazard_sd, size)
    return facts.drop(columns=["batch", "order"])


def _trip_day(batch: pd.Series, is_green: bool, is_late: bool, delay_days: int, calendar: Calendar) -> int:
    """The school day of a trip, from the fraction of development it waits for."""
    days_to_hatch = 1 / fraction_on_arrival(batch["species"], batch["hatchery_temp_c"], 1.0, batch["rate_factor"])
    waited = min(batch["target_fraction"] * days_to_hatch + delay_days, 0.8 * days_to_hatch)
    waited = 3.0 if is_green else 0.94 * days_to_hatch - 1 if is_late else waited
    spawned = calendar.day_of(np.datetime64(batch["spawned_on"], "D"))
    return calendar.trip_day(int(spawned + waited))


def _eggs(setups: pd.DataFrame, eggs: EggsPlan, rng: np.random.Generator) -> np.ndarray:
    """(tanks,) true live eggs delivered; tanks planted poor get the median."""
    size = len(setups)
    ordinary = np.clip(np.round(eggs.eggs_median * np.exp(rng.normal(0, eggs.eggs_log_sd, size))), 60, 300)
    small = rng.integers(30, 61, size)
    count = np.where(rng.random(size) < eggs.small_delivery_share, small, ordinary)
    return np.where(setups["poor"] != "", eggs.eggs_median, count).astype(np.int64)


def _second_deliveries(
    cohorts: pd.DataFrame, calendar: Calendar, plan: Plan, rng: np.random.Generator
) -> pd.DataFrame:
    """A second, smaller delivery of the same batch some days later, to a few tanks."""
    chosen = rng.random(len(cohorts)) < plan.eggs.second_delivery_share
    later = cohorts[chosen & ~cohorts["is_green"] & ~cohorts["is_late"]].copy()
    if later.empty:
        return later
    later["day"] = [
        calendar.next_school_day(int(day + extra))
        for day, extra in zip(later["day"], rng.integers(2, 7, len(later)), strict=True)
    ]
    later["eggs"] = rng.integers(20, 61, len(later))
    later["is_second"] = True
    later["trip"] = later["trip"] + "b"
    return later


def _with_arrival(
    cohorts: pd.DataFrame, batches: pd.DataFrame, calendar: Calendar, plan: Plan, rng: np.random.Generator
) -> pd.DataFrame:
    """Adds what the hatchery knew on arrival: fraction done, thermal units (true and as written), counts as
    written."""
    facts = batches.iloc[cohorts["batch"].to_numpy()].reset_index(drop=True)
    size = len(cohorts)
    spawned = (
        np.array([calendar.day_of(day) for day in facts["spawned_on"].to_numpy().astype("datetime64[D]")]) + 0.5
    )
    cohorts["hour"] = cohorts["day"] * 24 + cohorts["hour_of_day"]
    days = cohorts["hour"].to_numpy() / 24 - spawned
    cohorts["fraction"] = [
        fraction_on_arrival(s, t, d, r)
        for s, t, d, r in zip(facts["species"], facts["hatchery_temp_c"], days, facts["rate_factor"], strict=True)
    ]
    cohorts["is_late"] &= cohorts["fraction"] > 0.88
    cohorts["true_units_c_days"] = days * facts["hatchery_temp_c"].to_numpy()
    error = rng.normal(0, plan.eggs.units_at_delivery_sd_c_days, size)
    cohorts["thermal_units_at_delivery"] = np.round((cohorts["true_units_c_days"] + error).clip(0), 0)
    cohorts["hatchery_temp_c"] = facts["hatchery_temp_c"].to_numpy()
    cohorts["hour_known"] = rng.random(size) < 0.6
    cohorts["count_method"] = pick(rng, COUNT_METHODS, size)
    cohorts["eggs_live"] = written_count(cohorts["eggs"].to_numpy(), cohorts["count_method"].to_numpy(), plan, rng)
    cohorts["eggs_dead_on_arrival"] = rng.binomial(cohorts["eggs"], cohorts["dead_share"].clip(0, 0.8))
    return cohorts


def written_count(true_count: np.ndarray, method: np.ndarray, plan: Plan, rng: np.random.Generator) -> np.ndarray:
    """Counts as written down: each method has its relative error, and volumetric ones read high."""
    records = plan.records
    volumetric = np.isin(method, VOLUMETRIC)
    by_hand = np.where(method == "hand_twice", records.count_cv_hand_twice, records.count_cv_hand_once)
    spread = np.where(volumetric, records.count_cv_volumetric, by_hand)
    centre = np.where(volumetric, 1 + records.volumetric_bias, 1.0)
    written = np.round(true_count * (centre + spread * rng.normal(size=len(true_count))))
    # volumetric counts come in round numbers, as people pour them out
    written = np.where(volumetric, np.round(written / 5) * 5, written)
    count: np.ndarray = np.maximum(written, np.minimum(true_count, 1)).astype(np.int64)
    return count
