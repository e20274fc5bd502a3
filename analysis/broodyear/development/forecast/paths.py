"""The development of many tanks as a path in time: what is recorded so far, then a steady temperature ahead.

The uncertainty of the log development grows along the path: the model's spread is always there, days that were
not read add theirs, and so does the temperature of the days to come, as one error per tank for all of them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from broodyear.development.arrays import Dates, Floats, Masks, Whole
from broodyear.development.likelihood.tank_records import filled
from broodyear.development.scoring.cross_validation import RECENT_DAYS
from broodyear.development.scoring.stage_data import TankDays, temperatures_by_tank

# Farthest day sought, and the halvings that bring a day to within a hundredth.
FARTHEST_DAY = 420.0
_HALVINGS = 16
_STEP_C = 0.05


@dataclass(frozen=True)
class Journeys:
    """Temperatures of n tanks since delivery.

    temps_c: (n, days) daily means so far, 0 beyond a tank's own days; length: (n, days) part of each day that
    counts, 0 beyond; doubt_c: (n, days) standard error of days not read; days: (n,) recorded; ahead_c, ahead_sd_c:
    (n,) temperature of the days to come and its standard deviation.
    """

    temps_c: Floats
    length: Floats
    doubt_c: Floats
    days: Whole
    ahead_c: Floats
    ahead_sd_c: Floats

    def subset(self, keep: Masks) -> Journeys:
        """The tanks for which ``keep`` is true."""
        return Journeys(*(one[keep] for one in vars(self).values()))


class StagePath:
    """Development fraction towards one stage along the journeys, by one model."""

    def __init__(self, journeys: Journeys, rate: Callable[[Floats], Floats], start: Floats) -> None:
        self.journeys = journeys
        n, width = journeys.temps_c.shape
        self.done = np.empty((n, width + 1))
        self.done[:, 0] = start
        np.cumsum(rate(journeys.temps_c) * journeys.length, axis=1, out=self.done[:, 1:])
        self.done[:, 1:] += start[:, None]
        self.doubt = _cumulative_doubt(journeys, rate)
        self.rate_ahead = rate(journeys.ahead_c)
        self.slope_ahead = _slope(rate, journeys.ahead_c)

    def at(self, day: Floats) -> tuple[Floats, Floats]:
        """(log development, its variance from temperatures not read or still to come) of each tank at its day."""
        recorded = self.journeys.days.astype(float)
        inside = np.minimum(day, recorded)
        column = np.minimum(inside.astype(np.intp), max(self.done.shape[1] - 2, 0))
        rows = np.arange(len(day))
        after = np.minimum(column + 1, self.done.shape[1] - 1)
        part = inside - column
        done = self.done[rows, column] * (1.0 - part) + self.done[rows, after] * part
        doubt = self.doubt[rows, column] * (1.0 - part) + self.doubt[rows, after] * part
        ahead = np.maximum(day - recorded, 0.0)
        done = np.maximum(done + ahead * self.rate_ahead, 1e-12)
        doubt_ahead = ahead * self.slope_ahead * self.journeys.ahead_sd_c
        return np.log(done), (doubt**2 + doubt_ahead**2) / done**2

    def day_of(self, level: Floats, quantile: Floats | float = 0.0, variance: Floats | float = 0.0) -> Floats:
        """Day on which log development passes level + quantile × SD, SD² = variance + that of the temperatures.

        0 when it has passed on delivery; NaN when not within FARTHEST_DAY. Found by halving, all tanks at once.
        """
        low = np.zeros(len(self.rate_ahead))
        high = np.full(len(low), FARTHEST_DAY)
        is_never = ~self._is_past(high, level, quantile, variance)
        is_before = self._is_past(low, level, quantile, variance)
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            is_past = self._is_past(middle, level, quantile, variance)
            high = np.where(is_past, middle, high)
            low = np.where(is_past, low, middle)
        return np.where(is_never, np.nan, np.where(is_before, 0.0, 0.5 * (low + high)))

    def _is_past(self, day: Floats, level: Floats, quantile: Floats | float, variance: Floats | float) -> Masks:
        log_done, extra = self.at(day)
        return np.asarray(log_done >= level + quantile * np.sqrt(variance + extra))

    def mean_temp_c(self, day: Floats) -> Floats:
        """Mean temperature (°C) from delivery to a day, recorded and ahead."""
        recorded = self.journeys.days.astype(float)
        columns = np.arange(self.journeys.temps_c.shape[1])
        is_in = columns[None, :] < np.minimum(day, recorded)[:, None]
        total = np.sum(np.where(is_in, self.journeys.temps_c, 0.0), axis=1)
        ahead = np.maximum(day - recorded, 0.0)
        count = is_in.sum(axis=1) + ahead
        return np.asarray(
            np.where(
                count > 0, (total + ahead * self.journeys.ahead_c) / np.maximum(count, 1e-9), self.journeys.ahead_c
            )
        )


def _slope(rate: Callable[[Floats], Floats], temps_c: Floats) -> Floats:
    return np.asarray((rate(temps_c + _STEP_C) - rate(temps_c - _STEP_C)) / (2.0 * _STEP_C), dtype=float)


def _cumulative_doubt(journeys: Journeys, rate: Callable[[Floats], Floats]) -> Floats:
    """(n, days + 1) what one standard error of the days not read, all at once, adds to the fraction."""
    n, width = journeys.temps_c.shape
    each = np.zeros((n, width))
    is_doubtful = (journeys.doubt_c > 0) & (journeys.length > 0)
    each[is_doubtful] = (
        _slope(rate, journeys.temps_c[is_doubtful]) * journeys.doubt_c[is_doubtful] * journeys.length[is_doubtful]
    )
    total = np.zeros((n, width + 1))
    np.cumsum(each, axis=1, out=total[:, 1:])
    return total


# Order in which stages follow each other; a later one seen means an earlier one is past.
STAGE_ORDER = {"eyed": 0, "hatch_first": 1, "hatch_half": 2, "hatch_all": 3, "button_up": 4, "first_feeding": 5}
# What has been reached on delivery.
REACHED_ON_DELIVERY = {"green": -1, "eyed": 0, "alevin": 3}
# What dead were looked for while a stage had not come: whoever checks eggs alone has no alevins yet.
_LOOKED_FOR_BEFORE = {"hatch_half": ("egg",), "button_up": ("egg", "alevin")}
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
    seen = seen.assign(rank=seen["stage"].map(STAGE_ORDER).astype(float))
    reached = seen.groupby(["season", "tank_id"])["rank"].max().rename("rank").reset_index()
    rank = tanks[["season", "tank_id"]].merge(reached, on=["season", "tank_id"], how="left")["rank"]
    on_delivery = tanks["stage_at_delivery"].map(REACHED_ON_DELIVERY).astype(float).fillna(0.0)
    # The first or the last hatchling says that half have hatched, or are about to; not that a date is known.
    done = np.maximum(rank.astype(float).fillna(-1.0).to_numpy(dtype=float), on_delivery.to_numpy(dtype=float))
    rows = [pd.DataFrame({"tank": tanks.index[done < STAGE_ORDER[stage]], "stage": stage}) for stage in stages]
    table = pd.concat(rows, ignore_index=True)
    # A tank whose batch has no species still gets its row, with the reason why it has no date.
    species = tanks["species"].astype(object).fillna("other").to_numpy()
    return table.assign(species=species[table["tank"].to_numpy()])


def last_absent_on(
    tanks: pd.DataFrame, observed: pd.DataFrame, losses: pd.DataFrame | None, today: np.datetime64, stage: str
) -> Dates:
    """(n,) last day up to today on which somebody looked into a tank and the stage had not come; NaT for none.

    By last_absent_on of the stages, and by checks for dead eggs or alevins that came before any for a later life
    stage.
    """
    noted = observed.loc[observed["stage"] == stage, ["season", "tank_id", "last_absent_on"]]
    found = [noted.rename(columns={"last_absent_on": "day"})]
    if losses is not None and stage in _LOOKED_FOR_BEFORE:
        checks = losses.loc[losses["entry"] != "not_checked", ["season", "tank_id", "stage", "checked_on"]]
        is_before = checks["stage"].isin(_LOOKED_FOR_BEFORE[stage])
        later = checks[~is_before].groupby(["season", "tank_id"])["checked_on"].min().rename("later").reset_index()
        before = checks[is_before].merge(later, on=["season", "tank_id"], how="left")
        before = before[before["later"].isna() | (before["checked_on"] < before["later"])]
        found.append(before.rename(columns={"checked_on": "day"})[["season", "tank_id", "day"]])
    looks = pd.concat([one.assign(day=pd.to_datetime(one["day"])) for one in found], ignore_index=True)
    last = looks[looks["day"] <= pd.Timestamp(today)].groupby(["season", "tank_id"])["day"].max().reset_index()
    merged = tanks[["season", "tank_id"]].merge(last, on=["season", "tank_id"], how="left")
    return pd.to_datetime(merged["day"]).to_numpy().astype("datetime64[D]")


def journeys_of(tanks: pd.DataFrame, daily: pd.DataFrame, today: np.datetime64) -> tuple[Journeys, Whole]:
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
