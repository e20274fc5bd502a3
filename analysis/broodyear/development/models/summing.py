"""Days to a stage at constant temperature, and summing daily rates when the temperature varies.

The development fraction after n days is F = F0 + Σ 1/D(T_day); the stage is reached when F = 1, with the
fractional day found inside the day it happens. Day 1 ends at 1.0.
"""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from broodyear.development.arrays import Floats
from broodyear.development.models.forms import Curve
from broodyear.development.models.published import as_curve
from broodyear.errors import BroodyearWarning, UsageError

F_DAYS_PER_C_DAY = 1.8
# No water that eggs of these fish live in is as warm as this; what is above it is in °F.
WARMEST_C = 30.0
# A sum of a hundred equal rates may miss 1 by a few units in the last place; that is not another day.
_ROUNDING = 1e-12


def units_c_days(units: ArrayLike, thermal_unit: str) -> Any:
    """Thermal units in °C·d above 0 °C from units in ``thermal_unit`` ("c_days", or "f_days" above 32 °F).

    Raises UsageError for another unit.

    >>> units_c_days(900, "f_days")
    500.0
    """
    if thermal_unit not in ("c_days", "f_days"):
        raise UsageError(f"unknown thermal unit {thermal_unit!r}; expected c_days or f_days")
    values = _numbers(units, "thermal units are numbers (°C·d or °F·d)") / (
        F_DAYS_PER_C_DAY if thermal_unit == "f_days" else 1.0
    )
    return float(values) if values.ndim == 0 else values


def days_to_stage(model: Any, temp_c: ArrayLike) -> Any:
    """Days to a stage at constant temperature, a float for one temperature (°C) and an array for several.

    model: name of a published model, a row of ``published_models()``, or a fit. Days count from fertilisation
    unless the model says from hatch; infinite where development stands still. Outside the temperatures the model
    was tested at the number comes with a BroodyearWarning: it is an extrapolation. Raises UsageError for an
    unknown model or a missing temperature.

    >>> days_to_stage("fit_Heming1982_chinook_hatch", [6.0, 8.0, 10.0]).round(1).tolist()
    [95.0, 70.9, 55.0]
    """
    drawn = as_curve(model)
    temps = _temperatures(temp_c)
    if np.isnan(temps).any():
        raise UsageError("a temperature is missing; give °C for every value asked for")
    warn_outside(drawn, temps)
    days = drawn.days(temps)
    return float(days) if temps.ndim == 0 else days


def _temperatures(given: ArrayLike) -> Floats:
    return _numbers(given, "temperatures are numbers (°C)")


def refuse_fahrenheit(temps: Floats) -> None:
    """Raises UsageError where temperatures, given as °C, can only be °F."""
    endless = int(np.isinf(temps).sum())
    if endless:
        raise UsageError(f"{endless} of {temps.size} temperatures are infinite; fill or leave out the gap first")
    too_warm = temps[temps > WARMEST_C]
    if too_warm.size:
        found = f"{too_warm.min():.1f}" + (f" to {too_warm.max():.1f}" if too_warm.size > 1 else "")
        raise UsageError(
            f"{too_warm.size} of {temps.size} temperatures are {found} and look like °F; give °C, (°F − 32) / 1.8"
        )


def _numbers(given: ArrayLike, expected: str) -> Floats:
    try:
        return np.asarray(given, dtype=float)
    except (TypeError, ValueError):
        raise UsageError(f"{expected}, but this is of type {type(given).__name__}") from None


def forecast_day(model: Any, daily_temp_c: ArrayLike, fraction_at_start: float = 0.0) -> float:
    """The fractional day on which the stage is reached, summing 1/D over daily mean temperatures (°C).

    daily_temp_c: (days,), the first is the day that ends at 1.0; fraction_at_start: share of the development done
    before it. 0.0 when that share is already 1; NaN when the stage is not reached within the days given.
    Temperatures outside the model's tested ones give a BroodyearWarning. Raises UsageError for missing
    temperatures, for those that can only be °F, and for a share that is missing or below 0.

    >>> round(forecast_day("fit_Heming1982_chinook_hatch", [8.0] * 120), 1)
    70.9
    >>> round(forecast_day("fit_Heming1982_chinook_hatch", [8.0] * 120, fraction_at_start=0.5), 1)
    35.5
    """
    drawn = as_curve(model)
    temps = _temperatures(daily_temp_c)
    if temps.ndim != 1:
        raise UsageError(f"daily temperatures are one row of days, but an array of shape {temps.shape} was given")
    n_missing = int(np.isnan(temps).sum())
    if n_missing:
        raise UsageError(
            f"{n_missing} of {len(temps)} daily temperatures are missing; fill or leave out the gap first"
        )
    refuse_fahrenheit(temps)
    start = _numbers(fraction_at_start, "the fraction at the start is one number")
    if start.ndim or not 0.0 <= start < np.inf:
        raise UsageError(f"the fraction at the start is {fraction_at_start}; expected 0 (fertilisation) or more")
    warn_outside(drawn, temps)
    return day_reached(start + np.cumsum(drawn.rate(temps)), float(start))


def day_reached(fraction_at_day_end: Floats, fraction_at_start: float) -> float:
    """Fractional day on which a rising fraction (at the end of each day) reaches 1; NaN when it does not."""
    if fraction_at_start >= 1.0 - _ROUNDING:
        return 0.0
    if not len(fraction_at_day_end) or not fraction_at_day_end[-1] >= 1.0 - _ROUNDING:
        return float("nan")
    day = int(np.searchsorted(fraction_at_day_end, 1.0 - _ROUNDING))
    before = fraction_at_day_end[day - 1] if day else fraction_at_start
    return float(day + min((1.0 - before) / (fraction_at_day_end[day] - before), 1.0))


def fraction_at_delivery(model: Any, units_at_delivery_c_days: ArrayLike, hatchery_temp_c: ArrayLike) -> Any:
    """Share of the development done before delivery, F0 = (K / T0) / D(T0).

    units_at_delivery_c_days: K, thermal units since fertilisation; hatchery_temp_c: T0, mean temperature at the
    hatchery. Floats for scalars, arrays for arrays; NaN where either is missing.

    >>> round(fraction_at_delivery("fit_Heming1982_chinook_hatch", 300.0, 8.0), 3)
    0.529
    """
    units = _numbers(units_at_delivery_c_days, "thermal units are numbers (°C·d)")
    temps = _temperatures(hatchery_temp_c)
    share = units / np.where(temps > 0, temps, np.nan) * as_curve(model).rate(temps)
    return float(share) if share.ndim == 0 else share


def warn_outside(drawn: Curve, temps_c: Floats) -> None:
    """BroodyearWarning when temperatures (°C) lie outside the tested ones, or those are unknown."""
    is_outside = ~drawn.is_tested_at(temps_c)
    n_outside = int(np.sum(is_outside))
    if not n_outside:
        return
    outside = np.atleast_1d(temps_c)[np.atleast_1d(is_outside)]
    ends = list(dict.fromkeys(f"{end:.1f}" for end in (outside.min(), outside.max())))
    found = f"{n_outside} of {temps_c.size} temperatures, {' to '.join(ends)} °C"
    caution = f"{found}, are an extrapolation, it was tested at {drawn.valid_low_c:g} to {drawn.valid_high_c:g} °C"
    if np.isnan(drawn.valid_low_c):
        caution = f"it is not stated for which temperatures it was made; {found}, may be an extrapolation"
    warnings.warn(
        f"{drawn.name}: {caution}; give the number without an interval",
        BroodyearWarning,
        stacklevel=3,
    )
