"""Each tank's daily mean temperatures, from any of the ways a frame may carry them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from broodyear.errors import UsageError

Floats = NDArray[np.float64]

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
