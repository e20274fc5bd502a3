"""Observed stages of a programme with everything a model needs, and what of them is used, left out, and fitted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from broodyear.development.arrays import Floats, Masks
from broodyear.development.likelihood.fit_result import DevelopmentFit, best_fit
from broodyear.development.likelihood.fitting import fit_tank_forms
from broodyear.development.likelihood.tank_records import TankRecords, tank_records
from broodyear.development.models.forms import Curve
from broodyear.development.models.own_models import DevelopmentModel
from broodyear.development.models.published import as_curve, scored_models
from broodyear.development.scoring.record_checks import (
    UNITS_REASON,
    CopiedDates,
    has_implausible_units,
    is_far_off,
)
from broodyear.errors import NothingToAnalyse, Refused, UsageError

# The power form is the log_inverse form in other symbols and would only repeat its row.
SCORED_FORMS = ("constant_units", "exponential", "log_inverse")

OBSERVED = (
    "season", "tank_id", "batch_id", "species", "stage", "first_seen_on", "last_absent_on", "dating",
    "delivered_on", "day_share", "absent_day", "seen_day", "units_at_delivery_c_days", "hatchery_temp_c",
    "usable", "why_not",
)  # fmt: skip
# What a table of an older export may lack.
GAPS = ("not_read_pct", "gap_se_days", "gap_from", "gap_to", "readings_wanted")
CONTEXT = ("site_id", "region", "set_point_c", "weekend_access", "stage_at_delivery", "lot_id", "donor_stock")


def derived_frames(source: Any, names: tuple[str, ...], if_there: tuple[str, ...] = ()) -> dict[str, pd.DataFrame]:
    """Derived tables by name, from an open store (anything with ``result``) or a mapping of frames.

    if_there: tables that a mapping may lack. Raises UsageError when the source is neither or lacks one of names.
    """
    if isinstance(source, Mapping):
        missing = [name for name in names if name not in source]
        if missing:
            raise UsageError(f"the table {missing[0]!r} is missing; give {', '.join(names)}")
        return {name: source[name] for name in (*names, *if_there) if name in source}
    if hasattr(source, "result"):
        return {name: source.result(name) for name in (*names, *if_there)}
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
    is_logger: Masks
    is_read: Masks
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
    # Standard error of days not read: 0 where the table does not say.
    doubt = pd.to_numeric(daily.get("se_c", pd.Series(0.0, daily.index))).fillna(0.0)
    columns = (
        daily["water_temp_c"].to_numpy(dtype=float),
        (daily["instrument"] == "logger").fillna(False).to_numpy(dtype=bool),
        (daily["source"] == "observed").fillna(False).to_numpy(dtype=bool),
        doubt.to_numpy(dtype=float),
    )
    order = np.lexsort((days, tank_codes, seasons))
    tank_codes, seasons, days = tank_codes[order], seasons[order], days[order]
    values = [one[order] for one in columns]
    changes = np.flatnonzero((np.diff(tank_codes) != 0) | (np.diff(seasons) != 0)) + 1
    series = {}
    for begin, end in pairwise([0, *changes.tolist(), len(days)] if len(days) else []):
        index = days[begin:end] - days[begin]
        of_tank = [
            _without_holes(one[begin:end], index, blank)
            for one, blank in zip(values, (np.nan, False, False, 0.0), strict=True)
        ]
        key = (int(seasons[begin]), tanks[tank_codes[begin]])
        series[key] = TankDays(np.datetime64(int(days[begin]), "D"), *of_tank)
    return series


def _without_holes(values: NDArray[Any], index: NDArray[np.int64], blank: float) -> NDArray[Any]:
    """Values of days in their order, days that are missing blank."""
    if index[-1] + 1 == len(index):
        return values
    filled = np.full(int(index[-1]) + 1, blank, dtype=values.dtype)
    filled[index] = values
    return filled


@dataclass(frozen=True)
class StageRecords:
    """One species and stage before anything is fitted.

    rows, records: what is used, as it came and as tank records; models: published and given ones to score.
    """

    species: str
    stage: str
    rows: pd.DataFrame
    records: TankRecords
    models: Mapping[str, str | DevelopmentModel]


@dataclass(frozen=True)
class StageData(StageRecords):
    """One species and stage ready to score.

    fits: to all tanks, by form; refused: form → why there is none; is_suspect: (n,) True where the date of a tank
    is probably a wrong one.
    """

    fits: Mapping[str, DevelopmentFit]
    refused: Mapping[str, str]
    is_suspect: Masks

    @property
    def everything(self) -> dict[str, DevelopmentFit | DevelopmentModel | str]:
        """Every model that can be scored by its name: own fits, those given, published ones."""
        return {**{f"own_{form}": fit for form, fit in self.fits.items()}, **self.models}

    def curve(self, model: str) -> Curve:
        """The curve of a scored model."""
        return as_curve(self.everything[model])


_OPTIONAL: Mapping[str, Any] = {
    "species": "other", "stage": "hatch_half", "season": 0, "site_id": None, "donor_stock": None, "dating": "seen",
    "set_point_c": np.nan, "last_absent_on": pd.NaT, "first_seen_on": pd.NaT, "delivered_on": pd.NaT,
    "units_at_delivery_c_days": np.nan, "stage_at_delivery": "green", "lot_id": None,
    "usable": True, "why_not": None,
}  # fmt: skip


def completed(rows: pd.DataFrame) -> pd.DataFrame:
    """The frame with every column the scoring reads, under defaults where it has none."""
    absent = {name: value for name, value in _OPTIONAL.items() if name not in rows.columns}
    if "fraction_at_start" not in rows.columns and "units_at_delivery_c_days" in absent:
        absent["fraction_at_start"] = 0.0
    return rows.assign(**absent).reset_index(drop=True)


def stage_records(
    rows: pd.DataFrame,
    copied: CopiedDates,
    daily: Any,
    stages: Sequence[str],
    models: Sequence[DevelopmentModel] = (),
) -> tuple[list[StageRecords], pd.DataFrame]:
    """Records of every species and stage that can be used, and what is left out: species, stage, reason, rows."""
    data: list[StageRecords] = []
    left_out: list[dict[str, Any]] = []
    for (species, stage), group in rows[rows["stage"].isin(list(stages))].groupby(["species", "stage"], sort=True):
        reasons, kept = _kept(group, copied)
        try:
            records = tank_records(kept, daily) if len(kept) else None
        except NothingToAnalyse as nothing:
            records, reasons[str(nothing)] = None, len(kept)
        if records is not None:
            reasons |= dict(records.left_out)
        left_out += [{"species": species, "stage": stage, "reason": why, "rows": n} for why, n in reasons.items()]
        if records is not None:
            key = (str(species), str(stage))
            used = kept.iloc[records.rows].reset_index(drop=True)
            data.append(StageRecords(*key, used, records, _models_of(*key, models)))
    return data, pd.DataFrame(left_out, columns=["species", "stage", "reason", "rows"])


def fitted_stages(stages: Sequence[StageRecords], forms: Sequence[str]) -> list[StageData]:
    """The same with own fits of some forms, and the dates that are probably wrong ones."""
    found = iter(fit_tank_forms([(one.records, form) for one in stages for form in forms]))
    data = []
    for one in stages:
        fits: dict[str, DevelopmentFit] = {}
        refused: dict[str, str] = {}
        for form, fit in zip(forms, found, strict=False):
            if isinstance(fit, Refused):
                refused[form] = str(fit)
            else:
                fits[form] = fit
        data.append(StageData(**vars(one), fits=fits, refused=refused, is_suspect=_suspects(one.records, fits)))
    return data


def _suspects(records: TankRecords, fits: Mapping[str, DevelopmentFit]) -> Masks:
    """True for dates that are probably wrong, by the best own fit or, without one, by a rough curve."""
    fit = best_fit(fits)
    if fit is None or fit.groups is None or np.isnan(fit.groups.wrong_probability).any():
        return is_far_off(records)
    return np.asarray(fit.groups.wrong_probability > 0.5)


def _models_of(species: str, stage: str, models: Sequence[DevelopmentModel]) -> dict[str, str | DevelopmentModel]:
    """Models to score for a species and stage: those given, then every published one that is not doubted."""
    own = {one.name: one for one in models if (one.species, one.stage) == (species, stage)}
    counted = {name: one for name, one in own.items() if one.counted_from == "fertilisation"}
    return {**counted, **{name: name for name in scored_models(species, stage)}}


def _kept(group: pd.DataFrame, copied: CopiedDates) -> tuple[dict[str, int], pd.DataFrame]:
    """Rows fit to score, and the reasons for the others."""
    is_declared, is_suspected = copied.is_declared.loc[group.index], copied.is_suspected.loc[group.index]
    is_wrong = has_implausible_units(group) & ~is_declared & ~is_suspected
    is_unusable = ~group["usable"].astype(bool) & ~is_declared & ~is_suspected & ~is_wrong
    reasons = {
        "date copied from a forecast, by its own word": int(is_declared.sum()),
        "date taken for copied from a forecast sheet": int(is_suspected.sum()),
        UNITS_REASON: int(is_wrong.sum()),
        **{str(why): int(n) for why, n in group.loc[is_unusable, "why_not"].value_counts().items()},
    }
    kept = group[~is_declared & ~is_suspected & ~is_unusable & ~is_wrong]
    return {why: n for why, n in reasons.items() if n}, kept
