"""Egg batches, the trips that carry them, and what arrives in each tank."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from .development import TRUE_CURVES
from .plan import SPECIES, EggsPlan, RecordsPlan
from .scenario import Floats, Ints, Scenario, Season, pick

SPAWNING = {"chinook": "10-03", "coho": "11-08", "rainbow_trout": "12-18"}
"""Species: month and day about which it spawns."""
COUNT_METHODS = {"hand_twice": 0.25, "hand_once": 0.45, "weight": 0.10, "volume": 0.15, "displacement": 0.05}
VOLUMETRIC = ("weight", "volume", "displacement")
MOST_BATCHES = 6
STOCKS_PER_SPECIES = 2


def build_batches(scenario: Scenario) -> pd.DataFrame:
    """One row per batch of every season.

    Hidden columns: log_hazard, rate_factor, is_bad, days_to_hatch (at the hatchery's temperature),
    target_fraction (of development to hatch, for which its trips wait).
    """
    rng, stocks = scenario.stream("batches"), (len(SPECIES), STOCKS_PER_SPECIES)
    stock_effects = rng.normal(0, scenario.plan.eggs.stock_log_hazard_sd, stocks)
    return pd.DataFrame(
        [
            _batch(number, season, stock_effects, scenario, rng)
            for season in scenario.shape.years
            for number in range(batch_count(scenario.shape.regions))
        ]
    )


def _batch(
    number: int, season: int, stock_effects: Floats, scenario: Scenario, rng: np.random.Generator
) -> dict[str, Any]:
    """One batch of a season; stock_effects: (species, stocks) log hazards."""
    eggs, species = scenario.plan.eggs, species_of(number, scenario.shape.regions)
    stock = int(rng.integers(STOCKS_PER_SPECIES))
    luck = rng.normal(0, eggs.batch_log_hazard_sd) + stock_effects[SPECIES.index(species), stock]
    every = eggs.bad_batch_every_seasons
    is_bad = number == 0 and every > 0 and (season - scenario.shape.years[0]) % every == 0
    log_hazard = eggs.bad_batch_log_hazard if is_bad else luck
    drawn: dict[str, Any] = {
        "batch_id": f"B{season}-{species[:2].upper()}{number + 1}",
        "donor_stock": f"{species[:2].upper()}-{'Å' if stock else 'Y'}{stock + 1}",
        "species": species,
        "brood_year": season,
        "season": season,
        "log_hazard": log_hazard,
        "is_bad": is_bad,
        "spawned_on": np.datetime64(f"{season}-{SPAWNING[species]}") + int(rng.integers(-5, 6)),
        "females_pooled": int(rng.integers(3, 40)),
        # survival at the hatchery before the eyes show: poor batches show there first
        "green_to_eyed_pct": (100 * np.exp(-0.12 * np.exp(log_hazard + rng.normal(0, 0.4)))).clip(5, 99).round(1),
        "rate_factor": float(np.exp(rng.normal(0, scenario.plan.development.batch_log_rate_sd))),
        "hatchery_temp_c": round(rng.uniform(7.5, 11.0), 1),
        "target_fraction": rng.uniform(eggs.fraction_low, eggs.fraction_high - 0.02),
    }
    return drawn | {"days_to_hatch": TRUE_CURVES[species][0].days(drawn["hatchery_temp_c"])}


def batch_count(regions: int) -> int:
    """Batches a season: one per region, one shared by all, one more for the region that shares none."""
    return int(np.clip(regions + (2 if regions >= 4 else 1), 3, MOST_BATCHES))


def species_of(batch: int, regions: int) -> str:
    """The species of a batch: regional ones alternate between two, the rest are the third."""
    return SPECIES[2] if batch >= min(regions, MOST_BATCHES - 1) else SPECIES[(batch // 2) % 2]


def batch_weights(regions: int, eggs: EggsPlan) -> Floats:
    """(regions, batches) share of each region's tanks served from each batch."""
    count, shared = batch_count(regions), min(regions, MOST_BATCHES - 1)
    weights = np.zeros((regions, count))
    isolated = regions - 1 if eggs.isolated_last_region and regions >= 4 and count > shared + 1 else -1
    for region in range(regions):
        own, neighbour = region % shared, (region + 1) % shared
        weights[region, own] += eggs.own_batch_share
        if region == isolated:
            weights[region, shared + 1] += 1 - eggs.own_batch_share
        else:
            weights[region, 0 if neighbour == isolated else neighbour] += eggs.neighbour_batch_share
            weights[region, shared] += eggs.shared_batch_share
    return np.asarray(weights / weights.sum(axis=1, keepdims=True))


def deliver(season: Season) -> pd.DataFrame:
    """The cohorts of a season: one row per tank, and one more for each second delivery.

    Columns: at (row of the tank in the set-ups), the columns of `deliveries`, and hidden truth: batch (row of
    the batches), eggs (true live eggs), hour (of the season), fraction (of development to hatch), is_second,
    lot effects.
    """
    rng = season.stream("deliveries")
    trips = _trips(season, rng)
    cohorts = trips.merge(_trip_facts(trips, season, rng), on="trip").sort_values("at", ignore_index=True)
    cohorts["eggs"] = _eggs(season, rng)
    cohorts["is_second"] = False
    second = _second_deliveries(cohorts, season, rng)
    return _with_arrival(pd.concat([cohorts, second], ignore_index=True), season, rng)


def _trips(season: Season, rng: np.random.Generator) -> pd.DataFrame:
    """The batch of each tank, and the trip that brings it: tanks of one region and batch, shuffled and dealt to
    trips. Columns: at, batch, trip (code), order (of the trip)."""
    regions, eggs, region = season.scenario.regions, season.plan.eggs, season.setups["region"]
    cumulative = np.cumsum(batch_weights(len(regions), eggs), axis=1)[[regions.index(name) for name in region]]
    drawn = (rng.random(len(region))[:, None] > cumulative).sum(axis=1)
    batch = np.minimum(drawn, len(season.batches) - 1)
    frame = pd.DataFrame({"at": np.arange(len(region)), "region": region, "batch": batch})
    frame = frame.iloc[rng.permutation(len(frame))]
    frame["order"] = frame.groupby(["region", "batch"]).cumcount() // eggs.tanks_per_trip
    number = (frame["batch"] + 1).astype(str) + "-" + (frame["order"] + 1).astype(str)
    frame["trip"] = frame["region"].str[:3].str.upper() + number
    return frame.drop(columns="region")


def _trip_facts(trips: pd.DataFrame, season: Season, rng: np.random.Generator) -> pd.DataFrame:
    """One row per trip: its day and hour, transit, losses on the way, effects, and whether eggs were green."""
    eggs = season.plan.eggs
    facts = trips.drop_duplicates("trip").sort_values("trip")[["trip", "batch", "order"]].reset_index(drop=True)
    size = len(facts)
    kind = rng.random(size)
    facts["is_green"] = kind < eggs.green_trip_share
    facts["is_late"] = (kind > 1 - eggs.late_trip_share) & ~facts["is_green"]
    delay_days = np.round(facts["order"].to_numpy() * rng.exponential(eggs.trip_spacing_days, size)).clip(0, 12)
    facts["day"] = _trip_days(facts, delay_days, season)
    facts["hour_of_day"] = rng.integers(8, 16, size)
    facts["transit_hours"] = np.round(rng.gamma(4, 0.9, size) + 0.5, 1)
    facts["box_temp_c"] = np.round(rng.uniform(3, 9, size), 1)
    usual = rng.beta(1, 100 / eggs.dead_on_arrival_pct - 1, size)
    facts["dead_share"] = np.where(rng.random(size) < 0.03, rng.beta(3, 6, size), usual)
    facts["lot_log_hazard"] = rng.normal(0, eggs.lot_log_hazard_sd, size)
    return facts.drop(columns=["batch", "order"])


def _trip_days(trips: pd.DataFrame, delay_days: Floats, season: Season) -> Ints:
    """(trips,) the school day of each, from the fraction of development it waits for."""
    batches = season.batches.iloc[trips["batch"]]
    days_to_hatch = 1 / (batches["rate_factor"].to_numpy() / batches["days_to_hatch"].to_numpy())
    target = batches["target_fraction"].to_numpy() * days_to_hatch
    waited = np.minimum(target + delay_days, 0.8 * days_to_hatch)
    waited = np.select([trips["is_green"], trips["is_late"]], [3.0, 0.94 * days_to_hatch - 1], waited)
    spawned = season.calendar.day_of(batches["spawned_on"].to_numpy())
    return season.calendar.trip_day((spawned + waited).astype(np.int64))


def _eggs(season: Season, rng: np.random.Generator) -> Ints:
    """(tanks,) true live eggs delivered; tanks planted poor get the median."""
    eggs, size = season.plan.eggs, len(season.setups)
    usual = np.clip(np.round(eggs.eggs_median * np.exp(rng.normal(0, eggs.eggs_log_sd, size))), 60, 300)
    small = rng.integers(30, 61, size)
    count = np.where(rng.random(size) < eggs.small_delivery_share, small, usual)
    return np.where(season.ordinary, count, eggs.eggs_median).astype(np.int64)


def _second_deliveries(cohorts: pd.DataFrame, season: Season, rng: np.random.Generator) -> pd.DataFrame:
    """A second, smaller delivery of the same batch some days later, to a few tanks."""
    chosen = rng.random(len(cohorts)) < season.plan.eggs.second_delivery_share
    later = cohorts[chosen & ~cohorts["is_green"] & ~cohorts["is_late"]].copy()
    later["day"] = season.calendar.next_school_day(later["day"] + rng.integers(2, 7, len(later)))
    later["eggs"] = rng.integers(20, 61, len(later))
    return later.assign(is_second=True, trip=later["trip"] + "b")


def _with_arrival(cohorts: pd.DataFrame, season: Season, rng: np.random.Generator) -> pd.DataFrame:
    """Adds what the hatchery knew on arrival: fraction done, and units and counts, true and as written."""
    eggs, size = season.plan.eggs, len(cohorts)
    batches = season.batches.iloc[cohorts["batch"]].reset_index(drop=True)
    cohorts["hour"] = cohorts["day"] * 24 + cohorts["hour_of_day"]
    days = cohorts["hour"] / 24 - (season.calendar.day_of(batches["spawned_on"].to_numpy()) + 0.5)
    cohorts["fraction"] = days * batches["rate_factor"] / batches["days_to_hatch"]
    cohorts["is_late"] &= cohorts["fraction"] > 0.88
    cohorts["hatchery_temp_c"] = batches["hatchery_temp_c"]
    cohorts["true_units_c_days"] = days * batches["hatchery_temp_c"]
    error = rng.normal(0, eggs.units_at_delivery_sd_c_days, size)
    cohorts["thermal_units_at_delivery"] = np.round((cohorts["true_units_c_days"] + error).clip(0), 0)
    cohorts["hour_known"] = rng.random(size) < 0.6
    cohorts["count_method"] = pick(rng, COUNT_METHODS, size)
    cohorts["eggs_live"] = written_count(cohorts["eggs"], cohorts["count_method"], season.plan.records, rng)
    cohorts["eggs_dead_on_arrival"] = rng.binomial(cohorts["eggs"], cohorts["dead_share"].clip(0, 0.8))
    return cohorts


def written_count(true_count: Any, method: Any, records: RecordsPlan, rng: np.random.Generator) -> Ints:
    """(counts,) as written down: each method has its relative error, and volumetric ones read high."""
    volumetric = np.isin(method, VOLUMETRIC)
    by_hand = np.where(method == "hand_twice", records.count_cv_hand_twice, records.count_cv_hand_once)
    spread = np.where(volumetric, records.count_cv_volumetric, by_hand)
    centre = np.where(volumetric, 1 + records.volumetric_bias, 1.0)
    written = np.round(true_count * (centre + spread * rng.normal(size=len(true_count))))
    # volumetric counts come in round numbers, as people pour them out
    written = np.where(volumetric, np.round(written / 5) * 5, written)
    return np.asarray(np.maximum(written, np.minimum(true_count, 1)), dtype=np.int64)
