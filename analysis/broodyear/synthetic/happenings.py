"""What gets written down of incidents, interventions and water tests."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .frames import as_date, as_moment, given
from .plan import Plan
from .records import finish, open_days_of
from .season import SeasonTruth
from .streams import Floats, Ints, stream

TEST_EVERY_DAYS = 9
ANALYTES = ("total_ammonia_n", "nitrite_n", "ph", "dissolved_oxygen")
KIT_LIMITS = {"total_ammonia_n": 0.25, "nitrite_n": 0.05}


def incidents_written(truth: SeasonTruth, plan: Plan, seed: int) -> pd.DataFrame:
    """Interruptions someone noticed, and the interventions people made."""
    rng = stream(seed, "incidents written", truth.calendar.season)
    frame = truth.incidents[truth.incidents["kind"] != ""].copy()
    frame = frame[rng.random(len(frame)) < plan.water.incident_reported_share]
    frame["extreme_temp_c"] = _extremes(
        truth, frame["at"].to_numpy(), frame["start_hour"].to_numpy(), frame["end_hour"].to_numpy()
    )
    thermal = frame["kind"].isin(["chiller_stopped", "power_cut", "ice_on_exchanger"]) & (
        rng.random(len(frame)) < 0.7
    )
    frame["extreme_temp_c"] = frame["extreme_temp_c"].where(thermal)
    frame["water_changed_pct"] = np.where(frame["kind"] == "tap_water_added", 30.0, np.nan)
    frame = pd.concat([frame, _water_changes(truth, rng)], ignore_index=True)
    frame = frame[frame["start_hour"] // 24 <= truth.silent_day[frame["at"].to_numpy(dtype=int)]]
    frame = frame[frame["start_hour"] // 24 <= truth.schedule.close_day[frame["at"].to_numpy(dtype=int)]]
    return _timed(frame, truth, rng)


def _timed(frame: pd.DataFrame, truth: SeasonTruth, rng: np.random.Generator) -> pd.DataFrame:
    """Adds tank and moments; some people know the hour, some only the day, some never saw the end."""
    frame = frame.rename(columns={"at": "_at"})
    frame["tank_id"] = truth.setups["tank_id"].to_numpy()[frame["_at"].to_numpy(dtype=int)]
    known = rng.random(len(frame)) < 0.6
    start, end = frame["start_hour"].to_numpy(dtype=int), frame["end_hour"].to_numpy(dtype=int)
    frame["started_at"] = _moments(truth, np.where(known, start, start // 24 * 24))
    frame["ended_at"] = _moments(truth, np.where(known, end, end // 24 * 24))
    frame["started_at_has_hour"] = frame["ended_at_has_hour"] = known
    unseen = (rng.random(len(frame)) < 0.25) | (frame["kind"] == "water_change")
    frame["ended_at"] = frame["ended_at"].where(~unseen)
    frame = frame.drop_duplicates(["_at", "started_at", "kind"])
    return finish(frame.sort_values(["_at", "start_hour", "kind"]), "incidents", truth)


def _extremes(truth: SeasonTruth, at: Ints, start: Ints, end: Ints) -> Floats:
    """Warmest water during each event, °C."""
    hourly = truth.water.hourly_c
    return np.array(
        [hourly[a, s : e + 6].max().round(1) for a, s, e in zip(at, start, end, strict=True)], dtype=float
    )


def _water_changes(truth: SeasonTruth, rng: np.random.Generator) -> pd.DataFrame:
    """Most tanks change part of the water every fortnight once there are fry."""
    rows = []
    fry = np.nan_to_num(truth.progress.button_up_day[truth.main], nan=1e9)
    for at in np.flatnonzero(rng.random(len(fry)) < 0.6):
        day = fry[at] + rng.integers(3, 14)
        while day < min(truth.schedule.close_day[at], truth.fates.emptied_day[at]):
            school_day = truth.calendar.next_school_day(int(day))
            hour = school_day * 24 + int(rng.integers(9, 15))
            rows.append((at, "water_change", hour, hour + 1, float(rng.choice([10, 20, 25, 30, 50]))))
            day += 14
    return pd.DataFrame(rows, columns=["at", "kind", "start_hour", "end_hour", "water_changed_pct"])


def water_tests_written(truth: SeasonTruth, plan: Plan, seed: int) -> pd.DataFrame:
    """Kits every week or two at half of the tanks; nitrite peaks where no filter media was carried over."""
    rng = stream(seed, "water tests", truth.calendar.season)
    testing = rng.random(len(truth.setups)) < 0.55
    days = truth.looked & open_days_of(truth) & testing[:, None]
    phase = rng.integers(0, TEST_EVERY_DAYS, len(truth.setups))
    days &= (np.arange(days.shape[1])[None, :] + phase[:, None]) % TEST_EVERY_DAYS < 2
    at, day = np.nonzero(days)
    values = _water(truth, at, day, rng)
    parts = [pd.DataFrame({"_at": at, "_day": day, "analyte": name, "value": values[name]}) for name in ANALYTES]
    frame = pd.concat([*parts, _tap_water(truth, testing, rng)], ignore_index=True)
    frame = frame[rng.random(len(frame)) < 0.8]
    limit = frame["analyte"].map(KIT_LIMITS).fillna(0.0).to_numpy()
    below = frame["value"].to_numpy() < limit
    frame["value"] = np.where(below, limit, frame["value"].round(2))
    frame["below_detection"] = pd.array(given(below, True), dtype="boolean")
    frame["unit"] = np.where(frame["analyte"] == "ph", "ph", "mg_l")
    frame["tank_id"] = truth.setups["tank_id"].to_numpy()[frame["_at"].to_numpy(dtype=int)]
    frame["tested_on"] = as_date(truth.calendar.dates[frame["_day"].to_numpy(dtype=int)])
    return finish(frame.sort_values(["_at", "_day", "analyte"]), "water_tests", truth)


def _water(truth: SeasonTruth, at: Ints, day: Ints, rng: np.random.Generator) -> dict[str, Floats]:
    """Ammonia rises with feeding, then nitrite; both stay low where live media was kept."""
    fed_days = day - np.nan_to_num(truth.feeding_day[truth.main], nan=1e9)[at]
    fed = np.clip(fed_days / 15.0, 0, 1)
    new_filter = (truth.setups["media_carried_over_pct"].to_numpy() == 0)[at]
    noise = np.exp(rng.normal(0, 0.4, (2, len(at))))
    peak = np.exp(-(((fed_days - 22) / 9.0) ** 2)) * new_filter
    cold = truth.water.daily_mean_c()[at, day]
    return {
        "total_ammonia_n": (0.08 + fed * np.where(new_filter, 0.7, 0.25)) * noise[0],
        "nitrite_n": (0.02 + 0.05 * fed + 0.6 * peak) * noise[1],
        "ph": np.clip(7.3 + rng.normal(0, 0.25, len(at)), 6.0, 8.6).round(1),
        "dissolved_oxygen": np.clip(14.2 - 0.33 * cold + rng.normal(0, 0.5, len(at)), 4, 14).round(1),
    }


def _tap_water(truth: SeasonTruth, testing: np.ndarray, rng: np.random.Generator) -> pd.DataFrame:
    """Hardness, alkalinity, chlorine and nitrate once, when the tank is new."""
    at = np.flatnonzero(testing)
    day = truth.cohorts["day"].to_numpy()[truth.main][at]
    day = np.array([truth.calendar.next_school_day(int(d)) for d in day])
    base = {
        "hardness_caco3": rng.uniform(20, 200, len(at)).round(0),
        "alkalinity_caco3": rng.uniform(20, 150, len(at)).round(0),
        "total_chlorine": rng.choice([0.0, 0.0, 0.0, 0.02], len(at)),
        "nitrate_n": rng.uniform(0, 10, len(at)).round(0),
    }
    return pd.concat([pd.DataFrame({"_at": at, "_day": day, "analyte": k, "value": v}) for k, v in base.items()])


def _moments(truth: SeasonTruth, hours: Ints) -> np.ndarray:
    """Moments of hours of the simulated season."""
    return as_moment(truth.calendar.first.astype("datetime64[h]") + hours)
