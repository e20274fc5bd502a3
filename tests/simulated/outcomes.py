"""Tank-season outcomes straight from a simulated programme, for analyses tried on many programmes without a
store.

The counts are worked out from the records as kept (not from the truth): live eggs delivered as counted, dead
as found, fish as counted out. Columns carry the names of the derived table `tank_outcomes`, as far as the
simulator knows them.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from broodyear.synthetic.effects import OUTCOMES
from broodyear.synthetic.programme import Programme
from broodyear.synthetic.season import SeasonTruth

CONTEXT = [
    "season",
    "tank_id",
    "site_id",
    "region",
    "site_kind",
    "water_source",
    "weekend_access",
    "room_type",
    "room_temp_c",
    "gravel_practice",
    "light_cover",
    "insulated",
    "set_point_c",
    "differential_c",
    "disinfectant",
    "conditioning_days",
    "media_carried_over_pct",
    "volume_l",
    "filter_kind",
    "has_logger",
]


def outcome_rows(programme: Programme, *, every_dead_egg: bool = False) -> pd.DataFrame:
    """Three rows per tank-season: outcome, eggs (trials), survivors (missing where unusable), usable,
    context.

    Outcomes: hatch (hatched of delivered), hatch_to_release (left alive of hatched), delivered_to_release.
    `survivors` is capped at `eggs`; `raw_survivors` is not. A tank that fell silent is not usable.
    `mean_water_temp_c` is the true mean over the outcome's time at risk. every_dead_egg: none of them missed.
    """
    parts = [_season_outcomes(truth, programme, every_dead_egg) for truth in programme.seasons]
    return pd.concat(parts, ignore_index=True)


def _season_outcomes(truth: SeasonTruth, programme: Programme, every_dead_egg: bool) -> pd.DataFrame:
    context = _context(truth)
    eggs, hatched, left = _counts(truth, programme)
    if every_dead_egg:
        hatched = eggs - truth.fates.dead[0]
    counts = {"hatch": (eggs, hatched), "hatch_to_release": (hatched, left), "delivered_to_release": (eggs, left)}
    known = truth.reaches()
    parts = []
    for outcome, stages in OUTCOMES.items():
        warmth = context.assign(mean_water_temp_c=_mean_water_c(truth, stages))
        parts.append(_outcome(warmth, outcome, *counts[outcome], known[outcome]))
    return pd.concat(parts, ignore_index=True)


def _mean_water_c(truth: SeasonTruth, stages: tuple[int, ...]) -> np.ndarray:
    """(tanks,) true mean water temperature, °C, while the median fish was in these stages; nan for none."""
    days = np.asarray(truth.hazard.in_stage[list(stages)].any(axis=0))[truth.main]
    daily = truth.water.daily_mean_c()
    total = np.where(days, daily, 0.0).sum(axis=1)
    mean: np.ndarray = np.where(days.any(axis=1), total / np.maximum(days.sum(axis=1), 1), np.nan).round(3)
    return mean


def _counts(truth: SeasonTruth, programme: Programme) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(eggs delivered, hatched, left alive) of each tank, as the records have them."""
    season, tanks = truth.calendar.season, len(truth.setups)
    deliveries = _of(programme.clean.deliveries, season)
    eggs = np.bincount(deliveries["_at"], deliveries["eggs_live"], tanks).astype(np.int64)
    dead_eggs = (truth.fates.dead_found[0] * truth.open_days).sum(axis=1)
    exits = _of(programme.clean.exits, season)
    kept = exits["fate"].isin(["released", "transferred_out", "retained"]) | (exits["reason"] == "surplus")
    sign = kept.astype(int) - (exits["fate"] == "transferred_in").astype(int)
    left = np.bincount(exits["_at"].astype(int), exits["count"] * sign, tanks).astype(np.int64)
    return eggs, eggs - dead_eggs, left


def _of(frame: pd.DataFrame, season: int) -> pd.DataFrame:
    return frame[frame["_season"] == season]


def _context(truth: SeasonTruth) -> pd.DataFrame:
    setups, cohorts = truth.setups, truth.cohorts.iloc[truth.main].reset_index(drop=True)
    frame = setups[CONTEXT].copy()
    frame["chiller_age_years"] = setups["season"] - setups["chiller_year"]
    frame["site_seasons"] = setups["seasons_before"] + 1
    for column in ("batch_id", "species", "donor_stock"):
        frame[column] = truth.of_batch(column)[truth.main]
    frame["lot_id"] = [f"L{truth.calendar.season}-{trip}" for trip in cohorts["trip"]]
    frame["delivered_on"] = truth.calendar.dates[cohorts["day"].to_numpy()]
    frame["units_at_delivery_c_days"] = cohorts["true_units_c_days"].round(1)
    frame["hatchery_temp_c"], frame["transit_hours"] = cohorts["hatchery_temp_c"], cohorts["transit_hours"]
    frame["stage_at_delivery"] = np.where(cohorts["is_green"], "green", "eyed")
    frame["count_method"] = cohorts["count_method"]
    return frame


def _outcome(
    context: pd.DataFrame, outcome: str, eggs: np.ndarray, survivors: np.ndarray, usable: np.ndarray
) -> pd.DataFrame:
    frame = context.assign(outcome=outcome, eggs=eggs, raw_survivors=survivors, usable=usable & (eggs > 0))
    capped = pd.Series(np.clip(survivors, 0, np.maximum(eggs, 0)), index=frame.index, dtype="Int64")
    frame["survivors"] = capped.where(frame["usable"])
    return frame
