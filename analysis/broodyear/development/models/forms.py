"""The forms of days to a stage against constant water temperature, the curve a model draws with one, and fitting.

Five forms are known. ``D`` is days from fertilisation (or from hatch, where a model says so), ``T`` is °C:

=============  =================================  =============================================
form           equation                           used by
=============  =================================  =============================================
constant_units D = K / T                          thermal units (degree-days) above 0 °C
power          D = a · (T − alpha)^b              Bělehrádek; Crisp 1981 (a is 10^log10 a)
log_inverse    ln D = ln_a + b · ln(T − c)        Beacham & Murray 1990; the power form, other symbols
exponential    ln D = a − b · T                   Rombough 1985
linear_units   D = (intercept + slope · T) / T    units that change with temperature, Heming et al. 1982
=============  =================================  =============================================

Sources: Crisp 1981, Freshwater Biology 11:361, doi:10.1111/j.1365-2427.1981.tb01267.x; Beacham & Murray 1990,
Trans. Am. Fish. Soc. 119:927; Rombough 1985, Can. J. Fish. Aquat. Sci. 42:287; Heming, McInerney & Alderdice
1982, Can. J. Fish. Aquat. Sci. 39:1554.

The published constants of one form (say ln a, b and c) are nearly collinear: many triples draw the same curve.
Fits therefore use, at a reference temperature R inside the data,

    ln D(T) = level + (slope / curvature) · ln(1 + curvature · (T − R)),

where ``level`` is ln D(R), ``slope`` is d ln D / dT at R and ``curvature`` is 1 / (R − c). The exponential form is
curvature = 0, and constant units are slope = −1/R with curvature = 1/R: the forms are nested and compared fairly.
The published constants are computed from these at the end, with delta-method errors.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from inspect import signature
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from broodyear.development.arrays import Floats, Masks
from broodyear.errors import UsageError

# How the names of the models begin that are a declared species' nominal units.
NOMINAL = "nominal_"
FITTED_FORMS = ("constant_units", "power", "log_inverse", "exponential")
# Number of free quantities of each fitted form.
FREE = {"constant_units": 1, "exponential": 2, "power": 3, "log_inverse": 3}
# The zero of the curved forms is sought between this temperature and the coldest of the data.
LOWEST_ZERO_C = -200.0
# Below this, the curvature cannot be separated from 0 in double precision.
_NO_CURVATURE = 1e-9


def _where_positive(warmth_c: Floats, days: Callable[[Floats], Floats]) -> Floats:
    """``days`` where there is warmth above the form's zero, infinity elsewhere; NaN stays NaN."""
    is_warm = warmth_c > 0
    result = days(np.where(is_warm, warmth_c, 1.0))
    return np.where(is_warm, result, np.where(np.isnan(warmth_c), np.nan, np.inf))


FORMS: Mapping[str, Callable[..., Floats]] = {
    "constant_units": lambda temp_c, K: _where_positive(temp_c, lambda warm: K / warm),
    # In logs, because Crisp's brown trout curve has a = 10^28.8 and b = −13.9.
    "power": lambda temp_c, a, alpha, b: _where_positive(
        temp_c - alpha, lambda warm: np.exp(np.log(a) + b * np.log(warm))
    ),
    "log_inverse": lambda temp_c, ln_a, b, c: _where_positive(
        temp_c - c, lambda warm: np.exp(ln_a + b * np.log(warm))
    ),
    "exponential": lambda temp_c, a, b: np.asarray(np.exp(a - b * temp_c), dtype=float),
    "linear_units": lambda temp_c, intercept, slope: _where_positive(
        temp_c, lambda warm: (intercept + slope * warm) / warm
    ),
}
COEFFICIENTS = {form: tuple(signature(days).parameters)[1:] for form, days in FORMS.items()}


@dataclass(frozen=True)
class Curve:
    """Days to one stage at a constant temperature.

    name: the model's name; form: one of the forms above; coefficients: by the names of that form;
    valid_low_c, valid_high_c: temperatures (°C) the curve was tested at, NaN where the source does not say. Raises
    UsageError for an unknown form or coefficients of another form.
    """

    name: str
    form: str
    coefficients: Mapping[str, float]
    valid_low_c: float
    valid_high_c: float

    def __post_init__(self) -> None:
        if self.form not in FORMS:
            raise UsageError(f"{self.name}: unknown form {self.form!r}; expected one of {', '.join(FORMS)}")
        expected = COEFFICIENTS[self.form]
        if set(self.coefficients) != set(expected):
            raise UsageError(
                f"{self.name}: the form {self.form} takes the coefficients {', '.join(expected)}, "
                f"but {', '.join(self.coefficients) or 'none'} were given"
            )

    def days(self, temp_c: ArrayLike) -> Floats:
        """Days to the stage at each constant temperature (°C); infinite where development stands still."""
        return FORMS[self.form](np.asarray(temp_c, dtype=float), **self.coefficients)

    def rate(self, temp_c: ArrayLike) -> Floats:
        """Share of the development done in one day at each temperature (°C), 1/D; 0 where it stands still."""
        with np.errstate(divide="ignore"):
            return np.asarray(1.0 / self.days(temp_c), dtype=float)

    def is_tested_at(self, temp_c: ArrayLike) -> Masks:
        """True where a temperature (°C) lies inside the tested ones; False throughout when they are unknown."""
        temps = np.asarray(temp_c, dtype=float)
        return np.asarray((temps >= self.valid_low_c) & (temps <= self.valid_high_c))


def plotted(frame: pd.DataFrame, name: str, ax: Any) -> Any:
    """A curve and its limits on axes. frame: temp_c, days, low, high."""
    axes = frame.plot(x="temp_c", y="days", ax=ax, label=name)
    if frame["low"].notna().any():
        axes.fill_between(frame["temp_c"], frame["low"], frame["high"], alpha=0.2)
    axes.set_xlabel("water temperature (°C)")
    axes.set_ylabel("days to the stage")
    return axes


@dataclass(frozen=True)
class Shape:
    """One form at one reference temperature (°C)."""

    form: str
    reference_c: float

    def __post_init__(self) -> None:
        if self.form not in FITTED_FORMS:
            raise UsageError(f"unknown form {self.form!r}; expected one of {', '.join(FITTED_FORMS)}")
        if not self.reference_c > 0:
            raise UsageError(f"the reference temperature is {self.reference_c} °C; expected one above 0 °C")

    @property
    def free(self) -> int:
        """How many quantities are fitted: the first of level, slope, curvature."""
        return FREE[self.form]

    def full(self, free_values: Floats) -> tuple[Floats, Floats, Floats]:
        """(level, slope, curvature) from the fitted ones, of one curve (free,) or of many (k, free)."""
        level, none = free_values[..., 0], np.zeros(free_values.shape[:-1])
        if self.form == "constant_units":
            return level, none - 1.0 / self.reference_c, none + 1.0 / self.reference_c
        return level, free_values[..., 1], free_values[..., 2] if self.free == 3 else none

    def log_days(self, free_values: Floats, temp_c: Floats) -> Floats:
        """ln D of each curve at each temperature (°C); infinite at or below the form's zero."""
        level, slope, curvature = (value[..., None] for value in self.full(free_values))
        return np.asarray(level + slope * self._path(curvature, temp_c - self.reference_c), dtype=float)

    def gradient(self, free_values: Floats, temp_c: Floats) -> Floats:
        """Derivatives of ln D by the fitted quantities, (…, temperatures, free); 0 at or below the form's zero."""
        _, slope, curvature = (value[..., None] for value in self.full(free_values))
        away = temp_c - self.reference_c
        is_live = 1.0 + curvature * away > 0
        away = np.where(is_live, away, 0.0)
        path = self._path(curvature, away)
        with np.errstate(divide="ignore", invalid="ignore"):
            by_curvature = slope / curvature * (away / (1.0 + curvature * away) - path)
        columns = [
            is_live.astype(float),
            path,
            np.where(curvature > _NO_CURVATURE, by_curvature, -0.5 * slope * away**2),
        ]
        return np.stack(columns[: self.free], axis=-1)

    @staticmethod
    def _path(curvature: Floats, away: Floats) -> Floats:
        """ln(1 + curvature · away) / curvature, and what it comes to without a curvature."""
        inside = curvature * away
        # slope is negative, so ln D → +infinity as the warmth above the zero goes to nothing
        with np.errstate(divide="ignore", invalid="ignore"):
            curved = np.where(inside > -1.0, np.log1p(np.maximum(inside, -1.0)) / curvature, -np.inf)
        return np.where(curvature > _NO_CURVATURE, curved, away)

    def curvature_limits(self, coldest_c: float) -> tuple[float, float]:
        """Smallest and largest, where the form's zero lies between LOWEST_ZERO_C and just below ``coldest_c``."""
        closest = max(self.reference_c - coldest_c, 0.0) + 0.1
        return 1.0 / (self.reference_c - LOWEST_ZERO_C), 1.0 / closest

    def limits(self, coldest_c: float) -> tuple[Floats, Floats]:
        """(free,) lowest and highest fitted quantities; warmer water never slows development."""
        low, high = self.curvature_limits(coldest_c)
        return np.array([-np.inf, -np.inf, low])[: self.free], np.array([np.inf, 0.0, high])[: self.free]

    def published_values(self, free_values: Floats) -> Floats:
        """The form's published constants, in the order of ``COEFFICIENTS[form]``."""
        level, slope, curvature = self.full(free_values)
        if self.form == "constant_units":
            return np.array([np.exp(level) * self.reference_c])
        if self.form == "exponential":
            return np.array([level - slope * self.reference_c, -slope])
        exponent = slope / curvature
        log_a = level + exponent * np.log(curvature)
        zero = self.reference_c - 1.0 / curvature
        if self.form == "power":
            return np.array([np.exp(log_a), zero, exponent])
        return np.array([log_a, exponent, zero])

    def published_jacobian(self, free_values: Floats) -> Floats:
        """Derivatives of the published constants by the fitted quantities, (constants, free)."""
        level, slope, curvature = self.full(free_values)
        if self.form == "constant_units":
            return np.array([[np.exp(level) * self.reference_c]])
        if self.form == "exponential":
            return np.array([[1.0, -self.reference_c], [0.0, -1.0]])
        log_curvature = np.log(curvature)
        by_log_a = np.array([1.0, log_curvature / curvature, slope / curvature**2 * (1.0 - log_curvature)])
        by_exponent = np.array([0.0, 1.0 / curvature, -slope / curvature**2])
        by_zero = np.array([0.0, 0.0, 1.0 / curvature**2])
        if self.form == "power":
            a = self.published_values(free_values)[0]
            return np.array([a * by_log_a, by_zero, by_exponent])
        return np.array([by_log_a, by_exponent, by_zero])

    def curve(self, name: str, free_values: Floats, tested_low_c: float, tested_high_c: float) -> Curve:
        """The fitted curve, with the temperatures (°C) it was fitted to."""
        values = self.published_values(free_values)
        constants = dict(zip(COEFFICIENTS[self.form], map(float, values), strict=True))
        return Curve(name, self.form, constants, tested_low_c, tested_high_c)
