"""The least-squares wrapper against certified values."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from broodyear.development.likelihood.constant_fits import fit_least_squares
from broodyear.errors import Refused

GOLDEN = Path(__file__).parents[1] / "golden" / "development"
# NIST certifies eleven digits; six are asked of a solver that works in double precision with difference quotients.
SIX_DIGITS = 1e-6

CERTIFIED = json.loads((GOLDEN / "nist_certified.json").read_text())["checks"]

Model = Callable[[np.ndarray, np.ndarray], np.ndarray]

MODELS: dict[str, Model] = {
    "Misra1a": lambda b, x: b[0] * (1 - np.exp(-b[1] * x)),
    "Thurber": lambda b, x: (
        (b[0] + b[1] * x + b[2] * x**2 + b[3] * x**3) / (1 + b[4] * x + b[5] * x**2 + b[6] * x**3)
    ),
    "Rat43": lambda b, x: b[0] / (1 + np.exp(b[1] - b[2] * x)) ** (1 / b[3]),
}


def _values(check: str) -> np.ndarray:
    return np.array(list(CERTIFIED[check]["value"].values()), dtype=float)


@pytest.mark.parametrize("start", ["start1", "start2"])
@pytest.mark.parametrize("name", list(MODELS))
def test_certified_values_are_met_to_six_digits(name: str, start: str) -> None:
    data = pd.read_csv(GOLDEN / f"nist_{name}.csv")
    guess = np.array(list(CERTIFIED[f"{name}.starts"]["value"][start].values()), dtype=float)
    fit = fit_least_squares(MODELS[name], data["x"].to_numpy(), data["y"].to_numpy(), guess)
    np.testing.assert_allclose(fit.estimates, _values(f"{name}.params"), rtol=SIX_DIGITS)
    np.testing.assert_allclose(fit.std_errors, _values(f"{name}.param_sd"), rtol=SIX_DIGITS)
    residual_sum, residual_sd, _ = _values(f"{name}.rss_rsd_df")
    assert fit.residual_sum_of_squares == pytest.approx(residual_sum, rel=SIX_DIGITS)
    assert fit.residual_sd == pytest.approx(residual_sd, rel=SIX_DIGITS)
    # From the certified sum and standard deviation, because the sheet of Rat43 prints 9 where they imply 11.
    assert fit.residual_df == round(residual_sum / residual_sd**2)


def test_as_many_constants_as_values_is_refused() -> None:
    line: Model = lambda b, x: b[0] + b[1] * x  # noqa: E731
    with pytest.raises(Refused, match="2 values cannot determine 2 constants"):
        fit_least_squares(line, np.array([1.0, 2.0]), np.array([1.0, 2.0]), np.array([0.0, 1.0]))


def test_constants_that_cannot_be_told_apart_are_refused() -> None:
    twin: Model = lambda b, x: (b[0] + b[1]) * x  # noqa: E731
    with pytest.raises(Refused, match="apart"):
        fit_least_squares(twin, np.arange(1.0, 6.0), np.arange(1.0, 6.0) * 2.1, np.array([1.0, 1.0]))
    idle: Model = lambda b, x: b[0] * x + 0.0 * b[1]  # noqa: E731
    with pytest.raises(Refused, match="every constant"):
        fit_least_squares(idle, np.arange(1.0, 6.0), np.arange(1.0, 6.0) * 2.1, np.array([1.0, 1.0]))
