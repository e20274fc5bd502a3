"""Fitting a form to measured days at constant temperatures, by least squares in log days."""

from __future__ import annotations

from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from broodyear.development.likelihood.fit_parts import BEND_AT_LIMIT, constants_table, refuse_narrow
from broodyear.development.likelihood.fit_result import DevelopmentFit, collinearity_sentence
from broodyear.development.likelihood.least_squares import LeastSquaresFit, fit_least_squares
from broodyear.development.models.forms import COEFFICIENTS
from broodyear.development.models.shapes import Shape
from broodyear.errors import BroodyearError, NothingToAnalyse, Refused

Floats = NDArray[np.float64]


def fit_constant_temperatures(frame: pd.DataFrame, form: str) -> DevelopmentFit:
    """Least squares in log days of one form; frame: temp_c (°C), days. Raises as ``fit_development`` says."""
    used, left_out = _usable_pairs(frame)
    if used.empty:
        raise NothingToAnalyse("no row has both a temperature and days above 0")
    temps, logs = used["temp_c"].to_numpy(dtype=float), np.log(used["days"].to_numpy(dtype=float))
    shape = Shape(form, float(temps.mean()))
    if len(np.unique(temps)) < shape.free:
        raise Refused(
            f"{len(np.unique(temps))} different temperatures cannot determine the {shape.free} constants of the "
            f"form {form}; measure at more, or choose a form with fewer constants"
        )
    refuse_narrow(form, float(temps.min()), float(temps.max()), "these measurements")
    limits = _free_limits(shape, float(temps.min()))
    found = _least_squares(shape, temps, logs, limits)
    is_at_limit = shape.free == 3 and bool(
        np.min(np.abs(found.estimates[2] - np.array([limits[0][2], limits[1][2]]))) < 1e-6
    )
    jacobian = shape.published_jacobian(found.estimates)
    covariance = jacobian @ found.covariance @ jacobian.T
    n = len(logs)
    ml_variance = found.residual_sum_of_squares / n
    return DevelopmentFit(
        form=form,
        curve=shape.curve(f"fitted_{form}", found.estimates, float(temps.min()), float(temps.max())),
        coefficients=constants_table(form, shape, found.estimates, covariance, is_at_limit),
        log_likelihood=-0.5 * n * (np.log(2.0 * np.pi * ml_variance) + 1.0) if ml_variance > 0 else float("inf"),
        spread_log_sd=found.residual_sd,
        batch_log_sd=float("nan"),
        batch_effects=pd.DataFrame(columns=["batch_id", "log_effect", "std_error", "tanks"]),
        wrong_share=0.0,
        groups=None,
        group_levels={},
        tanks=n,
        batches=0,
        error_df=found.residual_df,
        rows_given=len(frame),
        rows_used=n,
        left_out=left_out,
        collinearity=collinearity_sentence(COEFFICIENTS[form], covariance * (not is_at_limit)),
        notes=(BEND_AT_LIMIT,) if is_at_limit else (),
        shape=shape,
        free=found.estimates,
        covariance=found.covariance,
        profile=partial(_pair_profile, form, temps, logs, found.residual_sd),
    )


def _usable_pairs(frame: pd.DataFrame) -> tuple[pd.DataFrame, dict[str, int]]:
    temps = pd.to_numeric(frame["temp_c"], errors="coerce")
    days = pd.to_numeric(frame["days"], errors="coerce")
    is_missing = temps.isna() | days.isna()
    is_impossible = ~is_missing & ((days <= 0) | (temps <= 0))
    left_out = {
        reason: int(count)
        for reason, count in (
            ("temperature or days missing", is_missing.sum()),
            ("days or temperature not above 0", is_impossible.sum()),
        )
        if count
    }
    keep = ~is_missing & ~is_impossible
    return pd.DataFrame({"temp_c": temps[keep], "days": days[keep]}), left_out


def _free_limits(shape: Shape, coldest_c: float) -> tuple[Floats, Floats]:
    low, high = shape.bend_limits(coldest_c)
    lowest = np.array([-np.inf, -np.inf, low])[: shape.free]
    highest = np.array([np.inf, 0.0, high])[: shape.free]
    return lowest, highest


def _least_squares(shape: Shape, temps: Floats, logs: Floats, limits: tuple[Floats, Floats]) -> LeastSquaresFit:
    """Best of three first guesses for the bend, so that a flat likelihood does not stop the search early."""
    tries = []
    for zero_c in (-5.0, 0.0, -40.0) if shape.free == 3 else (-5.0,):
        bend = np.clip(1.0 / (shape.reference_c - zero_c), *shape.bend_limits(float(temps.min())))
        guess = np.array([logs.mean(), -0.12, bend])[: shape.free]
        try:
            tries.append(fit_least_squares(lambda free, x: shape.log_days(free, x), temps, logs, guess, limits))
        except BroodyearError as error:
            reason = error
    if not tries:
        raise reason
    return min(tries, key=lambda fit: fit.residual_sum_of_squares)


def _pair_profile(
    form: str, temps: Floats, logs: Floats, residual_sd: float, temp_c: float, log_days: float
) -> float:
    """Log-likelihood (at the residual SD) of the best curve through one value at one temperature."""
    there = Shape(form, temp_c)
    guess = np.array([log_days, -0.12, 1.0 / (temp_c + 5.0)])[: there.free]
    if there.free == 1:
        residual = logs - there.log_days(np.array([log_days]), temps)
        return float(-0.5 * np.sum(residual**2) / residual_sd**2)
    low, high = _free_limits(there, float(min(temps.min(), temp_c)))

    def rest(free: Floats, x: Floats) -> Floats:
        return there.log_days(np.concatenate([[log_days], free]), x)

    held = fit_least_squares(rest, temps, logs, np.clip(guess[1:], low[1:], high[1:]), (low[1:], high[1:]))
    return -0.5 * held.residual_sum_of_squares / residual_sd**2
