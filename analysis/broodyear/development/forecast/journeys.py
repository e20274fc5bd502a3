"""Tanks under way, the stages they have yet to reach, and the water they have been in so far."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from broodyear.development.forecast.paths import Journeys
from broodyear.development.likelihood.daily_series import filled
from broodyear.development.scoring.predictions import RECENT_DAYS
from broodyear.development.scoring.stage_rows import TankDays, temperatures_by_tank

Floats = NDArray[np.float64]

# Order in which stages follow each other; a later one seen means an earlier one is past.
STAGE_ORDER = {"eyed": 0, "hatch_first": 1, "hatch_half": 2, "hatch_all": 3, "button_up": 4, "first_feeding": 5}
# What has been reached on delivery.
REACHED_ON_DELIVERY = {"green": -1, "eyed": 0, "alevin": 3}
# Spread (SD, °C) of the mean temperature to come about the last week's mean, about the set point when nothing was
# read lately, and about any guess at all; judgement, no published source.
AHEAD_SD_RECENT_C, AHEAD_SD_SET_POINT_C, AHEAD_SD_UNKNOWN_C = 0.4, 0.6, 1.0
# A week's mean is trusted when this many of its days were read.
_FEWEST_READ = 3


def tanks_under_way(tank_seasons: pd.DataFrame, season: int, today: np.datetime64) -> pd.DataFrame:
    """Tanks of a season that had eggs by today and were not closed, numbered 0, 1, 2 … in order of tank_id."""
    delivered = pd.to_datetime(tank_seasons["delivered_on"]).to_numpy().astype("datetime64[D]")
    closed = pd.to_datetime(tank_seasons["closed_on"]).to_numpy().astype("datetime64[D]")
    is_open = np.isnat(closed) | (closed > today)
    is_under_way = (tank_seasons["season"] == season).to_numpy() & (delivered <= today) & is_open
    chosen: pd.DataFrame = tank_seasons[is_under_way].sort_values("tank_id", kind="stable")
    return chosen.reset_index(drop=True)


def remaining_stages(
    tanks: pd.DataFrame, observed: pd.DataFrame, today: np.datetime64, stages: Sequence[str]
) -> pd.DataFrame:
    """Rows tank (number), species, stage: what each tank has not been seen to reach, and had not on delivery."""
    seen = observed[pd.to_datetime(observed["first_seen_on"]).to_numpy().astype("datetime64[D]") <= today]
    seen = seen.assign(place=seen["stage"].map(STAGE_ORDER).astype(float))
    reached = seen.groupby(["season", "tank_id"])["place"].max().rename("place").reset_index()
    place = tanks[["season", "tank_id"]].merge(reached, on=["season", "tank_id"], how="left")["place"]
    on_delivery = tanks["stage_at_delivery"].map(REACHED_ON_DELIVERY).astype(float).fillna(0.0)
    # The first or the last hatchling says that half have hatched, or are about to; not that a date is known.
    done = np.maximum(place.astype(float).fillna(-1.0).to_numpy(dtype=float), on_delivery.to_numpy(dtype=float))
    rows = [pd.DataFrame({"tank": tanks.index[done < STAGE_ORDER[stage]], "stage": stage}) for stage in stages]
    table = pd.concat(rows, ignore_index=True)
    # A tank whose batch has no species still gets its row, with the reason why it has no date.
    species = tanks["species"].astype(object).fillna("other").to_numpy()
    return table.assign(species=species[table["tank"].to_numpy()])


def journeys_of(
    tanks: pd.DataFrame, daily: pd.DataFrame, today: np.datetime64
) -> tuple[Journeys, NDArray[np.intp]]:
    """(journeys, days read) of the tanks from delivery to today, and the temperature taken for the days ahead."""
    season = daily["season"].isin(tanks["season"].unique())
    series = temperatures_by_tank(daily[season])
    delivered = pd.to_datetime(tanks["delivered_on"]).to_numpy().astype("datetime64[D]")
    records = [
        _record(series.get((int(season), tank)), start, today)
        for season, tank, start in zip(tanks["season"], tanks["tank_id"], delivered, strict=True)
    ]
    width = max((len(one.temps_c) for one in records if one is not None), default=0)
    shape = (len(tanks), max(width, 1))
    temps, length, doubt = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    days, read = np.zeros(len(tanks), dtype=np.intp), np.zeros(len(tanks), dtype=np.intp)
    set_point = pd.to_numeric(tanks["set_point_c"]).to_numpy(dtype=float)
    ahead, ahead_sd = np.empty(len(tanks)), np.empty(len(tanks))
    share = _first_share(tanks)
    for i, one in enumerate(records):
        if one is not None:
            days[i], read[i] = len(one.temps_c), int(one.is_read.sum())
            temps[i, : days[i]] = filled(one.temps_c)
            length[i, : days[i]] = 1.0
            length[i, 0] = share[i]
            doubt[i, : days[i]] = one.doubt_c
        ahead[i], ahead_sd[i] = _ahead(one, set_point[i])
    return Journeys(temps, length, doubt, days, ahead, ahead_sd), read


def _first_share(tanks: pd.DataFrame) -> Floats:
    if "day_share" not in tanks:
        return np.full(len(tanks), 0.5)  # the hour of delivery is not known
    return pd.to_numeric(tanks["day_share"]).fillna(0.5).to_numpy(dtype=float)


def _record(record: TankDays | None, start: np.datetime64, today: np.datetime64) -> TankDays | None:
    part = None if record is None else record.between(start, today)
    return None if part is None or np.isnan(part.temps_c).all() else part


def _ahead(record: TankDays | None, set_point_c: float) -> tuple[float, float]:
    """Temperature of the days to come and its SD: last week's mean, else the set point, else the record's mean."""
    if record is not None:
        week, is_read = record.temps_c[-RECENT_DAYS:], record.is_read[-RECENT_DAYS:]
        if is_read.sum() >= _FEWEST_READ:
            return float(week[is_read].mean()), AHEAD_SD_RECENT_C
    if np.isfinite(set_point_c):
        return float(set_point_c), AHEAD_SD_SET_POINT_C
    if record is not None:
        return float(np.nanmean(record.temps_c)), AHEAD_SD_UNKNOWN_C
    return 8.0, 2.0 * AHEAD_SD_UNKNOWN_C
