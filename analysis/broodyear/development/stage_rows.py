"""Observed stages of a programme with everything a model needs, one row per season, tank and stage."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from broodyear.errors import NothingToAnalyse, UsageError

Floats = NDArray[np.float64]

OBSERVED = (
    "season", "tank_id", "batch_id", "species", "stage", "first_seen_on", "last_absent_on", "dating",
    "delivered_on", "day_share", "absent_day", "seen_day", "units_at_delivery_c_days", "hatchery_temp_c",
    "usable", "why_not",
)  # fmt: skip
CONTEXT = ("site_id", "region", "set_point_c", "weekend_access")


def derived_frames(source: Any, names: tuple[str, ...]) -> dict[str, pd.DataFrame]:
    """Derived tables by name, from an open store (anything with ``result``) or a mapping of frames.

    Raises UsageError when the source is neither or lacks one.
    """
    if isinstance(source, Mapping):
        missing = [name for name in names if name not in source]
        if missing:
            raise UsageError(f"the table {missing[0]!r} is missing; give {', '.join(names)}")
        return {name: source[name] for name in names}
    if hasattr(source, "result"):
        return {name: source.result(name) for name in names}
    raise UsageError(
        f"expected an open store or a mapping of derived tables, but {type(source).__name__} was given"
    )


def stage_rows(source: Any) -> pd.DataFrame:
    """Every dated stage of a programme, ready for ``tank_records``.

    Columns: those of observed_stages and, from tank_seasons, site_id, region, set_point_c, weekend_access; key
    ("season/tank"), tank_id (the key: unique over seasons), first_day_share, absent_day and seen_day on the axis
    where the delivery day ends at 1.0, daily_temp_c (each tank's daily means, °C, from delivery to the end of its
    record), logger_pct (share of the days to the event read by a logger). Raises NothingToAnalyse without stages.
    """
    frames = derived_frames(source, ("observed_stages", "daily_temperature", "tank_seasons"))
    observed = frames["observed_stages"].loc[:, list(OBSERVED)]
    if observed.empty:
        raise NothingToAnalyse("no development stage has been recorded; load a stages table first")
    context = frames["tank_seasons"].loc[:, ["season", "tank_id", *CONTEXT]]
    rows = observed.merge(context, on=["season", "tank_id"], how="left", validate="many_to_one")
    rows["key"] = rows["season"].astype(str) + "/" + rows["tank_id"].astype(str)
    rows["first_day_share"] = rows["day_share"].astype(float)
    for edge in ("absent_day", "seen_day"):
        moved = rows[edge].astype(float) - rows["first_day_share"] + 1.0
        rows[edge] = np.where(rows[edge] > 0, moved, 0.0)
    return _with_temperatures(rows, frames["daily_temperature"])


def _with_temperatures(rows: pd.DataFrame, daily: pd.DataFrame) -> pd.DataFrame:
    series = temperatures_by_tank(daily)
    temps, logger = [], []
    for season, tank, start, seen in zip(
        rows["season"], rows["tank_id"], rows["delivered_on"], rows["seen_day"], strict=True
    ):
        record = series.get((season, tank))
        part = None if record is None or pd.isna(start) else record.since(np.datetime64(start, "D"))
        temps.append(None if part is None else part.temps_c)
        until = int(np.ceil(seen)) if seen and seen > 0 else 0
        logger.append(100.0 * part.is_logger[:until].mean() if part is not None and until else np.nan)
    filled = rows.assign(logger_pct=logger)
    filled["daily_temp_c"] = pd.Series(temps, dtype=object, index=rows.index)
    return filled.assign(tank_label=filled["tank_id"], tank_id=filled["key"])


class TankDays:
    """Daily means of one tank and season: first day, temperatures (°C), and which days a logger read."""

    def __init__(
        self, first: np.datetime64, temps_c: Floats, is_logger: NDArray[np.bool_], last_read: int
    ) -> None:
        self.first = first
        self.temps_c = temps_c
        self.is_logger = is_logger
        self.last_read = last_read  # position of the last day that was read, −1 for none

    def since(self, day: np.datetime64) -> TankDays | None:
        """The days from ``day`` on, or None when the record begins after it or ends before it."""
        skip = int((day - self.first) / np.timedelta64(1, "D"))
        if skip < 0 or skip >= len(self.temps_c):
            return None
        return TankDays(day, self.temps_c[skip:], self.is_logger[skip:], self.last_read - skip)


def temperatures_by_tank(daily: pd.DataFrame) -> dict[tuple[Any, Any], TankDays]:
    """(season, tank_id) → its days, in order and without holes (a missing day is NaN)."""
    ordered = daily.sort_values(["season", "tank_id", "day"], kind="stable")
    days = ordered["day"].to_numpy().astype("datetime64[D]")
    temps = ordered["water_temp_c"].to_numpy(dtype=float)
    is_logger = (ordered["instrument"] == "logger").fillna(False).to_numpy(dtype=bool)
    is_read = (ordered["source"] == "observed").fillna(False).to_numpy(dtype=bool)
    keys = list(zip(ordered["season"], ordered["tank_id"], strict=True))
    edges = [i for i in range(len(keys)) if i == 0 or keys[i] != keys[i - 1]] + [len(keys)]
    series = {}
    for begin, end in pairwise(edges):
        place = ((days[begin:end] - days[begin]) / np.timedelta64(1, "D")).astype(int)
        values, marks = np.full(place[-1] + 1, np.nan), np.zeros(place[-1] + 1, dtype=bool)
        values[place], marks[place] = temps[begin:end], is_logger[begin:end]
        read = place[is_read[begin:end]]
        series[keys[begin]] = TankDays(days[begin], values, marks, int(read.max()) if len(read) else -1)
    return series
