"""Expected dates of the stages that tanks have not reached, with intervals."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri, stdtr, stdtrit

from broodyear.development.arrays import Dates, Floats, Masks
from broodyear.development.forecast.forecast_models import (
    ForecastModel,
    candidate_models,
    counts_otherwise,
    start_of_development,
)
from broodyear.development.forecast.paths import (
    Journeys,
    StagePath,
    journeys_of,
    last_absent_on,
    remaining_stages,
    tanks_under_way,
)
from broodyear.development.likelihood.fit_result import DevelopmentFit, Fits
from broodyear.development.models.own_models import DevelopmentModel, nominal_models
from broodyear.development.models.published import LEAST_SPREAD_LOG_SD
from broodyear.development.scoring.record_checks import find_copied_dates, has_implausible_units
from broodyear.development.scoring.stage_data import (
    SCORED_FORMS,
    completed,
    derived_frames,
    fitted_stages,
    stage_records,
    stage_rows,
)
from broodyear.errors import NothingToAnalyse
from broodyear.settings import Settings
from broodyear.shown import ShownFrame, Shows, shown

FORECAST_STAGES = ("eyed", "hatch_half", "button_up")
NO_UNITS = (
    "no date: thermal units at delivery not recorded, or unlike those of other eyed eggs of the species "
    "(in °F, or counted anew at delivery); mend the delivery"
)
FORECAST_COLUMNS = (
    "season", "tank_id", "stage", "model", "headline", "expected_on", "low_80", "high_80", "low_95", "high_95",
    "days_of_record", "species", "batch_id", "delivered_on", "assumed_temp_c", "note",
)  # fmt: skip
# Beyond so many degrees of freedom Student's t is normal.
_MANY_DF = 1e6
# A look so early says nothing new; one so late by the model says more of the model, or of the look: neither moves
# a date.
_EARLIEST_LOOK, _LATEST_LOOK = 0.001, 0.975
# Quantiles so near the middle are that of a normal law and of Student's t alike.
_MIDDLE = 1e-6
_NEVER = np.datetime64("NaT", "D")
_TOO_FEW = "they are too few"
# Two-sided limits, as quantiles of a standard normal.
LIMITS = {"low_95": 0.025, "low_80": 0.10, "high_80": 0.90, "high_95": 0.975}


#: What a frame of forecasts tells and draws: the headline date of every tank and stage.
FORECASTS_SHOW = Shows(
    "Expected dates", ("tank_id", "stage", "model"), "expected_on", "low_95", "high_95", "day", {"headline": True}
)


def forecast_stages(source: Any, **options: Any) -> ShownFrame:
    """``forecast_table`` held to its public schema, telling and drawing itself; options as there."""
    from broodyear.schemas.frames import checked

    return shown(checked(forecast_table(source, **options), "forecasts"), FORECASTS_SHOW)


def forecast_table(
    source: Any,
    *,
    season: int | None = None,
    as_of: dt.date | None = None,
    stages: Sequence[str] = FORECAST_STAGES,
    fits: Fits | None = None,
    models: Sequence[DevelopmentModel] = (),
) -> pd.DataFrame:
    """Expected date of each remaining stage of each tank under way, by every model, one marked as headline.

    source: an open store, whose settings may declare species, or a mapping of tank_seasons, daily_temperature,
    observed_stages and, where there are checks for dead, staged_losses. season: default the last with a
    delivery; as_of: default the last day read in that season; nothing later is used, not even to fit.
    fits: (species, stage) → form → fit; default: own fits to what was seen up to as_of, where there is enough.
    models: further ones, of one's own, which come after own fits.

    Columns: FORECAST_COLUMNS. Dates are days on which the event is expected to fall; low_80 … high_95 limit 80 and
    95 % intervals that carry the spread between tanks and batches, the error of days not read, of the temperature
    to come and of the units at delivery; they are blank outside the tested temperatures. Where somebody looked and
    the stage had not come, date and intervals are of the days after that look, and the note says so; a tank that
    nobody looked into may have passed the stage. days_of_record: days from
    delivery to as_of that were read. assumed_temp_c: taken for the days to come. Raises NothingToAnalyse when the
    store has no delivery or no day read.
    """
    frames = derived_frames(
        source, ("tank_seasons", "daily_temperature", "observed_stages"), ("tank_stays", "staged_losses")
    )
    season = _season(frames["tank_seasons"]) if season is None else season
    today = _as_of(frames["daily_temperature"], season) if as_of is None else np.datetime64(as_of, "D")
    doubtful = has_implausible_units(frames["tank_seasons"])
    deliveries = _with_ends(frames["tank_seasons"], frames.get("tank_stays"))
    deliveries = deliveries.assign(has_doubtful_units=doubtful)
    tanks = tanks_under_way(deliveries, season, today)
    why_none: Mapping[tuple[str, str], str] = {}
    if fits is None:
        fits, why_none = _own_fits(frames, today, stages)
    waiting = remaining_stages(tanks, frames["observed_stages"], today, stages)
    if not len(waiting):
        return _empty()
    given = [*models, *nominal_models(getattr(source, "settings", Settings()))]
    losses = frames.get("staged_losses")
    journeys, read_days = journeys_of(tanks, frames["daily_temperature"], today)
    parts = []
    for (species, stage), group in waiting.groupby(["species", "stage"], sort=True):
        keep = np.isin(tanks.index.to_numpy(), group["tank"].to_numpy())
        candidates = candidate_models(str(species), str(stage), fits, given)
        looked = last_absent_on(tanks[keep], frames["observed_stages"], losses, today, str(stage))
        why = why_none.get((str(species), str(stage)), _TOO_FEW)
        parts.append(
            stage_forecast(tanks[keep], journeys.subset(keep), str(stage), candidates, looked, why).assign(
                days_of_record=np.tile(read_days[keep], max(len(candidates), 1))
            )
        )
    return _arranged(pd.concat(parts, ignore_index=True), season, today)


def _with_ends(tank_seasons: pd.DataFrame, stays: pd.DataFrame | None) -> pd.DataFrame:
    """The tanks, closed when their fish were released where that came first."""
    if stays is None:
        return tank_seasons
    tank = ["season", "tank_id"]
    ends = tank_seasons[tank].merge(stays[[*tank, "ends_on"]], on=tank, how="left")["ends_on"]
    closed = ends.set_axis(tank_seasons.index).fillna(tank_seasons["closed_on"])
    return tank_seasons.assign(closed_on=closed)


def _empty() -> pd.DataFrame:
    """No rows, with the kinds of columns a forecast has."""
    dates = dict.fromkeys(("expected_on", *LIMITS, "delivered_on"), "datetime64[us]")
    return pd.DataFrame(columns=list(FORECAST_COLUMNS)).astype({**dates, "headline": bool})


def _season(tank_seasons: pd.DataFrame) -> int:
    delivered = tank_seasons.loc[tank_seasons["delivered_on"].notna(), "season"]
    if delivered.empty:
        raise NothingToAnalyse("no delivery of eggs has been loaded; there is nothing to forecast")
    return int(delivered.max())


def _as_of(daily: pd.DataFrame, season: int) -> np.datetime64:
    read = daily.loc[(daily["season"] == season) & (daily["source"] == "observed"), "day"]
    if read.empty:
        raise NothingToAnalyse(
            f"no water temperature was read in season {season}; load readings, or name a date with --as-of"
        )
    return np.datetime64(pd.Timestamp(read.max()).date(), "D")


def own_fits(
    source: Any, *, stages: Sequence[str] = FORECAST_STAGES
) -> dict[tuple[str, str], dict[str, DevelopmentFit]]:
    """Own fits by (species, stage) and form to everything seen, as a forecast makes them.

    source: as in ``forecast_stages``. Empty where there are too few records.
    """
    frames = derived_frames(source, ("tank_seasons", "daily_temperature", "observed_stages"))
    return _own_fits(frames, np.datetime64(dt.date.max, "D"), stages)[0]


def _own_fits(
    frames: Mapping[str, pd.DataFrame], today: np.datetime64, stages: Sequence[str]
) -> tuple[dict[tuple[str, str], dict[str, DevelopmentFit]], dict[tuple[str, str], str]]:
    """Own fits to the stages seen up to today, copied dates left out, and why there is none; neither where nothing
    can be fitted to."""
    seen = frames["observed_stages"]
    known = seen[pd.to_datetime(seen["first_seen_on"]).to_numpy().astype("datetime64[D]") <= today]
    try:
        rows = completed(stage_rows({**frames, "observed_stages": known}))
    except NothingToAnalyse:
        return {}, {}
    data, _ = stage_records(rows, find_copied_dates(rows), None, stages)
    fitted = {(one.species, one.stage): one for one in fitted_stages(data, SCORED_FORMS)}
    refused = {key: next(iter(one.refused.values())) for key, one in fitted.items() if not one.fits}
    return {key: dict(one.fits) for key, one in fitted.items()}, refused


def stage_forecast(
    tanks: pd.DataFrame,
    journeys: Journeys,
    stage: str,
    models: Sequence[ForecastModel],
    looked_on: Dates | None = None,
    why_no_fit: str = _TOO_FEW,
) -> pd.DataFrame:
    """Rows of several tanks for one stage: every model after the other, each over all tanks.

    tanks: tank_id, species, batch_id, delivered_on, units_at_delivery_c_days, hatchery_temp_c and, where known,
    site_id and donor_stock; one row a journey. looked_on: of tanks, the last day on which the stage had not come,
    NaT where nobody looked (default: of all); why_no_fit: the note where no model has a date.
    """
    looked_on = np.full(len(tanks), _NEVER) if looked_on is None else looked_on
    if not models:
        note = (
            "no published model earns a default for this species and stage, and there is no fit to own records: "
            f"{why_no_fit}; a species declared in the settings has a date"
        )
        return _without_model(tanks, journeys, stage, note)
    parts = [_by_model(tanks, journeys, stage, model, looked_on) for model in models]
    # Shown first: the first model with an interval, else the first with a date, else the first.
    known = [part["expected_on"].notna().to_numpy() + 2 * part["low_95"].notna().to_numpy() for part in parts]
    for position, part in enumerate(parts):
        part["headline"] = np.argmax(known, axis=0) == position
    return pd.concat(parts, ignore_index=True)


def _without_model(tanks: pd.DataFrame, journeys: Journeys, stage: str, note: str) -> pd.DataFrame:
    empty = np.full(len(tanks), _NEVER)
    dates = dict.fromkeys(("expected_on", *LIMITS), empty)
    return _frame(tanks, journeys, stage, "none", dates, np.full(len(tanks), note, dtype=object)).assign(
        headline=True
    )


def _by_model(
    tanks: pd.DataFrame, journeys: Journeys, stage: str, model: ForecastModel, looked_on: Dates
) -> pd.DataFrame:
    units = tanks["units_at_delivery_c_days"].to_numpy(dtype=float)
    if "has_doubtful_units" in tanks:
        units = np.where(tanks["has_doubtful_units"], np.nan, units)
    hatchery = tanks["hatchery_temp_c"].to_numpy(dtype=float)
    start, start_sd = start_of_development(model, units, hatchery)
    is_known = np.isfinite(start)
    path = StagePath(journeys, model.curve.rate, np.where(is_known, start, 0.0))
    level = model.level(tanks)
    day = path.day_of(level)
    mean_temp_c = path.mean_temp_c(np.where(np.isfinite(day), day, 0.0))
    variance, degrees = model.spread(mean_temp_c, tanks)
    is_spread_known = np.isfinite(variance)
    variance = np.where(is_spread_known, variance, LEAST_SPREAD_LOG_SD**2) + start_sd**2
    is_before = is_known & (day <= 0.0)
    has_interval = model.curve.is_tested_at(mean_temp_c) & is_known & ~is_before & is_spread_known
    delivered = pd.to_datetime(tanks["delivered_on"]).to_numpy().astype("datetime64[D]")
    passed = _passed(path, level, variance, degrees, delivered, np.where(has_interval, looked_on, _NEVER))
    is_moved, is_too_late = (passed > _EARLIEST_LOOK) & (passed < _LATEST_LOOK), passed >= _LATEST_LOOK
    passed = np.where(is_moved, passed, 0.0)
    middle = path.day_of(level, *limit_of(passed + 0.5 * (1.0 - passed), variance, degrees))
    day = np.where(is_moved, middle, day)
    dates = {"expected_on": _dates(delivered, np.where(is_known, day, np.nan))}
    for name, quantile in LIMITS.items():
        limit = path.day_of(level, *limit_of(passed + quantile * (1.0 - passed), variance, degrees))
        limit = np.where(has_interval, limit, np.nan)
        dates[name] = _limit_dates(delivered, limit, dates["expected_on"], quantile)
    note = _notes(model, is_known, mean_temp_c, hatchery, units)
    note[is_before] += "; by the thermal units given it had come before delivery: are they right?"
    for which, what in (
        (is_moved, "so the dates are of the days after"),
        (is_too_late, "later than this model has it: look again"),
    ):
        note[which] += np.array([f"; not there yet on {one}, {what}" for one in looked_on[which]], dtype=object)
    return _frame(tanks, journeys, stage, model.curve.name, dates, note)


def _passed(
    path: StagePath, level: Floats, variance: Floats, degrees: Floats, delivered: Dates, looked_on: Dates
) -> Floats:
    """(n,) probability, by the model, that the stage had come by the end of the day of the last look that says it
    had not; 0 where there was none."""
    day = (looked_on - delivered) / np.timedelta64(1, "D") + 1.0
    is_look = day > 0.0  # also false where nobody looked
    log_done, extra = path.at(np.where(is_look, day, 0.0))
    reached = stdtr(np.minimum(degrees, _MANY_DF), (log_done - level) / np.sqrt(variance + extra))
    return np.where(is_look, reached, 0.0)


def limit_of(share: Floats | float, variance: Floats, degrees: Floats) -> tuple[Floats, Floats]:
    """Quantiles of a normal law, and the variance widened so that with these the limit is that of Student's t: the
    spread is itself estimated, the error of the temperatures is not."""
    normal = np.broadcast_to(ndtri(share), variance.shape)
    student = stdtrit(np.minimum(degrees, _MANY_DF), share)
    wider = np.divide(student, normal, out=np.ones(len(variance)), where=np.abs(normal) > _MIDDLE)
    return normal, variance * wider**2


def _dates(delivered: Dates, day: Floats) -> Dates:
    """The date on which a fractional day falls; the delivery day ends at 1.0."""
    is_known = np.isfinite(day)
    whole = np.maximum(np.ceil(np.where(is_known, day, 1.0)) - 1.0, 0.0).astype("timedelta64[D]")
    return np.where(is_known, delivered + whole, np.datetime64("NaT", "D"))


def _limit_dates(delivered: Dates, day: Floats, expected: Dates, quantile: float) -> Dates:
    """First or last date of an interval that ends at a fractional day: a date lies in it when its middle does, so
    that whole days hold neither more nor less than is stated. The expected date always lies in it."""
    is_known = np.isfinite(day)
    middle = np.where(is_known, day, 1.0) - 0.5
    whole = np.ceil(middle) if quantile < 0.5 else np.floor(middle)
    limit = delivered + np.maximum(whole, 0.0).astype("timedelta64[D]")
    limit = np.minimum(limit, expected) if quantile < 0.5 else np.maximum(limit, expected)
    return np.where(is_known, limit, np.datetime64("NaT", "D"))


def _notes(
    model: ForecastModel, is_known: Masks, mean_temp_c: Floats, hatchery: Floats, units: Floats
) -> NDArray[np.object_]:
    note = np.full(len(is_known), model.note, dtype=object)
    low_c, high_c = model.curve.valid_low_c, model.curve.valid_high_c
    if np.isnan(low_c):
        note += "; at which temperatures that holds is not known, so no interval"
    else:
        tested = f"; outside the tested {low_c:g} to {high_c:g} °C, so no interval"
        note[~model.curve.is_tested_at(mean_temp_c)] += tested
    note[np.isnan(hatchery) & is_known & (units > 0)] += (
        "; hatchery temperature not recorded, 5 to 11 °C allowed for"
    )
    note[~is_known] = NO_UNITS
    return note


def _frame(
    tanks: pd.DataFrame,
    journeys: Journeys,
    stage: str,
    model: str,
    dates: Mapping[str, Dates],
    note: NDArray[np.object_],
) -> pd.DataFrame:
    kept = tanks[["tank_id", "species", "batch_id", "delivered_on"]].reset_index(drop=True)
    return kept.assign(
        stage=stage,
        model=model,
        **{name: pd.to_datetime(pd.Series(values)) for name, values in dates.items()},
        assumed_temp_c=np.round(journeys.ahead_c, 2),
        note=pd.Series(note, dtype=object),
    )


def _arranged(rows: pd.DataFrame, season: int, today: np.datetime64) -> pd.DataFrame:
    is_past = rows["expected_on"].to_numpy().astype("datetime64[D]") < today  # never where there is no date
    late = f"expected before {today} and not recorded: look, or send the record; "
    rows["note"] = np.where(is_past, late, "") + rows["note"].astype(str)
    rows["season"] = season
    rows["delivered_on"] = pd.to_datetime(rows["delivered_on"])
    return in_stage_order(rows, "tank_id", FORECAST_STAGES).loc[:, list(FORECAST_COLUMNS)]


def in_stage_order(rows: pd.DataFrame, of: str, stages: Sequence[str]) -> pd.DataFrame:
    """Rows by what they are of, then by stage, the model to show first before the others."""
    rank = rows["stage"].map({stage: rank for rank, stage in enumerate(stages)}).fillna(len(stages))
    order = pd.DataFrame({"of": rows[of], "rank": rank, "is_second": ~rows["headline"]})
    by = order.sort_values(["of", "rank", "is_second"], kind="stable").index
    return rows.loc[by].reset_index(drop=True)


FORECAST_CAUTIONS = (
    "A forecast never replaces looking: the date written down is the one on which the event was seen.",
    "Release only when, where and what the permit says, whatever the date of button-up.",
    "Where no interval is given, the temperatures are not among those tested, or the model's spread is not known.",
)
# Said of a model given that has no date.
FROM_HATCH = (
    "{name} counts days from hatch, so that no date is worked out by it: that takes days from fertilisation."
)
# Said beside a plan, and beside a forecast for a day that somebody names: the two may rest on other records.
ALL_FITS = (
    "Own fits rest on every stage on record; a forecast for an earlier day rests on what was seen by then, and "
    "may show another model first."
)
EARLIER_FITS = (
    "Own fits rest on stages seen by {date}; a plan rests on every stage on record, and may show another model "
    "first."
)


def cautions_on(models: Iterable[DevelopmentModel] = ()) -> list[str]:
    """What goes with every forecast and plan; models: given ones.

    >>> cautions_on()[1]
    'Release only when, where and what the permit says, whatever the date of button-up.'
    """
    left_out = [FROM_HATCH.format(name=one.name) for one in models if counts_otherwise(one)]
    return [*left_out, *FORECAST_CAUTIONS]
