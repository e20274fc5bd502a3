"""Tank records ready for a likelihood: intervals of days, and each tank's temperatures as weights on a grid.

A development fraction is a sum of daily rates, F(t) = F0 + Σ 1/D(T_day). Rates are smooth in temperature, so each
sum is written once as weights on a grid of temperatures 0.05 °C apart, and every trial curve then costs one matrix
product. The start F0 = (K/T0)/D(T0) is a weight K/T0 at T0 on the same grid.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from broodyear.development.arrays import Floats, Masks, Texts, Whole
from broodyear.errors import NothingToAnalyse, UsageError

# Linear interpolation of a rate on this grid is right to about 1e-5 of itself.
GRID_STEP_C = 0.05
# Assumed where the hatchery's temperature was not written down: the start of eyed eggs differs by under 4 % of
# itself between 5 and 11 °C (300 units of chinook: 0.561, 0.543, 0.562).
ASSUMED_HATCHERY_C = 8.0
# More days than this missing, and a tank's temperatures are not its own (common practice, no source).
MOST_MISSING_PCT = 20.0
# No eggs or fry are delivered with more; the declaration of deliveries takes none either.
MOST_UNITS_C_DAYS = 3000.0


@dataclass(frozen=True)
class TankRecords:
    """n tanks that can be used, and why others cannot.

    tank_id, batch: (n,) codes; batches: names by code; absent_day, seen_day: (n,) fractional days, the delivery
    day ending at 1.0 (seen_day infinite where the tank ended first); first_day_share: (n,) part of that day that
    was left at delivery; grid_c: (g,) temperatures; to_start, to_absent, to_seen: (n, g) weights of days;
    start_fraction: (n,) the start where it was given as such; mean_temp_c: (n,) from delivery to the event;
    gap_se_days, gap_log_sd: (n,) error of the event from days that were not read, in days and in log development;
    temps: daily mean temperatures (°C) of each tank; rows: position of each tank in the frame given; rows_given,
    left_out: reason → count; assumed_hatchery: tanks whose hatchery temperature was assumed; labels: by "batch"
    and, where known, "site" and "stock", (n,) the group of each tank.
    """

    tank_id: NDArray[np.object_]
    batch: Whole
    batches: tuple[str, ...]
    absent_day: Floats
    seen_day: Floats
    first_day_share: Floats
    grid_c: Floats
    to_start: Floats
    to_absent: Floats
    to_seen: Floats
    start_fraction: Floats
    mean_temp_c: Floats
    gap_se_days: Floats
    gap_log_sd: Floats
    temps: tuple[Floats, ...]
    rows: Whole
    rows_given: int
    left_out: Mapping[str, int]
    assumed_hatchery: int
    labels: Mapping[str, Texts]

    @property
    def to_middle(self) -> Floats:
        """(n, g) weights of days from fertilisation to the middle of the looks, to the last where a tank ended."""
        is_seen = np.isfinite(self.seen_day)[:, None]
        return self.to_start + np.where(is_seen, 0.5 * (self.to_absent + self.to_seen), self.to_absent)

    def subset(self, keep: Masks) -> TankRecords:
        """The tanks for which ``keep`` is true, batches numbered afresh."""
        codes, batch = np.unique(self.batch[keep], return_inverse=True)
        named: dict[str, Any] = {
            "batch": batch.astype(np.intp), "batches": tuple(self.batches[code] for code in codes),
            "temps": tuple(temps for temps, kept in zip(self.temps, keep, strict=True) if kept),
            "labels": {name: values[keep] for name, values in self.labels.items()},
        }  # fmt: skip
        return replace(self, **named, **{name: getattr(self, name)[keep] for name in _OF_TANKS})


#: Fields of TankRecords that hold one value, or one row, of each tank.
_OF_TANKS = (
    "tank_id", "absent_day", "seen_day", "first_day_share", "to_start", "to_absent", "to_seen",
    "start_fraction", "mean_temp_c", "gap_se_days", "gap_log_sd", "rows",
)  # fmt: skip


def tank_records(frame: pd.DataFrame, daily: Any = None) -> TankRecords:
    """Tank records from a frame with one row per tank, or one row per tank and day.

    Columns: tank_id, batch_id, absent_day, seen_day (days since delivery, counted to the end of the day on which
    somebody looked, as in the table observed_stages; seen_day blank: the tank ended first; absent_day blank:
    nobody had looked since delivery); first_day_share or day_share: the part of the delivery day that was left, 1
    where it is not given, so that the end of that day is 1.0. Daily mean temperatures (°C), the first for the
    delivery day, as ``daily`` (a frame tank_id, day, temp_c; or a mapping of tank_id to values), or as a column
    of the frame holding them. Optional: units_at_delivery_c_days with hatchery_temp_c, or fraction_at_start;
    dating (rows copied from a forecast are left out); gap_se_days (days by which the event may seem moved, one
    standard error, because temperatures were not read: the likelihood carries it); site_id and donor_stock (groups
    beside the batch). Raises UsageError for missing columns, NothingToAnalyse when no tank can be used.
    """
    rows, series = daily_series(frame, daily)
    rows = rows.assign(
        first_day_share=_column(rows, "first_day_share" if "first_day_share" in rows else "day_share", 1.0)
    )
    for edge in ("absent_day", "seen_day"):  # from days since delivery to days of the record: 1.0 ends the first
        since = pd.to_numeric(rows[edge]).astype(float)
        rows[edge] = since.where(~(since > 0), since - rows["first_day_share"] + 1.0)
    reasons = [_why_not(row, temps) for row, temps in zip(rows.to_dict("records"), series, strict=True)]
    left_out = dict(Counter(reason for reason in reasons if reason).most_common())
    keep = np.array([reason is None for reason in reasons], dtype=bool)
    if not keep.any():
        why = "; ".join(f"{reason}: {count}" for reason, count in left_out.items()) or "there are none"
        raise NothingToAnalyse(f"none of the {len(rows)} tanks can be used: {why}")
    used = rows[keep].reset_index(drop=True)
    temps = tuple(filled(one) for one, kept in zip(series, keep, strict=True) if kept and one is not None)
    return _assembled(used, temps, np.flatnonzero(keep), len(rows), left_out)


def _why_not(row: Mapping[Any, Any], temps: Floats | None) -> str | None:
    """The reason for leaving a tank out, or None."""
    absent, seen = row["absent_day"], row["seen_day"]
    if row.get("dating") == "copied_from_forecast":
        return "date copied from a forecast"
    if pd.isna(absent) and pd.isna(seen):
        return "no date of the stage"
    if not pd.isna(seen) and seen <= 0:
        return "stage before delivery"
    if not pd.isna(seen) and not pd.isna(absent) and seen <= absent:
        return "seen on or before the day it was last absent"
    last = absent if pd.isna(seen) else seen
    if temps is None or not len(temps):
        return "no temperatures"
    if len(temps) < np.ceil(last - 1e-9):
        return "temperatures end before the event"
    missing_pct = 100.0 * float(np.isnan(temps[: int(np.ceil(last - 1e-9))]).mean()) if last > 0 else 100.0
    if missing_pct > MOST_MISSING_PCT:
        return f"more than {MOST_MISSING_PCT:g} % of the days without a temperature"
    if "units_at_delivery_c_days" in row and "fraction_at_start" not in row:
        units = row["units_at_delivery_c_days"]
        if pd.isna(units):
            return "thermal units at delivery not known"
        if units > MOST_UNITS_C_DAYS:
            return f"thermal units at delivery above {MOST_UNITS_C_DAYS:g} °C·d"
    return None


def _assembled(
    used: pd.DataFrame, temps: tuple[Floats, ...], rows: Whole, given: int, left_out: Mapping[str, int]
) -> TankRecords:
    names = used["batch_id"].astype(str) if "batch_id" in used else pd.Series(["all"] * len(used))
    batches, batch = np.unique(names.to_numpy(dtype=object).astype(str), return_inverse=True)
    absent = used["absent_day"].fillna(0.0).to_numpy(dtype=float)
    seen = used["seen_day"].fillna(np.inf).to_numpy(dtype=float)
    last = np.where(np.isfinite(seen), seen, absent)
    grid = _grid(temps, used)
    share = used["first_day_share"].to_numpy(dtype=float)
    to_start, fraction, assumed = _start(used, grid)
    gap_days = _column(used, "gap_se_days", 0.0)
    mean_temp_c = np.array([one[: max(int(np.ceil(end)), 1)].mean() for one, end in zip(temps, last, strict=True)])
    return TankRecords(
        used["tank_id"].to_numpy(dtype=object),
        batch.astype(np.intp),
        tuple(map(str, batches)),
        absent,
        seen,
        share,
        grid,
        to_start,
        day_weights(temps, absent, share, grid),
        day_weights(temps, last, share, grid),
        fraction,
        mean_temp_c,
        gap_days,
        gap_days / _days_in_all(used, last, mean_temp_c),
        temps,
        rows,
        given,
        left_out,
        assumed,
        {"batch": names.to_numpy(dtype=str), **_labels(used)},
    )


def _days_in_all(used: pd.DataFrame, last: Floats, mean_temp_c: Floats) -> Floats:
    """(n,) days of development until the last look, those before delivery as at the tank's own temperature."""
    days = np.maximum(last, 1.0)
    if "fraction_at_start" in used:
        return np.asarray(days / np.maximum(1.0 - _column(used, "fraction_at_start", 0.0), 0.05), dtype=float)
    before = _column(used, "units_at_delivery_c_days", 0.0) / np.maximum(mean_temp_c, 1.0)
    return np.asarray(days + before, dtype=float)


#: Label of a tank whose site or stock nobody recorded.
NOT_RECORDED = "not recorded"


def _labels(used: pd.DataFrame) -> dict[str, Texts]:
    """Site and stock of each tank, where the frame has them."""
    columns = {"site": "site_id", "stock": "donor_stock"}
    return {
        name: used[column].astype(object).fillna(NOT_RECORDED).to_numpy(dtype=str)
        for name, column in columns.items()
        if column in used and used[column].notna().any()
    }


def _column(frame: pd.DataFrame, name: str, default: float) -> Floats:
    if name not in frame:
        return np.full(len(frame), default)
    return pd.to_numeric(frame[name]).fillna(default).to_numpy(dtype=float)


def _grid(temps: Sequence[Floats], used: pd.DataFrame) -> Floats:
    lowest = min(float(np.min(one)) for one in temps)
    highest = max(float(np.max(one)) for one in temps)
    hatchery = _column(used, "hatchery_temp_c", ASSUMED_HATCHERY_C)
    lowest, highest = min(lowest, hatchery.min()), max(highest, hatchery.max())
    return np.arange(np.floor(lowest) - GRID_STEP_C, np.ceil(highest) + 2 * GRID_STEP_C, GRID_STEP_C)


def day_weights(temps: Sequence[Floats], until_day: Floats, first_share: Floats, grid_c: Floats) -> Floats:
    """(n, g) days spent near each grid temperature from delivery until a fractional day of each tank."""
    weights = np.zeros((len(temps), len(grid_c)))
    for i, one in enumerate(temps):
        days = int(np.ceil(until_day[i] - 1e-9))
        if days <= 0:
            continue
        length = np.ones(days)
        length[0] = first_share[i]
        length[-1] *= 1.0 - (days - until_day[i])
        add_to_grid(weights[i], grid_c, one[:days], length)
    return weights


def add_to_grid(row: Floats, grid_c: Floats, temps_c: Floats, length: Floats) -> None:
    """Add lengths of time at temperatures to one row of weights, shared between the two nearest grid points."""
    index = (temps_c - grid_c[0]) / GRID_STEP_C
    left = np.clip(np.floor(index).astype(int), 0, len(grid_c) - 2)
    part = index - left
    np.add.at(row, left, length * (1.0 - part))
    np.add.at(row, left + 1, length * part)


def _start(used: pd.DataFrame, grid: Floats) -> tuple[Floats, Floats, int]:
    """Weights of the development before delivery, the fraction where it was given as such, and tanks assumed."""
    n = len(used)
    weights = np.zeros((n, len(grid)))
    if "fraction_at_start" in used:
        fraction = _column(used, "fraction_at_start", 0.0)
        if (fraction < 0).any():
            raise UsageError("a fraction at the start is below 0; expected the share of development done before")
        return weights, fraction, 0
    units = _column(used, "units_at_delivery_c_days", 0.0)
    hatchery = _column(used, "hatchery_temp_c", np.nan)
    is_assumed = np.isnan(hatchery) & (units > 0)
    temps = np.where(np.isnan(hatchery), ASSUMED_HATCHERY_C, hatchery)
    for i in np.flatnonzero(units > 0):
        add_to_grid(weights[i], grid, temps[i : i + 1], units[i : i + 1] / temps[i])
    return weights, np.zeros(n), int(is_assumed.sum())


# Columns of a frame that may hold the temperatures, in order of preference.
TEMPERATURE_COLUMNS = (
    "daily_temp_c", "daily_temps_c", "daily_temperatures_c", "temps_c", "temperatures_c", "temperatures",
    "water_temp_c", "temp_c",
)  # fmt: skip


def daily_series(frame: pd.DataFrame, daily: Any = None) -> tuple[pd.DataFrame, list[Floats | None]]:
    """(rows, series): one row per tank in the order given, and each tank's daily temperatures (°C) or None.

    daily: a frame with tank_id, day (whole, 1 for the day of delivery, which ends at 1.0) and temp_c or
    water_temp_c; a mapping of tank_id to values; an array with one row per tank; or None when the frame carries
    them in a column, as arrays, as one number for a constant temperature, or as one row per tank and day.
    Raises UsageError when the frame lacks tank_id, absent_day or seen_day, or no temperatures are found.
    """
    missing = [name for name in ("tank_id", "absent_day", "seen_day") if name not in frame.columns]
    if missing:
        raise UsageError(
            f"tank records need the columns tank_id, absent_day and seen_day; {missing[0]!r} is missing"
        )
    if daily is not None:
        return frame.reset_index(drop=True), _from_daily(frame, daily)
    column = next((name for name in TEMPERATURE_COLUMNS if name in frame.columns), None)
    if column is None:
        raise UsageError(
            "tank records need their daily temperatures: pass daily= (a frame with tank_id, day, temp_c) "
            "or a column daily_temp_c holding each tank's values"
        )
    if "day" in frame.columns:
        rows = frame.drop_duplicates("tank_id").drop(columns=["day", column]).reset_index(drop=True)
        return rows, _from_daily(rows, frame[["tank_id", "day", column]])
    rows = frame.reset_index(drop=True)
    last = rows["seen_day"].fillna(rows["absent_day"]).to_numpy(dtype=float)
    return rows, [_as_series(value, last[i]) for i, value in enumerate(rows[column])]


def _from_daily(rows: pd.DataFrame, daily: Any) -> list[Floats | None]:
    if isinstance(daily, pd.DataFrame):
        by_tank = _by_tank(daily)
    elif isinstance(daily, Mapping):
        by_tank = {key: np.asarray(values, dtype=float) for key, values in daily.items()}
    else:
        values = [np.asarray(one, dtype=float) for one in daily]
        if len(values) != len(rows):
            raise UsageError(f"{len(values)} rows of daily temperatures were given for {len(rows)} tanks")
        return list(values)
    return [by_tank.get(tank) for tank in rows["tank_id"]]


def _by_tank(daily: pd.DataFrame) -> dict[Any, Floats]:
    others = [name for name in daily.columns if name not in ("tank_id", "day")]
    column = next(
        (name for name in TEMPERATURE_COLUMNS if name in others), others[0] if len(others) == 1 else None
    )
    if column is None or not {"tank_id", "day"} <= set(daily.columns):
        raise UsageError("daily temperatures need the columns tank_id, day and temp_c")
    days = pd.to_numeric(daily["day"])
    if len(days) and (days.min() < 0 or (days % 1 != 0).any()):
        raise UsageError("the column day of daily temperatures counts whole days, 1 for the day of delivery")
    first = 0 if len(days) and days.min() == 0 else 1
    series: dict[Any, Floats] = {}
    for tank, part in daily.assign(day=days.astype(int) - first).groupby("tank_id", sort=False):
        values = np.full(int(part["day"].max()) + 1, np.nan)
        values[part["day"].to_numpy()] = part[column].to_numpy(dtype=float)
        series[tank] = values
    return series


def _as_series(value: Any, last_day: float) -> Floats | None:
    """A cell's values; one number means a constant temperature until the last day that counts."""
    if value is None:
        return None
    if np.ndim(value) == 0:
        if pd.isna(value):
            return None
        return np.full(int(np.ceil(last_day)) + 1 if last_day > 0 else 1, float(value))
    return np.asarray(value, dtype=float)


def filled(temps: Floats) -> Floats:
    """Missing days filled by a straight line between the days beside them, and by the nearest day at the ends."""
    is_missing = np.isnan(temps)
    if not is_missing.any():
        return temps
    days = np.arange(len(temps))
    return np.interp(days, days[~is_missing], temps[~is_missing])
