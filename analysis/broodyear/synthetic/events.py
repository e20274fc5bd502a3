"""What gets written down of fish that left, of incidents and interventions, and of water tests."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .batches import written_count
from .records import finish, given
from .scenario import Floats, Ints, pick
from .season import SeasonTruth

EXIT_METHODS = {"hand_once": 0.75, "hand_twice": 0.25}
FEWEST_COUNTED_WITH_ERROR = 20
"""Smaller groups are counted right."""
TEST_EVERY_DAYS = 9
KIT_LIMITS = {"total_ammonia_n": 0.25, "nitrite_n": 0.05}
THERMAL = ("chiller_stopped", "power_cut", "ice_on_exchanger")


def exits_written(truth: SeasonTruth) -> pd.DataFrame:
    """Fish that left: releases, transfers, some kept back, some put down, escapes now and then seen."""
    records, rng = truth.plan.records, truth.stream("exits written")
    surplus = _some(records.surplus_share, 60, (10, 30), truth, rng)
    parts = []
    for count, day, fate in _groups(truth, surplus, rng):
        at = np.flatnonzero((count > 0) & (day >= 0) & (day < truth.silent_day))
        parts.append(pd.DataFrame({"_at": at, "_day": day[at], "fate": fate, "count": count[at]}))
    frame = pd.concat(parts, ignore_index=True)
    frame["reason"] = given((frame["fate"] == "euthanised") & (surplus[frame["_at"]] > 0), "surplus")
    frame["count_method"] = pick(rng, EXIT_METHODS, len(frame))
    is_large = (frame["fate"] == "released") & (frame["count"] > FEWEST_COUNTED_WITH_ERROR)
    written = written_count(frame["count"], frame["count_method"], records, rng)
    frame["count"] = np.where(is_large, written, frame["count"])
    frame["exited_on"] = truth.calendar.date(frame["_day"])
    return finish(frame.sort_values(["_at", "_day", "fate"]), "exits", truth)


def _some(
    share: float, fewest_left: int, between: tuple[int, int], truth: SeasonTruth, rng: np.random.Generator
) -> Ints:
    """(tanks,) how many fish a share of the tanks sets aside, where enough are left; 0 elsewhere."""
    left = truth.fates.left
    chosen = (rng.random(len(left)) < share) & (left > fewest_left)
    return np.where(chosen, rng.integers(*between, len(left)), 0)


def _groups(truth: SeasonTruth, surplus: Ints, rng: np.random.Generator) -> list[tuple[Ints, Ints, str]]:
    """(counts, days, fate) by tank of every kind of exit."""
    fates, schedule, records, close_day = truth.fates, truth.schedule, truth.plan.records, truth.close_day
    kept_back = _some(records.kept_back_share, 12, (2, 7), truth, rng)
    sick = _some(records.sick_share, 30, (1, 8), truth, rng)
    put_down = np.where(surplus > 0, surplus, sick)
    seen = np.where(rng.random(len(surplus)) < records.escape_seen_share, fates.escaped, 0)
    receiving_day, sends = np.full(len(surplus), -1), schedule.move_to >= 0
    receiving_day[schedule.move_to[sends]] = schedule.move_day[sends]
    return [
        (fates.left - kept_back - put_down, close_day, "released"),
        (fates.partial, schedule.partial_day, "released"),
        (kept_back, close_day, "retained"),
        (put_down, close_day, "euthanised"),
        (seen, schedule.escape_day + 1, "escaped"),
        (fates.moved_out, schedule.move_day, "transferred_out"),
        (fates.moved_in, receiving_day, "transferred_in"),
    ]


def incidents_written(truth: SeasonTruth) -> pd.DataFrame:
    """Interruptions noticed and interventions made; some know the hour, some the day, some never saw the end."""
    rng = truth.stream("incidents written")
    frame = truth.incidents[truth.incidents["kind"] != ""]
    frame = frame[rng.random(len(frame)) < truth.plan.water.incident_reported_share]
    noted = frame["kind"].isin(THERMAL) & (rng.random(len(frame)) < 0.7)
    frame = frame.assign(
        extreme_temp_c=pd.Series(_warmest(frame, truth), index=frame.index).where(noted),
        water_changed_pct=np.where(frame["kind"] == "tap_water_added", 30.0, np.nan),
    )
    frame = pd.concat([frame, _water_changes(truth, rng)], ignore_index=True).rename(columns={"at": "_at"})
    last_day = np.minimum(truth.silent_day, truth.close_day)[frame["_at"]]
    frame = frame[frame["start_hour"] // 24 <= last_day]
    known = rng.random(len(frame)) < 0.6
    for moment, hour in (("started_at", frame["start_hour"]), ("ended_at", frame["end_hour"])):
        frame[moment] = truth.calendar.moment(np.where(known, hour, hour // 24 * 24))
        frame[f"{moment}_has_hour"] = known
    unseen = (rng.random(len(frame)) < 0.25) | (frame["kind"] == "water_change")
    frame["ended_at"] = frame["ended_at"].where(~unseen)
    frame = frame.drop_duplicates(["_at", "started_at", "kind"])
    return finish(frame.sort_values(["_at", "start_hour", "kind"]), "incidents", truth)


def _warmest(incidents: pd.DataFrame, truth: SeasonTruth) -> Floats:
    """(incidents,) warmest water during each, °C."""
    events = zip(incidents["at"], incidents["start_hour"], incidents["end_hour"], strict=True)
    warmest = [truth.water.hourly_c[at, start : end + 6].max() for at, start, end in events]
    return np.array(warmest, dtype=float).round(1)


def _water_changes(truth: SeasonTruth, rng: np.random.Generator) -> pd.DataFrame:
    """Most tanks change part of the water every fortnight once there are fry."""
    rows, last_day = [], np.minimum(truth.close_day, truth.fates.emptied_day)
    for at in np.flatnonzero(rng.random(len(last_day)) < 0.6):
        day = truth.fry_day[at] + rng.integers(3, 14)
        while day < last_day[at]:
            hour = truth.calendar.next_school_day(int(day)) * 24 + int(rng.integers(9, 15))
            rows.append((at, "water_change", hour, hour + 1, float(rng.choice([10, 20, 25, 30, 50]))))
            day += 14
    return pd.DataFrame(rows, columns=["at", "kind", "start_hour", "end_hour", "water_changed_pct"])


def water_tests_written(truth: SeasonTruth) -> pd.DataFrame:
    """Kits every week or two at half of the tanks; nitrite peaks where no filter media was carried over."""
    rng, tanks = truth.stream("water tests"), len(truth.setups)
    testing = rng.random(tanks) < 0.55
    phase = rng.integers(0, TEST_EVERY_DAYS, tanks)[:, None]
    is_due = (np.arange(truth.looked.shape[1]) + phase) % TEST_EVERY_DAYS < 2
    at, day = np.nonzero(truth.looked & truth.open_days & testing[:, None] & is_due)
    once, first_day = np.flatnonzero(testing), truth.calendar.next_school_day(truth.first_day[testing])
    groups = [(at, day, _water(truth, at, day, rng)), (once, first_day, _tap_water(len(once), rng))]
    frame = pd.concat(
        [
            pd.DataFrame({"_at": tank, "_day": on, "analyte": analyte, "value": value})
            for tank, on, values in groups
            for analyte, value in values.items()
        ],
        ignore_index=True,
    )
    frame = frame[rng.random(len(frame)) < 0.8]
    limit = frame["analyte"].map(KIT_LIMITS).fillna(0.0)
    below = frame["value"] < limit
    frame["value"] = np.where(below, limit, frame["value"].round(2))
    frame["below_detection"] = below.astype("boolean").where(below)
    frame["unit"] = np.where(frame["analyte"] == "ph", "ph", "mg_l")
    frame["tested_on"] = truth.calendar.date(frame["_day"])
    return finish(frame.sort_values(["_at", "_day", "analyte"]), "water_tests", truth)


def _water(truth: SeasonTruth, at: Ints, day: Ints, rng: np.random.Generator) -> dict[str, Floats]:
    """Ammonia rises with feeding, then nitrite; both stay low where live media was kept."""
    fed_days = day - np.nan_to_num(truth.feeding_day[truth.main], nan=1e9)[at]
    fed = np.clip(fed_days / 15.0, 0, 1)
    new_filter = (truth.tank("media_carried_over_pct") == 0)[at]
    noise = np.exp(rng.normal(0, 0.4, (2, len(at))))
    peak = np.exp(-(((fed_days - 22) / 9.0) ** 2)) * new_filter
    water_c = truth.water.daily_mean_c()[at, day]
    return {
        "total_ammonia_n": (0.08 + fed * np.where(new_filter, 0.7, 0.25)) * noise[0],
        "nitrite_n": (0.02 + 0.05 * fed + 0.6 * peak) * noise[1],
        "ph": np.clip(7.3 + rng.normal(0, 0.25, len(at)), 6.0, 8.6).round(1),
        "dissolved_oxygen": np.clip(14.2 - 0.33 * water_c + rng.normal(0, 0.5, len(at)), 4, 14).round(1),
    }


def _tap_water(tests: int, rng: np.random.Generator) -> dict[str, Floats]:
    """Hardness, alkalinity, chlorine and nitrate once, when the tank is new."""
    return {
        "hardness_caco3": rng.uniform(20, 200, tests).round(0),
        "alkalinity_caco3": rng.uniform(20, 150, tests).round(0),
        "total_chlorine": rng.choice([0.0, 0.0, 0.0, 0.02], tests),
        "nitrate_n": rng.uniform(0, 10, tests).round(0),
    }
