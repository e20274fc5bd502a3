"""What gets written down: setups, batches, deliveries, losses, stages and exits of one season, without
mistakes.

Every frame carries, beside the columns of its table, hidden columns that begin with an underscore: `_season`,
`_region` and `_at` (the tank's row), which later steps use to choose rows and files, and which are never
written.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import ndtri

from broodyear.schemas import table

from .frames import as_date, as_moment, given
from .plan import Plan
from .season import SeasonTruth
from .streams import Bools, Floats, Ints, pick, stream
from .survival import STAGES

STAGE_NAMES = ("eyed", "hatch_first", "hatch_half", "hatch_all", "button_up", "first_feeding")


def finish(frame: pd.DataFrame, name: str, truth: SeasonTruth) -> pd.DataFrame:
    """The declared columns of a table, then the hidden ones; `_at` must be present."""
    declared = [column for column in table(name).column_names if column in frame]
    hours = [column for column in frame if str(column).endswith("_has_hour")]
    region = truth.setups["region"].to_numpy()[frame["_at"].to_numpy(dtype=int)]
    hidden = frame.assign(_season=truth.calendar.season, _region=region)
    return hidden[[*declared, *hours, "_season", "_region", "_at"]].reset_index(drop=True)


def setups_written(truth: SeasonTruth, seed: int) -> pd.DataFrame:
    """The setups of a season, with the dates of filling and emptying and how it ended."""
    frame = truth.setups.copy()
    dates, fates = truth.calendar.dates, truth.fates
    frame["_at"] = np.arange(len(frame))
    first = truth.cohorts["day"].to_numpy()[truth.main]
    filled = truth.calendar.first + (first - frame["conditioning_days"].to_numpy(dtype=int))
    all_lost = fates.emptied_day < truth.schedule.close_day
    closed = np.where(all_lost, fates.emptied_day + 1, truth.schedule.close_day)
    silent = truth.silent_day <= closed
    frame["filled_on"] = as_date(filled)
    frame["closed_on"] = as_date(np.where(silent, np.datetime64("NaT"), dates[np.minimum(closed, len(dates) - 1)]))
    frame["end_reason"] = np.where(silent, "not_reported", np.where(all_lost, "lost_all", "released"))
    rng = stream(seed, "setup blanks", truth.calendar.season)
    for column, share in {
        "room_temp_c": 0.15,
        "differential_c": 0.2,
        "media_carried_over_pct": 0.1,
        "disinfection_hours": 0.2,
        "gravel_depth_cm": 0.15,
        "stone_diameter_mm": 0.1,
    }.items():
        frame[column] = frame[column].where(rng.random(len(frame)) >= share)
    return finish(frame, "setups", truth)


def deliveries_written(truth: SeasonTruth, plan: Plan, seed: int) -> pd.DataFrame:
    """The deliveries of a season; some hatcheries count in °F·d and say so."""
    rng = stream(seed, "deliveries written", truth.calendar.season)
    frame = truth.cohorts.copy()
    at, batch = frame["at"].to_numpy(), frame["batch"].to_numpy()
    frame["_at"] = at
    frame["tank_id"] = truth.setups["tank_id"].to_numpy()[at]
    frame["batch_id"] = truth.batches["batch_id"].to_numpy()[batch]
    frame["lot_id"] = [f"L{truth.calendar.season}-{trip}" for trip in frame["trip"]]
    moment = truth.calendar.first + np.zeros(len(frame), dtype=int)
    hours = np.where(frame["hour_known"], frame["hour"], frame["day"] * 24)
    frame["delivered_on"] = as_moment(moment.astype("datetime64[h]") + hours)
    frame["delivered_on_has_hour"] = frame["hour_known"].to_numpy(dtype=bool)
    frame["stage_at_delivery"] = np.where(frame["is_green"], "green", "eyed")
    in_f_days = rng.random(len(frame)) < plan.records.f_days_share
    frame["thermal_unit"] = np.where(in_f_days, "f_days", "c_days")
    units = frame["thermal_units_at_delivery"].to_numpy()
    frame["thermal_units_at_delivery"] = np.where(in_f_days, np.round(units * 1.8), units)
    hour = np.minimum(frame["hour"].to_numpy(dtype=int), truth.water.hourly_c.shape[1] - 1)
    frame["tank_temp_c"] = truth.water.hourly_c[at, hour].round(1)
    return finish(frame.sort_values(["tank_id", "hour"]), "deliveries", truth)


def losses_written(truth: SeasonTruth, plan: Plan, seed: int) -> pd.DataFrame:
    """The losses of a season, each tank in its own style: every look, weekly, or only when some were dead."""
    rng = stream(seed, "losses", truth.calendar.season)
    style = _styles(truth, plan, rng)
    open_days = open_days_of(truth)
    found = truth.fates.dead_found * open_days[None]
    found = np.where((style == "weekly")[None, :, None], _by_week(found, truth.looked & open_days), found)
    youngest = _youngest_stage(truth)
    looked_daily = truth.looked & open_days & (style == "daily")[:, None]
    frame = _stage_rows((found > 0) | (looked_daily[None] & youngest))
    frame["dead"] = found[frame["_stage"], frame["_at"], frame["_day"]].astype(float)
    frame["entry"] = given(rng.random(len(frame)) < 0.3, "counted")
    frame = pd.concat([frame, _unlooked_rows(truth, style, open_days, youngest, plan, rng)], ignore_index=True)
    frame["suspected_cause"] = _causes(frame, rng)
    frame["tank_id"] = truth.setups["tank_id"].to_numpy()[frame["_at"]]
    frame["checked_on"] = as_date(truth.calendar.dates[frame["_day"]])
    return finish(frame.sort_values(["_at", "_day", "stage"]), "losses", truth)


def _styles(truth: SeasonTruth, plan: Plan, rng: np.random.Generator) -> np.ndarray:
    """(tanks,) how each keeps its losses: daily, weekly or found."""
    daily, weekly = plan.records.daily_style_share, plan.records.weekly_style_share
    shares = {"daily": daily, "weekly": weekly, "found": 1 - daily - weekly}
    return pick(rng, shares, len(truth.setups))


def _youngest_stage(truth: SeasonTruth) -> Bools:
    """(3, tanks, days) True for the youngest stage there at the start of the day: one zero row a look."""
    alive = truth.fates.alive_by_day
    present = np.concatenate([alive[:, :, :1], alive[:, :, :-1]], axis=2) > 0
    youngest: Bools = present & (np.cumsum(present, axis=0) == 1)
    return youngest


def _stage_rows(rows: Bools) -> pd.DataFrame:
    """One row per True of (3, tanks, days): _stage, _at, _day and the name of the stage."""
    stage, at, day = np.nonzero(rows)
    return pd.DataFrame({"_stage": stage, "_at": at, "_day": day, "stage": np.array(STAGES, dtype=object)[stage]})


def open_days_of(truth: SeasonTruth) -> Bools:
    """(tanks, days) days on which a tank holds fish and still reports."""
    day = np.arange(truth.looked.shape[1])[None, :]
    first = truth.cohorts["day"].to_numpy()[truth.main][:, None]
    last = np.minimum(truth.schedule.close_day, truth.fates.emptied_day + 3)
    return (day >= first) & (day <= last[:, None]) & (day < truth.silent_day[:, None])


def _by_week(found: Ints, looked: Bools) -> Ints:
    """The week's dead, moved to the last look of the week."""
    moved = np.zeros_like(found)
    days = found.shape[2]
    for start in range(0, days, 7):
        week = slice(start, min(start + 7, days))
        looked_week = looked[:, week]
        last = looked_week.shape[1] - 1 - looked_week[:, ::-1].argmax(axis=1)
        moved[:, np.arange(found.shape[1]), start + last] = found[:, :, week].sum(axis=2)
    return moved


def _unlooked_rows(
    truth: SeasonTruth,
    style: np.ndarray,
    open_days: Bools,
    youngest: Bools,
    plan: Plan,
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Rows daily tanks keep for days nobody looked: blank at weekends, or `not_checked`."""
    blank = (style == "daily") & (rng.random(len(style)) < plan.records.blank_weekends_share)
    weekend = ~np.is_busday(truth.calendar.dates)
    frame = _stage_rows(youngest & (blank[:, None] & open_days & ~truth.looked & weekend[None, :])[None])
    says_so = (rng.random(len(style)) < 0.2)[frame["_at"]]
    return frame.assign(dead=np.nan, entry=given(says_so, "not_checked"))


def _causes(frame: pd.DataFrame, rng: np.random.Generator) -> np.ndarray:
    """Suspected causes, given now and then."""
    size = len(frame)
    causes = pick(
        rng, {"unknown": 0.4, "fungus": 0.25, "water_quality": 0.15, "handling": 0.1, "other": 0.1}, size
    )
    named = (rng.random(size) < 0.15) & (frame["dead"].fillna(0).to_numpy() > 0)
    return given(named, causes)


def stages_written(truth: SeasonTruth, plan: Plan, seed: int) -> pd.DataFrame:
    """Development events as intervals between looks. An event of day d is seen at the first look on or after
    d."""
    rng = stream(seed, "stages", truth.calendar.season)
    events = _event_days(truth, plan, rng)
    open_days = truth.looked & open_days_of(truth)
    rows = []
    for number, name in enumerate(STAGE_NAMES):
        kept = rng.random(len(truth.setups)) < plan.records.stage_recorded_share
        with_absent = rng.random(len(truth.setups)) < plan.records.last_absent_recorded_share
        for at in np.flatnonzero(kept & np.isfinite(events[number])):
            row = _interval(open_days[at], events[number][at], name == "first_feeding")
            if row is not None:
                rows.append((at, name, row[0] if with_absent[at] else -1, row[1]))
    frame = pd.DataFrame(rows, columns=["_at", "stage", "absent", "seen"])
    said = rng.random((2, len(frame)))
    frame["dating"] = given((said < [[0.05], [0.5]]).any(axis=0), np.where(said[0] < 0.05, "inferred", "seen"))
    frame["tank_id"] = truth.setups["tank_id"].to_numpy()[frame["_at"].to_numpy(dtype=int)]
    dates = truth.calendar.dates
    frame["first_seen_on"] = as_date(dates[frame["seen"].to_numpy(dtype=int)])
    absent = frame["absent"].to_numpy(dtype=int)
    frame["last_absent_on"] = as_date(np.where(absent >= 0, dates[np.maximum(absent, 0)], np.datetime64("NaT")))
    return finish(frame.sort_values(["_at", "seen"], kind="stable"), "stages", truth)


def _event_days(truth: SeasonTruth, plan: Plan, rng: np.random.Generator) -> list[Floats]:
    """Fractional day of each stage event of each tank's main cohort, in the order of STAGE_NAMES."""
    main, progress, spread = truth.main, truth.progress, plan.development
    eggs = truth.cohorts["eggs"].to_numpy()[main]
    first, last = ndtri(1 / (eggs + 1)), ndtri(eggs / (eggs + 1))
    tanks = len(main)
    return [
        progress.eyed_day[main],
        _crossing(progress.to_hatch[main], 1 + spread.hatch_spread_fraction * first),
        progress.hatch_day[main] + rng.normal(0, spread.hatch_reader_sd_days, tanks),
        _crossing(progress.to_hatch[main], 1 + spread.hatch_spread_fraction * last),
        progress.button_up_day[main] + rng.normal(0, spread.button_up_reader_sd_days, tanks),
        truth.feeding_day[main],
    ]


def _crossing(by_day: Floats, level: Floats) -> Floats:
    """(tanks,) fractional day on which development passes a level; nan when never, or when passed on
    arrival."""
    passed = by_day >= level[:, None]
    day = passed.argmax(axis=1)
    rows = np.arange(len(level))
    before = by_day[rows, np.maximum(day - 1, 0)]
    share = (level - before) / np.maximum(by_day[rows, day] - before, 1e-12)
    return np.where(passed.any(axis=1) & (day > 0), day + np.clip(share, 0, 0.999), np.nan)


def _interval(looked: Bools, event_day: float, is_action: bool) -> tuple[int, int] | None:
    """(last look without, first look with) of an event; feeding is an action and has no look before it."""
    days = np.flatnonzero(looked)
    after = days[days >= int(event_day)]
    before = days[days < int(event_day)]
    if not after.size or (not before.size and not is_action):
        return None
    return (-1 if is_action or not before.size else int(before[-1])), int(after[0])
