"""Numbers for the figures of development: curves, and the fan of one tank's forecast."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import pandas as pd

from broodyear.development.forecast.forecast_models import candidate_models, start_of_development
from broodyear.development.forecast.forecasting import LIMITS, limit_of
from broodyear.development.forecast.paths import StagePath, journeys_of, tanks_under_way
from broodyear.development.likelihood.fit_result import DevelopmentFit, Fits
from broodyear.development.models.own_models import DevelopmentModel
from broodyear.development.models.published import as_curve, constant_units_model, published_pairs
from broodyear.development.scoring.assessment import DevelopmentAssessment
from broodyear.development.scoring.stage_data import derived_frames
from broodyear.errors import NothingToAnalyse

_STEP_C = 0.25
_CURVE_COLUMNS = {"temp_c": float, "days": float, "low": float, "high": float, "model": str, "is_own": bool}


def curve_data(assessment: DevelopmentAssessment, species: str, stage: str) -> pd.DataFrame:
    """Days to a stage by temperature: model, is_own, temp_c, days, low, high (95 %; NaN where no error is known).

    One own fit, the models given, the published default and constant units, each drawn over the temperatures it
    was tested at, or over the programme's own where the source gives none; no rows where none could be scored.
    """
    models = list(assessment.shown[(species, stage)])
    if not models:
        return pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in _CURVE_COLUMNS.items()})
    constant = constant_units_model(species, stage)
    if constant is not None and constant not in models:
        models.append(constant)
    fits, predicted = assessment.fits[(species, stage)], assessment.predictions
    seen = predicted.loc[(predicted["species"] == species) & (predicted["stage"] == stage), "mean_temp_c"]
    own_range = (float(seen.min()), float(seen.max())) if len(seen) else (4.0, 12.0)
    drawn = {f"own_{form}": fit for form, fit in fits.items()} | dict(assessment.given)
    parts = [_one_curve(name, drawn.get(name, name), own_range) for name in models]
    return pd.concat(parts, ignore_index=True)


def _one_curve(
    name: str, model: DevelopmentFit | DevelopmentModel | str, own_range: tuple[float, float]
) -> pd.DataFrame:
    drawn, is_own = as_curve(model), isinstance(model, DevelopmentFit)
    low_c, high_c = drawn.valid_low_c, drawn.valid_high_c
    if not is_own:  # beyond the programme's own water a curve only stretches the axis
        low_c, high_c = own_range if np.isnan(low_c) else (low_c, high_c)
        low_c, high_c = max(low_c, own_range[0] - 1.0), min(high_c, own_range[1] + 1.0)
    temps = _grid(low_c, high_c)
    frame = pd.DataFrame({"temp_c": temps, "days": drawn.days(temps), "low": np.nan, "high": np.nan})
    if not isinstance(model, str):
        frame = model.interval(temps).drop(columns="is_in_range")
    return frame.assign(model=name, is_own=is_own)


def _grid(low_c: float, high_c: float) -> np.ndarray[Any, np.dtype[np.float64]]:
    if high_c <= low_c:
        return np.array([low_c])
    return np.linspace(low_c, high_c, max(int(np.ceil((high_c - low_c) / _STEP_C)) + 1, 2))


def pairs_data(species: str, stage: str) -> pd.DataFrame:
    """Published days to a stage at temperatures, flagged ones left out: temp_c, days, event, source."""
    pairs = published_pairs()
    chosen = pairs[(pairs["species"] == species) & (pairs["stage"] == stage) & ~pairs["is_flagged"]]
    return chosen[chosen["counted_from"] == "fertilisation"][["temp_c", "days", "event", "source"]]


def fan_data(
    source: Any, season: int, tank_id: str, stage: str, as_of: dt.date, fits: Fits | None = None
) -> pd.DataFrame:
    """Development of one tank towards a stage by date: date, is_recorded, done_pct, low_80 … high_95.

    done_pct reaches 100 on the expected date; the limits are of what is done by a date, with the spread of the
    model that heads the tank's forecast. Raises NothingToAnalyse when the tank has no eggs then, or no model.
    """
    frames = derived_frames(source, ("tank_seasons", "daily_temperature"))
    today = np.datetime64(as_of, "D")
    tanks = tanks_under_way(frames["tank_seasons"], season, today)
    tanks = tanks[tanks["tank_id"] == tank_id].reset_index(drop=True)
    models = candidate_models(str(tanks["species"].iloc[0]), stage, fits or {}) if len(tanks) else []
    if not models:
        raise NothingToAnalyse(f"tank {tank_id} has no eggs on {as_of}, or no model for {stage}; choose another")
    model = models[0]
    journeys, _ = journeys_of(tanks, frames["daily_temperature"], today)
    units = tanks["units_at_delivery_c_days"].to_numpy(dtype=float)
    start, start_sd = start_of_development(model, units, tanks["hatchery_temp_c"].to_numpy(dtype=float))
    if np.isnan(start).any():
        raise NothingToAnalyse(f"the thermal units at delivery of tank {tank_id} are not known; mend the delivery")
    path = StagePath(journeys, model.curve.rate, start)
    level = model.level(tanks)
    reached = path.day_of(level)
    variance, degrees = model.spread(path.mean_temp_c(np.nan_to_num(reached)), tanks)
    limits = {name: limit_of(quantile, variance + start_sd**2, degrees) for name, quantile in LIMITS.items()}
    last = int(np.ceil(np.nan_to_num(reached, nan=journeys.days[0] + 30.0)[0] * 1.15)) + 3
    rows = []
    for day in range(last + 1):
        log_done, extra = path.at(np.array([float(day)]))
        row = {"day": day, "done_pct": float(100.0 * np.exp(log_done - level)[0])}
        for name, (quantile, widened) in limits.items():
            row[name] = float(100.0 * np.exp(log_done - level + quantile * np.sqrt(widened + extra))[0])
        rows.append(row)
    frame = pd.DataFrame(rows)
    delivered = pd.Timestamp(tanks["delivered_on"].iloc[0])
    frame["date"] = delivered + pd.to_timedelta(frame["day"], unit="D")
    frame["is_recorded"] = frame["day"] <= int(journeys.days[0])
    return frame.assign(model=model.curve.name, tank_id=tank_id, stage=stage)
