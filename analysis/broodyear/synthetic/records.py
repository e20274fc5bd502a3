"""What gets written down of a season without mistakes: setups, batches, deliveries, losses, stages, readings.

Every frame carries, beside the columns of its table, hidden columns that begin with an underscore: `_season`,
`_region` and `_at` (the tank's row), which later steps use to choose rows and files, and which are never
written.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtri

from broodyear.schemas import table

from .development import crossing
from .scenario import SIMULATED_DAYS, Bools, Floats, Ints, pick
from .season import SeasonTruth
from .survival import STAGES

BLANK_SHARES = {
    "room_temp_c": 0.15,
    "differential_c": 0.2,
    "media_carried_over_pct": 0.1,
    "disinfection_hours": 0.2,
    "gravel_depth_cm": 0.15,
    "stone_diameter_mm": 0.1,
}
"""Column of the set-ups: share of tanks that leave it blank."""
CAUSES = {"unknown": 0.4, "fungus": 0.25, "water_quality": 0.15, "handling": 0.1, "other": 0.1}
INSTRUMENTS = np.array(["logger", "thermometer", "controller"], dtype=object)
LOGGER_ERROR_SD_C = 0.04


def given(condition: Any, value: Any) -> pd.Series[Any]:
    """A column of rows numbered from 0: `value` (one, or one per row) where the condition holds, None elsewhere.

    It stays one of plain objects: half a million readings are slow to turn into strings of pandas.
    """
    chosen = np.where(np.asarray(condition, dtype=bool), np.asarray(value, dtype=object), np.array(None))
    return pd.Series(chosen, dtype=object)


def rows_by(frame: pd.DataFrame, columns: list[str], where: Any = None) -> list[tuple[Any, Ints]]:
    """(values of two or more columns, positions of their rows) of each group, in order of the values.

    where: of these rows only, (rows,) bool; of all when None.
    """
    rows = np.arange(len(frame)) if where is None else np.flatnonzero(where)
    groups: dict[Any, Any] = frame[columns].iloc[rows].groupby(columns, observed=True).indices
    return [(key, rows[positions]) for key, positions in sorted(groups.items())]


def finish(frame: pd.DataFrame, name: str, truth: SeasonTruth) -> pd.DataFrame:
    """The declared columns of a table, tank_id from `_at` (which must be present), then the hidden ones."""
    tanks = truth.setups[["tank_id", "region"]].astype(object).iloc[frame["_at"]].set_index(frame.index)
    frame = frame.assign(tank_id=tanks["tank_id"], _season=truth.calendar.season, _region=tanks["region"])
    declared = [column for column in table(name).column_names if column in frame]
    hours = [column for column in frame if str(column).endswith("_has_hour")]
    return frame[[*declared, *hours, "_season", "_region", "_at"]].reset_index(drop=True)


def batches_written(truth: SeasonTruth) -> pd.DataFrame:
    """Batches that reached a tank."""
    frame = truth.batches.iloc[np.unique(truth.cohorts["batch"])]
    frame = frame.assign(_at=0, spawned_on=frame["spawned_on"].astype("datetime64[us]"))
    return finish(frame, "batches", truth).assign(_region="")


def setups_written(truth: SeasonTruth) -> pd.DataFrame:
    """The setups of a season, with the dates of filling and emptying and how it ended."""
    frame, fates, rng = truth.setups.copy(), truth.fates, truth.stream("setup blanks")
    all_lost = fates.emptied_day < truth.close_day
    closed = np.where(all_lost, fates.emptied_day + 1, truth.close_day)
    silent = truth.silent_day <= closed
    frame["_at"] = np.arange(len(frame))
    frame["filled_on"] = truth.calendar.date(truth.first_day - truth.tank("conditioning_days"))
    frame["closed_on"] = truth.calendar.date(np.minimum(closed, SIMULATED_DAYS - 1), ~silent)
    frame["end_reason"] = np.select([silent, all_lost], ["not_reported", "lost_all"], "released")
    for column, share in BLANK_SHARES.items():
        frame[column] = frame[column].where(rng.random(len(frame)) >= share)
    return finish(frame, "setups", truth)


def deliveries_written(truth: SeasonTruth) -> pd.DataFrame:
    """The deliveries of a season; some hatcheries count in °F·d and say so."""
    frame, rng = truth.cohorts.rename(columns={"at": "_at"}), truth.stream("deliveries written")
    frame["batch_id"] = truth.of_batch("batch_id")
    frame["lot_id"] = f"L{truth.calendar.season}-" + frame["trip"]
    frame["delivered_on"] = truth.calendar.moment(frame["hour"].where(frame["hour_known"], frame["day"] * 24))
    frame["delivered_on_has_hour"] = frame["hour_known"]
    frame["stage_at_delivery"] = np.where(frame["is_green"], "green", "eyed")
    in_f_days = rng.random(len(frame)) < truth.plan.records.f_days_share
    frame["thermal_unit"] = np.where(in_f_days, "f_days", "c_days")
    units = frame["thermal_units_at_delivery"]
    frame["thermal_units_at_delivery"] = np.where(in_f_days, np.round(units * 1.8), units)
    frame["tank_temp_c"] = truth.water.hourly_c[truth.at, frame["hour"]].round(1)
    frame["_label"] = truth.tank("tank_id")[truth.at]
    return finish(frame.sort_values(["_label", "hour"]), "deliveries", truth)


def losses_written(truth: SeasonTruth) -> pd.DataFrame:
    """The losses of a season, each tank in its own style: every look, weekly, or only when some were dead."""
    records, rng, open_days = truth.plan.records, truth.stream("losses"), truth.open_days
    daily, weekly = records.daily_style_share, records.weekly_style_share
    style = pick(rng, {"daily": daily, "weekly": weekly, "found": 1 - daily - weekly}, len(open_days))
    looked = truth.looked & open_days
    found = truth.fates.dead_found * open_days
    found = np.where((style == "weekly")[:, None], _by_week(found, looked), found)
    youngest = _youngest_stage(truth)
    counted = _stage_rows((found > 0) | (youngest & looked & (style == "daily")[:, None]))
    counted["dead"] = found[counted["_stage"], counted["_at"], counted["_day"]].astype(float)
    counted["entry"] = given(rng.random(len(counted)) < 0.3, "counted")
    # rows daily tanks keep for days nobody looked: blank at weekends, or `not_checked`
    keeps_blank = (style == "daily") & (rng.random(len(style)) < records.blank_weekends_share)
    weekend = ~np.is_busday(truth.calendar.dates)
    unlooked = _stage_rows(youngest & keeps_blank[:, None] & open_days & ~truth.looked & weekend)
    says_so = (rng.random(len(style)) < 0.2)[unlooked["_at"]]
    unlooked = unlooked.assign(dead=np.nan, entry=given(says_so, "not_checked"))
    frame = pd.concat([counted, unlooked], ignore_index=True)
    causes = pick(rng, CAUSES, len(frame))
    frame["suspected_cause"] = given((rng.random(len(frame)) < 0.15) & (frame["dead"] > 0), causes)
    frame["checked_on"] = truth.calendar.date(frame["_day"])
    return finish(frame.sort_values(["_at", "_day", "stage"]), "losses", truth)


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


def _by_week(found: Ints, looked: Bools) -> Ints:
    """(3, tanks, days) the week's dead, moved to the last look of the week."""
    moved = np.zeros_like(found)
    for start in range(0, SIMULATED_DAYS, 7):
        week = slice(start, min(start + 7, SIMULATED_DAYS))
        last = week.stop - 1 - looked[:, week][:, ::-1].argmax(axis=1)
        moved[:, np.arange(len(last)), last] = found[:, :, week].sum(axis=2)
    return moved


def stages_written(truth: SeasonTruth) -> pd.DataFrame:
    """Development events as intervals between looks: an event of day d is seen at the first look from d on."""
    records, rng, looked = truth.plan.records, truth.stream("stages"), truth.looked & truth.open_days
    tanks, parts = len(looked), []
    for stage, event_day in _event_days(truth, rng).items():
        recorded = (rng.random(tanks) < records.stage_recorded_share) & np.isfinite(event_day)
        with_absent = rng.random(tanks) < records.last_absent_recorded_share
        is_over = np.arange(SIMULATED_DAYS) >= np.floor(event_day)[:, None]
        after, before = looked & is_over, looked & ~is_over
        is_action = stage == "first_feeding"  # people act: there is no look before it
        at = np.flatnonzero(recorded & after.any(axis=1) & (before.any(axis=1) | is_action))
        last_before = SIMULATED_DAYS - 1 - before[:, ::-1].argmax(axis=1)
        absent = np.where(with_absent & before.any(axis=1) & (not is_action), last_before, -1)
        seen = after.argmax(axis=1)
        parts.append(pd.DataFrame({"_at": at, "stage": stage, "absent": absent[at], "seen": seen[at]}))
    frame = pd.concat(parts, ignore_index=True)
    said = rng.random((2, len(frame)))
    frame["dating"] = given((said < [[0.05], [0.5]]).any(axis=0), np.where(said[0] < 0.05, "inferred", "seen"))
    frame["first_seen_on"] = truth.calendar.date(frame["seen"])
    frame["last_absent_on"] = truth.calendar.date(frame["absent"], frame["absent"] >= 0)
    return finish(frame.sort_values(["_at", "seen"], kind="stable"), "stages", truth)


def _event_days(truth: SeasonTruth, rng: np.random.Generator) -> dict[str, Floats]:
    """Stage -> (tanks,) fractional day of the event in each tank's first delivery."""
    main, progress, spread = truth.main, truth.progress, truth.plan.development
    eggs = truth.cohorts["eggs"].to_numpy()[main]
    first, last = (1 + spread.hatch_spread_fraction * ndtri(rank / (eggs + 1)) for rank in (1, eggs))
    return {
        "eyed": progress.eyed_day[main],
        "hatch_first": crossing(progress.to_hatch[main], first),
        "hatch_half": progress.hatch_day[main] + rng.normal(0, spread.hatch_reader_sd_days, len(main)),
        "hatch_all": crossing(progress.to_hatch[main], last),
        "button_up": progress.button_up_day[main] + rng.normal(0, spread.button_up_reader_sd_days, len(main)),
        "first_feeding": truth.feeding_day[main],
    }


def readings_written(truth: SeasonTruth) -> pd.DataFrame:
    """Every reading of a season, in order of tank, instrument and time; none in a programme without readings.

    Unit and instrument are left blank where the record set's default says the same.
    """
    frame = pd.concat([*_logger_rows(truth), _hand_rows(truth)], ignore_index=True)
    frame = frame.iloc[np.lexsort((frame["minute"], frame["instrument"], frame["_at"]))].reset_index(drop=True)
    is_default = frame["instrument"] == np.where(frame["read_at_has_hour"], 0, 1)
    frame["instrument"] = given(~is_default, INSTRUMENTS[frame["instrument"]])
    frame["unit"] = given(frame["is_fahrenheit"], "F")
    frame["read_at"] = truth.calendar.moment(frame["minute"], "m")
    return finish(frame, "temperatures", truth)


def _logger_rows(truth: SeasonTruth) -> list[pd.DataFrame]:
    """Loggers run from two days before delivery until the tank is emptied, or until it falls silent."""
    rng, shape, parts = truth.stream("loggers"), truth.scenario.shape, []
    start, stop = truth.first_day - 2, np.minimum(truth.close_day, truth.silent_day)
    for at in np.flatnonzero(truth.tank("has_logger") & shape.with_readings):
        minute = np.arange(start[at] * 1440, stop[at] * 1440, shape.logger_interval_minutes)
        water_c = np.interp(minute / 60.0, np.arange(truth.water.hourly_c.shape[1]), truth.water.hourly_c[at])
        offset_c = rng.normal(0, truth.plan.records.logger_offset_sd_c)
        reading_c = np.round(water_c + offset_c + rng.normal(0, LOGGER_ERROR_SD_C, len(minute)), 1)
        parts.append(_reading_rows(at, minute, True, reading_c, False, 0))
    return parts


def _hand_rows(truth: SeasonTruth) -> pd.DataFrame:
    """One reading a look at most: the site's thermometer, its offset, its resolution, its unit."""
    rng, records = truth.stream("hand readings"), truth.plan.records
    beside = rng.random(len(truth.setups)) < records.hand_beside_logger_share
    reads = (~truth.tank("has_logger") | beside) & truth.scenario.shape.with_readings
    read = rng.random(truth.looked.shape) < records.hand_reading_share
    at, day = np.nonzero(truth.looked & truth.open_days & reads[:, None] & read)
    hour, offset_c = day * 24 + truth.tank("reading_hour")[at], truth.tank("thermometer_offset_c")[at]
    celsius = truth.water.hourly_c[at, hour] + offset_c + rng.normal(0, records.thermometer_error_sd_c, len(at))
    is_fahrenheit = truth.tank("reads_fahrenheit")[at]
    step = np.where(is_fahrenheit, 1.0, truth.tank("thermometer_step")[at])
    value = np.round(np.round(np.where(is_fahrenheit, celsius * 1.8 + 32, celsius) / step) * step, 1)
    knows_hour = truth.tank("writes_hour")[at]
    minute = np.where(knows_hour, hour * 60 + rng.integers(0, 12, len(at)) * 5, day * 1440)
    instrument = np.where(truth.tank("reads_controller")[at], 2, 1)
    return _reading_rows(at, minute, knows_hour, value, is_fahrenheit, instrument)


def _reading_rows(at: Any, minute: Ints, has_hour: Any, value: Floats, unit: Any, instrument: Any) -> pd.DataFrame:
    """Rows before they are worded. minute: of the season; unit: whether °F; instrument: of INSTRUMENTS."""
    row = {"_at": at, "minute": minute, "read_at_has_hour": has_hour, "water_temp": value}
    return pd.DataFrame({**row, "is_fahrenheit": unit, "instrument": instrument})


def read_by_logger(readings: pd.DataFrame) -> Bools:
    """(rows,) whether a reading is a logger's: it says so, or is blank with an hour."""
    says_nothing, has_hour = readings["instrument"].isna(), readings["read_at_has_hour"].astype(bool)
    return ((readings["instrument"] == "logger") | (says_nothing & has_hour)).to_numpy()
