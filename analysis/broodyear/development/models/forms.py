"""The shapes of days to a stage against constant water temperature, and the curve a model draws with one.

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
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from broodyear.errors import UsageError

Floats = NDArray[np.float64]

# How the names of the models begin that are a declared species' nominal units.
NOMINAL = "nominal_"
FITTED_FORMS = ("constant_units", "power", "log_inverse", "exponential")


@dataclass(frozen=True)
class Curve:
    """Days to one stage at a constant temperature.

    name: the model's name; form: one of the forms above; coefficients: by the names of that form;
    valid_low_c, valid_high_c: temperatures (°C) the curve was tested at, NaN where the source does not say.
    """

    name: str
    form: str
    coefficients: Mapping[str, float]
    valid_low_c: float
    valid_high_c: float

    def __reduce__(self) -> tuple[Callable[..., Curve], tuple[object, ...]]:
        constants = dict(self.coefficients)  # a mapping that cannot change cannot be pickled either
        return curve, (self.name, self.form, constants, self.valid_low_c, self.valid_high_c)

    def days(self, temp_c: ArrayLike) -> Floats:
        """Days to the stage at each constant temperature (°C); infinite where development stands still."""
        return FORMS[self.form](np.asarray(temp_c, dtype=float), **self.coefficients)

    def rate(self, temp_c: ArrayLike) -> Floats:
        """Share of the development done in one day at each temperature (°C), 1/D; 0 where it stands still."""
        with np.errstate(divide="ignore"):
            return np.asarray(1.0 / self.days(temp_c), dtype=float)

    def is_tested_at(self, temp_c: ArrayLike) -> NDArray[np.bool_]:
        """True where a temperature (°C) lies inside the tested ones; False throughout when they are unknown."""
        temps = np.asarray(temp_c, dtype=float)
        return np.asarray((temps >= self.valid_low_c) & (temps <= self.valid_high_c))


def curve(
    name: str, form: str, coefficients: Mapping[str, float], valid_low_c: float, valid_high_c: float
) -> Curve:
    """A checked curve. Raises UsageError for an unknown form or coefficients of another form."""
    if form not in FORMS:
        raise UsageError(f"{name}: unknown form {form!r}; expected one of {', '.join(FORMS)}")
    expected = COEFFICIENTS[form]
    if set(coefficients) != set(expected):
        raise UsageError(
            f"{name}: the form {form} takes the coefficients {', '.join(expected)}, "
            f"but {', '.join(coefficients) or 'none'} were given"
        )
    return Curve(name, form, MappingProxyType(dict(coefficients)), float(valid_low_c), float(valid_high_c))


def _constant_units(temp_c: Floats, K: float) -> Floats:
    return _where_positive(temp_c, lambda warmth: K / warmth)


def _power(temp_c: Floats, a: float, alpha: float, b: float) -> Floats:
    # In logs, because Crisp's brown trout curve has a = 10^28.8 and b = −13.9.
    return _where_positive(temp_c - alpha, lambda warmth: np.exp(np.log(a) + b * np.log(warmth)))


def _log_inverse(temp_c: Floats, ln_a: float, b: float, c: float) -> Floats:
    return _where_positive(temp_c - c, lambda warmth: np.exp(ln_a + b * np.log(warmth)))


def _exponential(temp_c: Floats, a: float, b: float) -> Floats:
    return np.asarray(np.exp(a - b * temp_c), dtype=float)


def _linear_units(temp_c: Floats, intercept: float, slope: float) -> Floats:
    return _where_positive(temp_c, lambda warmth: (intercept + slope * warmth) / warmth)


def _where_positive(warmth_c: Floats, days: Callable[[Floats], Floats]) -> Floats:
    """``days`` where there is warmth above the form's zero, infinity elsewhere; NaN stays NaN."""
    is_warm = warmth_c > 0
    result = days(np.where(is_warm, warmth_c, 1.0))
    return np.where(is_warm, result, np.where(np.isnan(warmth_c), np.nan, np.inf))


FORMS: Mapping[str, Callable[..., Floats]] = MappingProxyType(
    {
        "constant_units": _constant_units,
        "power": _power,
        "log_inverse": _log_inverse,
        "exponential": _exponential,
        "linear_units": _linear_units,
    }
)

COEFFICIENTS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "constant_units": ("K",),
        "power": ("a", "alpha", "b"),
        "log_inverse": ("ln_a", "b", "c"),
        "exponential": ("a", "b"),
        "linear_units": ("intercept", "slope"),
    }
)
