"""What both kinds of fit share: refusing a narrow band, and the table of constants."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from broodyear.development.models.forms import COEFFICIENTS
from broodyear.development.models.shapes import Shape
from broodyear.errors import Refused

Floats = NDArray[np.float64]

# Widths of temperature (°C) below which a form's constants follow noise: a straight line in ln D needs a degree,
# a bend in it two and a half (in 7–9 °C all forms agree within the error of one thermometer).
NARROWEST_BAND_C = {"constant_units": 0.0, "exponential": 1.0, "power": 2.5, "log_inverse": 2.5}
BEND_AT_LIMIT = "the zero of the curve ran to its limit: a form with fewer constants says the same"


def refuse_narrow(form: str, low_c: float, high_c: float, what: str) -> None:
    if high_c - low_c < NARROWEST_BAND_C[form]:
        raise Refused(
            f"{what} lie in {low_c:.1f} to {high_c:.1f} °C and cannot tell the constants of the form {form} "
            f"apart; it needs {NARROWEST_BAND_C[form]:g} °C or more between the colder and the warmer ones"
        )


def constants_table(form: str, shape: Shape, free: Floats, covariance: Floats, is_at_limit: bool) -> pd.DataFrame:
    errors = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    if is_at_limit:
        errors = np.full(len(errors), np.nan)
    return pd.DataFrame(
        {"estimate": shape.published_values(free), "std_error": errors},
        index=pd.Index(COEFFICIENTS[form], name="constant"),
    )
