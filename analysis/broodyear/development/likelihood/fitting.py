"""Fitting one of the four forms to measured days at constant temperature, or to the tanks' own records."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from broodyear.development.likelihood.censored import WRONG_LOG_SD
from broodyear.development.likelihood.crossed import CrossedMean, crossed_means
from broodyear.development.likelihood.crossed_posterior import MeanWanted
from broodyear.development.likelihood.curve_fits import TankFit, fit_curve, theta_of
from broodyear.development.likelihood.curve_likelihood import edges, rates_on
from broodyear.development.likelihood.fit_result import BEND_AT_LIMIT, DevelopmentFit, refuse_narrow
from broodyear.development.likelihood.tank_records import TankRecords, tank_records
from broodyear.development.models.forms import FITTED_FORMS, FORMS, Shape
from broodyear.development.models.summing import refuse_fahrenheit
from broodyear.errors import Refused, UsageError

# With two batches the spread between batches rests on one difference.
FEWEST_BATCHES = 3
# Tanks per constant and spread: below this a fit reproduces its tanks rather than describing them.
FEWEST_TANKS_PER_CONSTANT = 3
#: What two rows of one tank cannot both say.
_OF_A_TANK = ("season", "tank_id", "batch_id", "stage", "absent_day", "seen_day")
# A curve whose days are not known to a quarter at the tanks' own temperature is worse than any published one.
LARGEST_LOG_DAYS_SE = 0.25


def fit_development(
    frame: pd.DataFrame,
    form: str,
    groups: Sequence[str] = (),
    *,
    daily: Any = None,
    batch_effect: bool = True,
) -> DevelopmentFit:
    """Fit one form of days to a stage.

    frame: measured constant-temperature data (columns temp_c in °C, days), fitted by least squares in log days, or
    with a random effect of every column named in groups (sibships, batches, trays: their members share a fate); or
    tank records (tank_id, batch_id, absent_day, seen_day and the optional columns that
    ``broodyear.schemas.frames.frame_schema("tank_records")`` lists), fitted by maximum likelihood:
    interval-censored between the days, left-truncated at delivery, right-censored where seen_day is blank,
    log-normal in development but for a share of wrong dates, with a random effect per batch unless batch_effect is
    False. Where the records name site_id and donor_stock, the errors of the constants carry those groups too, and
    ``groups`` tells their spreads apart. daily: daily temperatures of tanks (°C), a frame tank_id, day (1 for the
    day of delivery), temp_c or a mapping of tank_id to values; or the frame's column daily_temp_c holds them.
    form: constant_units, power, log_inverse or exponential.

    Raises UsageError for an unknown form or missing columns, NothingToAnalyse without a usable row, and Refused,
    in words, for too few batches or values and for temperatures too close together for the form.

    >>> measured = pd.DataFrame({"temp_c": [4.0, 6, 8, 10, 12], "days": [125.0, 84, 62, 50, 42]})
    >>> round(fit_development(measured, "constant_units").coefficients.loc["K", "estimate"])
    501
    """
    if not isinstance(frame, pd.DataFrame):
        raise UsageError(
            f"a fit needs a data frame of measurements or tanks, but {type(frame).__name__} was given"
        )
    if not isinstance(form, str) or form not in FITTED_FORMS:
        known = (
            f"{form} is a form of models given, and is not fitted"
            if isinstance(form, str) and form in FORMS
            else f"unknown form {form!r}"
        )
        raise UsageError(f"{known}; expected one of {', '.join(FITTED_FORMS)}")
    if "seen_day" in frame.columns or "absent_day" in frame.columns:
        if groups:
            raise UsageError(
                "tank records have their groups from batch_id, site_id and donor_stock; leave out groups=, and "
                "summary() and group_effects tell them apart"
            )
        (found,) = fit_tank_forms([(_checked_records(frame, daily), form)], batch_effect=batch_effect)
        if isinstance(found, Refused):
            raise found
        return found
    if {"temp_c", "days"} <= set(frame.columns):
        from broodyear.development.likelihood.constant_fits import fit_constant_temperatures

        return fit_constant_temperatures(frame, form, _named_groups(frame, groups))
    raise UsageError(
        "give columns temp_c and days (constant temperatures), "
        "or tank_id, batch_id, absent_day and seen_day (tanks)"
    )


def _checked_records(frame: pd.DataFrame, daily: Any = None) -> TankRecords:
    """Tank records of a frame that somebody gave. Raises UsageError for what its schema names, row by row."""
    from broodyear.schemas.frames import checked

    records = tank_records(checked(frame, "tank_records"), daily)
    refuse_fahrenheit(np.concatenate(records.temps))
    keys = [name for name in (*_OF_A_TANK, "day") if name in frame]
    repeated = frame.loc[frame.duplicated(keys), "tank_id"].unique()
    if len(repeated):
        raise UsageError(
            f"{len(repeated)} tanks have a row twice (for example {repeated[0]}); a tank has one date of a "
            "stage in a season: leave out the copies"
        )
    return records


def _named_groups(frame: pd.DataFrame, groups: Sequence[str]) -> tuple[str, ...]:
    """The columns named as groups. Raises UsageError for those the frame lacks."""
    named = (groups,) if isinstance(groups, str) else tuple(groups)
    missing = [name for name in named if name not in frame.columns]
    if missing:
        raise UsageError(
            f"the groups {', '.join(missing)} are not columns; the frame has {', '.join(frame.columns)}"
        )
    return named


def fit_tank_forms(
    wanted: Sequence[tuple[TankRecords, str]], *, batch_effect: bool = True
) -> list[DevelopmentFit | Refused]:
    """Fits of forms to records already made ready, or why there is none; their groups are separated together."""
    found = [_curve_or_refusal(records, form, batch_effect) for records, form in wanted]
    fitted = [
        (records, *one) for (records, _), one in zip(wanted, found, strict=True) if not isinstance(one, Refused)
    ]
    groups = crossed_means([_decomposition(*one) for one in fitted]) if batch_effect else [None] * len(fitted)
    fits = iter([_tank_fit(*one, apart, batch_effect) for one, apart in zip(fitted, groups, strict=True)])
    return [one if isinstance(one, Refused) else next(fits) for one in found]


def _curve_or_refusal(records: TankRecords, form: str, batch_effect: bool) -> tuple[Shape, TankFit] | Refused:
    try:
        _refuse_thin(records, form, batch_effect)
        shape = Shape(form, float(np.round(np.median(records.mean_temp_c), 1)))
        found = fit_curve(records, shape, has_batch_effect=batch_effect)
    except Refused as refusal:
        return refusal
    return (shape, found) if found.covariance[0, 0] <= LARGEST_LOG_DAYS_SE**2 else _open_sided(records)


def _tank_fit(
    records: TankRecords, shape: Shape, found: TankFit, groups: CrossedMean | None, batch_effect: bool
) -> DevelopmentFit:
    own_covariance = found.covariance
    if groups is not None and len(records.labels) > 1 and np.isfinite(groups.covariance).all():
        own_covariance = np.where(found.covariance == 0.0, 0.0, groups.covariance)
    batch_effects = {
        "batch_id": list(records.batches), "log_effect": found.batch_mode, "std_error": found.batch_se,
        "tanks": np.bincount(records.batch, minlength=len(records.batches)),
    }  # fmt: skip
    return DevelopmentFit(
        curve=shape.curve(f"own_{shape.form}", found.free, *_tested(records)),
        log_likelihood=found.log_likelihood,
        spread_log_sd=found.spread_sd,
        batch_log_sd=found.batch_sd if batch_effect else float("nan"),
        batch_effects=pd.DataFrame(batch_effects),
        wrong_share=found.wrong_share,
        groups=groups,
        group_levels={name: tuple(map(str, np.unique(values))) for name, values in records.labels.items()},
        tanks=len(records.tank_id),
        batches=len(records.batches),
        error_df=len(records.batches) - 1 if batch_effect else len(records.tank_id) - shape.free,
        rows_given=records.rows_given,
        left_out=records.left_out,
        notes=_tank_notes(records, found, batch_effect),
        data=_days_seen(records, shape, found),
        shape=shape,
        free=found.free,
        free_covariance=own_covariance,
        is_curvature_at_limit=found.is_curvature_at_limit,
        profile=partial(_tank_profile, records, batch_effect, found, shape),
    )


def _days_seen(records: TankRecords, shape: Shape, found: TankFit) -> pd.DataFrame:
    """temp_c, days of each tank seen to reach the stage: what its development took at its mean temperature."""
    rate, _ = rates_on(shape, found.free, records.grid_c)
    _, _, absent, seen = edges(records, rate)
    temps, is_seen = records.mean_temp_c, np.isfinite(records.seen_day)
    days = 0.5 * (absent + seen) * np.exp(shape.log_days(found.free, temps))
    return pd.DataFrame({"temp_c": temps[is_seen], "days": days[is_seen]})


def _decomposition(records: TankRecords, shape: Shape, found: TankFit) -> MeanWanted:
    """What tells spreads and effects of batches, sites and stocks apart, and the constants' covariance with them.

    Log development at the event is linear in a small change of the fitted quantities, so that the fixed part of
    the crossed model is the error of these and its covariance theirs.
    """
    rate, rate_by = rates_on(shape, found.free, records.grid_c)
    intervals, _, absent, seen = edges(records, rate)
    is_seen = np.isfinite(records.seen_day)
    middle = np.where(is_seen, 0.5 * (absent + seen), absent)
    design = -(records.to_middle @ rate_by) / np.maximum(middle, 1e-12)[:, None]
    return MeanWanted(intervals, records.labels, WRONG_LOG_SD, design, is_for_new=True)


def _refuse_thin(records: TankRecords, form: str, batch_effect: bool) -> None:
    tanks, batches = len(records.tank_id), len(records.batches)
    if batch_effect and batches < FEWEST_BATCHES:
        raise Refused(
            f"the {tanks} usable tanks come from {batches} batch{'es' if batches > 1 else ''}; at least "
            f"{FEWEST_BATCHES} are needed to tell the curve from the batch, so use a published model"
        )
    wanted = FEWEST_TANKS_PER_CONSTANT * (Shape(form, 8.0).free + 1)
    if tanks < wanted:
        raise Refused(f"{tanks} usable tanks are too few for the form {form}; it needs at least {wanted}")
    if not (records.absent_day > 0.0).any():
        raise _open_sided(records)
    low, high = np.quantile(records.mean_temp_c, [0.05, 0.95])
    refuse_narrow(form, float(low), float(high), "these records")


def _open_sided(records: TankRecords) -> Refused:
    """The refusal of a curve that the looks leave open: dates seen say only that the stage came before them."""
    without = int((records.absent_day <= 0.0).sum())
    return Refused(
        f"the looks of the {len(records.tank_id)} usable tanks do not say when the stage came: {without} of them "
        "have no day on which somebody looked and it had not come (last_absent_on); write these days down, and "
        "use a published model"
    )


def _tested(records: TankRecords) -> tuple[float, float]:
    """The temperatures the tanks stand for: 2nd to 98th per cent of their means, so no stray tank widens them."""
    low, high = np.quantile(records.mean_temp_c, [0.02, 0.98])
    return float(np.floor(low * 10) / 10), float(np.ceil(high * 10) / 10)


def _tank_notes(records: TankRecords, found: TankFit, batch_effect: bool) -> tuple[str, ...]:
    notes = []
    if found.is_curvature_at_limit:
        notes.append(BEND_AT_LIMIT)
    if batch_effect and found.batch_sd == 0.0:
        notes.append("no spread between batches was found beyond that between tanks")
    if not batch_effect:
        notes.append("without an effect per batch the errors take tanks of one batch for independent")
    if records.assumed_hatchery:
        notes.append(f"the hatchery temperature of {records.assumed_hatchery} tanks was assumed to be 8 °C")
    censored = int((~np.isfinite(records.seen_day)).sum())
    if censored:
        notes.append(f"{censored} tanks ended before the stage was seen and count as later than their last look")
    return tuple(notes)


def _tank_profile(
    records: TankRecords, batch_effect: bool, found: TankFit, shape: Shape, temp_c: float, log_days: float
) -> float:
    """Best log-likelihood with ln D at one temperature held at a value."""
    there = Shape(shape.form, temp_c)
    _, slope, curvature = shape.full(found.free)
    away = temp_c - shape.reference_c
    moved = np.array([log_days, slope / (1.0 + curvature * away), curvature / (1.0 + curvature * away)])[
        : there.free
    ]
    spreads = [found.spread_sd] + ([found.batch_sd] if batch_effect else [])
    start = theta_of(moved, spreads, found.wrong_share)
    return fit_curve(
        records, there, has_batch_effect=batch_effect, start=start, with_errors=False, fixed_level=log_days
    ).log_likelihood
