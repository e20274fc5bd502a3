"""Observed stages of a programme with everything a model needs, one row per season, tank and stage."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
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
# What a table of an older export may lack.
GAPS = ("not_read_pct", "gap_se_days", "gap_from", "gap_to", "readings_wanted")
CONTEXT = ("site_id", "region", "set_point_c", "weekend_access", "stage_at_delivery", "lot_id", "donor_stock")


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

    Columns: those of observed_stages and, from tank_seasons, site_id, region, donor_stock, set_point_c,
    weekend_access; key ("season/tank"), tank_id (the key: unique over seasons), first_day_share, daily_temp_c
    (each tank's daily means, °C, from delivery to the end of its record), logger_pct (share of the days to the
    event read by a logger). Raises NothingToAnalyse without stages.
    """
    frames = derived_frames(source, ("observed_stages", "daily_temperature", "tank_seasons"))
    table = frames["observed_stages"]
    observed = table.loc[:, list(OBSERVED)].join(table.reindex(columns=list(GAPS)))
    if observed.empty:
        raise NothingToAnalyse("no development stage has been recorded; load a stages table first")
    context = frames["tank_seasons"].loc[:, ["season", "tank_id", *CONTEXT]]
    rows = observed.merge(context, on=["season", "tank_id"], how="left", validate="many_to_one")
    rows["key"] = rows["season"].astype(str) + "/" + rows["tank_id"].astype(str)
    rows["first_day_share"] = rows["day_share"].astype(float)
    return _with_temperatures(rows, frames["daily_temperature"])


def _with_temperatures(rows: pd.DataFrame, daily: pd.DataFrame) -> pd.DataFrame:
    series = temperatures_by_tank(daily)
    temps, logger = [], []
    for season, tank, start, seen in zip(
        rows["season"], rows["tank_id"], rows["delivered_on"], rows["seen_day"], strict=True
    ):
        record = series.get((int(season), tank))
        part = None if record is None or pd.isna(start) else record.between(np.datetime64(start, "D"))
        temps.append(None if part is None else part.temps_c)
        until = int(np.ceil(seen)) if seen and seen > 0 else 0
        logger.append(100.0 * part.is_logger[:until].mean() if part is not None and until else np.nan)
    filled = rows.assign(logger_pct=logger)
    filled["daily_temp_c"] = pd.Series(temps, dtype=object, index=rows.index)
    return filled.assign(tank_label=filled["tank_id"], tank_id=filled["key"])


@dataclass(frozen=True)
class TankDays:
    """Daily means of one tank and season.

    first: first day; temps_c: (days,) °C; is_logger, is_read: days read by a logger, by anything; doubt_c: (days,)
    standard error of days that were not read.
    """

    first: np.datetime64
    temps_c: Floats
    is_logger: NDArray[np.bool_]
    is_read: NDArray[np.bool_]
    doubt_c: Floats

    def between(self, day: np.datetime64, until: np.datetime64 | None = None) -> TankDays | None:
        """The days from ``day`` to ``until`` (None: the end); None when the record does not cover ``day``."""
        skip = int((day - self.first) / np.timedelta64(1, "D"))
        stop = len(self.temps_c) if until is None else int((until - self.first) / np.timedelta64(1, "D")) + 1
        if skip < 0 or skip >= min(stop, len(self.temps_c)):
            return None
        part = slice(skip, stop)
        return TankDays(day, self.temps_c[part], self.is_logger[part], self.is_read[part], self.doubt_c[part])


def temperatures_by_tank(daily: pd.DataFrame) -> dict[tuple[Any, Any], TankDays]:
    """(season, tank_id) → its days, in order and without holes (a missing day is NaN)."""
    tank_codes, tanks = pd.factorize(daily["tank_id"])
    seasons = daily["season"].to_numpy(dtype=np.int64)
    days = daily["day"].to_numpy().astype("datetime64[D]").astype(np.int64)
    order = np.lexsort((days, tank_codes, seasons))
    tank_codes, seasons, days = tank_codes[order], seasons[order], days[order]
    temps = daily["water_temp_c"].to_numpy(dtype=float)[order]
    is_logger = (daily["instrument"] == "logger").fillna(False).to_numpy(dtype=bool)[order]
    is_read = (daily["source"] == "observed").fillna(False).to_numpy(dtype=bool)[order]
    doubt = _doubt(daily)[order]
    changes = np.flatnonzero((np.diff(tank_codes) != 0) | (np.diff(seasons) != 0)) + 1
    series = {}
    for begin, end in pairwise([0, *changes.tolist(), len(days)] if len(days) else []):
        part = slice(begin, end)
        key = (int(seasons[begin]), tanks[tank_codes[begin]])
        series[key] = _one_tank(days[part], temps[part], is_logger[part], is_read[part], doubt[part])
    return series


def _doubt(daily: pd.DataFrame) -> Floats:
    """Standard error (°C) of each day from not having been read; 0 where the table does not say."""
    if "se_c" not in daily:
        return np.zeros(len(daily))
    return pd.to_numeric(daily["se_c"]).fillna(0.0).to_numpy(dtype=float)


def _one_tank(
    days: NDArray[np.int64],
    temps: Floats,
    is_logger: NDArray[np.bool_],
    is_read: NDArray[np.bool_],
    doubt: Floats,
) -> TankDays:
    first = np.datetime64(int(days[0]), "D")
    place = days - days[0]
    if place[-1] + 1 == len(place):  # no hole: the arrays are the series
        return TankDays(first, temps, is_logger, is_read, doubt)
    size = int(place[-1]) + 1
    filled = np.full(size, np.nan), np.zeros(size, dtype=bool), np.zeros(size, dtype=bool), np.zeros(size)
    for target, values in zip(filled, (temps, is_logger, is_read, doubt), strict=True):
        target[place] = values
    return TankDays(first, *filled)
