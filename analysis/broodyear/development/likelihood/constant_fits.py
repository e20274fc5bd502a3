"""Fitting a form to measured days at constant temperatures, by least squares in log days.

The trust-region solver of scipy is tightened until it reproduces the certified values of the NIST Statistical
Reference Datasets to six digits and more, and says when it has not converged.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd
from scipy.optimize import least_squares

from broodyear.development.arrays import Floats, Texts
from broodyear.development.likelihood.censored import Intervals
from broodyear.development.likelihood.constant_notes import few_levels, frame_notes, rows_far_off
from broodyear.development.likelihood.crossed import CrossedMean, crossed_means
from broodyear.development.likelihood.crossed_posterior import MeanWanted
from broodyear.development.likelihood.fit_result import DevelopmentFit, refuse_narrow
from broodyear.development.models.forms import Shape
from broodyear.development.models.summing import refuse_fahrenheit
from broodyear.errors import BroodyearError, NothingToAnalyse, Refused
from broodyear.schemas.frames import checked

_MOST_STEPS, _STEP_TOLERANCE = 20, 1e-3


def fit_constant_temperatures(frame: pd.DataFrame, form: str, groups: tuple[str, ...] = ()) -> DevelopmentFit:
    """One form in log days; frame: temp_c (°C), days and the columns of the groups, whose members share a fate.

    Without groups by least squares. With groups each has a random effect and the errors are those of groups.
    Raises as ``fit_development`` says.
    """
    named, frame = list(frame.index), frame.reset_index(drop=True)
    used, left_out = _usable_pairs(frame)
    if used.empty:
        why = "; ".join(f"{reason}: {count}" for reason, count in left_out.items())
        raise NothingToAnalyse(f"no row has both a temperature and days above 0 ({why or 'there is no row'})")
    temps, logs = used["temp_c"].to_numpy(dtype=float), np.log(used["days"].to_numpy(dtype=float))
    refuse_fahrenheit(temps)
    shape, different = Shape(form, float(temps.mean())), len(np.unique(temps))
    if different < shape.free:
        raise Refused(
            f"{different} different temperature{'s' if different > 1 else ''} cannot determine the {shape.free} "
            f"constants of the form {form}; measure at more, or choose a form with fewer constants"
        )
    refuse_narrow(form, float(temps.min()), float(temps.max()), "these measurements")
    limits = shape.limits(float(temps.min()))
    found = _least_squares(shape, temps, logs, limits)
    is_at_limit = shape.free == 3 and bool(
        np.min(np.abs(found.estimates[2] - np.array([limits[0][2], limits[1][2]]))) < 1e-6
    )
    free, covariance, spread = found.estimates, found.covariance, found.residual_sd
    error_df = float(found.residual_df)
    labels = {name: frame.loc[used.index, name].astype(str).to_numpy(dtype=str) for name in groups}
    crossed, n = None, len(logs)
    ml_variance = found.residual_sum_of_squares / n
    log_likelihood = -0.5 * n * (np.log(2.0 * np.pi * ml_variance) + 1.0) if ml_variance > 0 else float("inf")
    if groups:
        free, crossed = _with_groups(shape, found.estimates, temps, logs, labels, limits)
        covariance, spread, error_df = crossed.covariance, crossed.spread_sd, max(float(crossed.df.min()), 1.0)
        log_likelihood = _grouped_log_likelihood(logs - shape.log_days(free, temps), labels, crossed)
    return DevelopmentFit(
        curve=shape.curve(f"fitted_{form}", free, float(temps.min()), float(temps.max())),
        log_likelihood=log_likelihood,
        spread_log_sd=spread,
        batch_log_sd=float("nan"),
        batch_effects=pd.DataFrame(columns=["batch_id", "log_effect", "std_error", "tanks"]),
        wrong_share=0.0,
        groups=crossed,
        group_levels={name: tuple(map(str, np.unique(values))) for name, values in labels.items()},
        tanks=n,
        batches=0,
        error_df=error_df,
        rows_given=len(frame),
        left_out=left_out,
        notes=(
            *frame_notes(frame, used, groups, is_at_limit),
            *rows_far_off(shape, found.estimates, used, [named[row] for row in used.index]),
            *(few_levels(labels, crossed) if crossed is not None else ()),
        ),
        data=used,
        shape=shape,
        free=free,
        free_covariance=covariance,
        is_curvature_at_limit=is_at_limit,
        profile=partial(_pair_profile, form, temps, logs, found.residual_sd),
    )


def _with_groups(
    shape: Shape,
    free: Floats,
    temps: Floats,
    logs: Floats,
    labels: dict[str, Texts],
    limits: tuple[Floats, Floats],
) -> tuple[Floats, CrossedMean]:
    """The fitted quantities and the crossed model of log days about them, by repeated linear steps."""
    start, none = np.full(len(logs), -np.inf), np.zeros(len(logs), dtype=np.intp)
    for _ in range(_MOST_STEPS):
        off = logs - shape.log_days(free, temps)
        half = 1e-3 * float(np.std(off))
        exact = Intervals(off - half, off + half, start, none, 1)
        design = shape.gradient(free, temps)
        wrong_sd = max(10.0 * float(np.std(off)), 1e-6)
        (found,) = crossed_means([MeanWanted(exact, labels, wrong_sd, design, wrong_share=0.0)])
        if np.isnan(found.estimate).any():
            raise Refused(
                "the values agree to the last digit, or are too few for their groups; fit them without groups"
            )
        free = np.clip(free + found.estimate, *limits)
        if np.max(np.abs(found.estimate) / np.sqrt(np.diag(found.covariance))) < _STEP_TOLERANCE:
            break
    return free, found


def _grouped_log_likelihood(off: Floats, labels: dict[str, Texts], found: CrossedMean) -> float:
    """ln density of normal values with crossed group effects, the covariance inverted in the groups' dimension."""
    columns = [
        (labels[name][:, None] == np.unique(labels[name])[None, :]).astype(float) * found.group_sd.get(name, 0.0)
        for name in labels
    ]
    scaled = np.hstack(columns) / found.spread_sd
    inner = np.eye(scaled.shape[1]) + scaled.T @ scaled
    pulled = scaled.T @ off
    squares = off @ off - pulled @ np.linalg.solve(inner, pulled)
    log_det = 2.0 * len(off) * np.log(found.spread_sd) + np.linalg.slogdet(inner)[1]
    return float(-0.5 * (len(off) * np.log(2.0 * np.pi) + log_det + squares / found.spread_sd**2))


def _usable_pairs(frame: pd.DataFrame) -> tuple[pd.DataFrame, dict[str, int]]:
    """Rows of temperature and days, and why others are left out. Raises UsageError for columns of another kind."""
    given = frame[["temp_c", "days"]]
    numbers = given.apply(pd.to_numeric, errors="coerce")
    is_word = numbers.isna() & given.notna()
    words = [(name, given.loc[is_word[name], name]) for name in ("days", "temp_c") if is_word[name].any()]
    is_text = is_word.any(axis=1)
    is_missing = numbers.isna().any(axis=1) & ~is_text
    is_endless = np.isinf(numbers).any(axis=1) & ~is_missing & ~is_text
    is_impossible = (numbers <= 0).any(axis=1) & ~is_missing & ~is_text & ~is_endless
    why = {
        f"{name} is text, not a number (for example {str(found.iloc[0])!r})": is_text for name, found in words[:1]
    } | {
        "temperature or days missing": is_missing,
        "days or temperature not above 0": is_impossible,
        "days or temperature infinite": is_endless,
    }
    left_out = {reason: int(rows.sum()) for reason, rows in why.items() if rows.any()}
    used = given[~is_missing & ~is_text & ~is_impossible & ~is_endless]
    return checked(used, "constant_temperatures").astype(float), left_out


def _least_squares(shape: Shape, temps: Floats, logs: Floats, limits: tuple[Floats, Floats]) -> LeastSquaresFit:
    """Best of three first guesses for the curvature, so that a flat likelihood does not stop the search early."""
    tries = []
    for zero_c in (-5.0, 0.0, -40.0) if shape.free == 3 else (-5.0,):
        curvature = np.clip(1.0 / (shape.reference_c - zero_c), *shape.curvature_limits(float(temps.min())))
        guess = np.array([logs.mean(), -0.12, curvature])[: shape.free]
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
    low, high = there.limits(float(min(temps.min(), temp_c)))

    def rest(free: Floats, x: Floats) -> Floats:
        return there.log_days(np.concatenate([[log_days], free]), x)

    held = fit_least_squares(rest, temps, logs, np.clip(guess[1:], low[1:], high[1:]), (low[1:], high[1:]))
    return -0.5 * held.residual_sum_of_squares / residual_sd**2


# The solver stops when a step changes nothing that double precision can hold.
_TIGHTEST = 1e-15
_MOST_EVALUATIONS = 5000
# Difference quotients are good to about ten digits: a smaller share of a column is noise, not information.
_SINGULAR = 1e-9


@dataclass(frozen=True)
class LeastSquaresFit:
    """Result of a fit of p parameters to n values.

    estimates: (p,); std_errors: (p,), asymptotic, sqrt(diag(s² (J'J)⁻¹)); covariance: (p, p);
    residual_sum_of_squares; residual_df: n − p; residual_sd: sqrt(RSS / df).
    """

    estimates: Floats
    covariance: Floats
    residual_sum_of_squares: float
    residual_df: int

    @property
    def std_errors(self) -> Floats:
        return np.asarray(np.sqrt(np.diag(self.covariance)), dtype=float)

    @property
    def residual_sd(self) -> float:
        return float(np.sqrt(self.residual_sum_of_squares / self.residual_df))


def fit_least_squares(
    function: Callable[[Floats, Floats], Floats],
    x: Floats,
    y: Floats,
    start: Floats,
    bounds: tuple[Floats, Floats] | None = None,
) -> LeastSquaresFit:
    """Least-squares estimates of ``function(parameters, x)`` for the values ``y``.

    x: (n,) or anything ``function`` takes; y: (n,); start: (p,) first guess; bounds: lowest and highest
    parameters. Raises Refused when there are not more values than parameters, when the solver does not
    arrive, or when the values cannot tell the parameters apart.
    """
    residual_df = len(y) - len(start)
    if residual_df <= 0:
        raise Refused(
            f"{len(y)} values cannot determine {len(start)} constants and their errors; "
            f"give at least {len(start) + 1}, or choose a form with fewer constants"
        )
    # Parameters are fitted as multiples of their first guess: the solver's difference steps assume a size near 1.
    guess = np.asarray(start, dtype=float)
    scale = np.where(guess == 0.0, 1.0, np.abs(guess))
    low, high = bounds or (np.full(len(scale), -np.inf), np.full(len(scale), np.inf))
    point = guess / scale

    def residuals(multiples: Floats) -> Floats:
        return function(multiples * scale, x) - y

    for _ in range(2):  # the second run starts where the first stopped, with the scaling of that place
        solution = least_squares(
            residuals, point, jac="3-point", bounds=(low / scale, high / scale), x_scale="jac",
            ftol=_TIGHTEST, xtol=_TIGHTEST, gtol=_TIGHTEST, max_nfev=_MOST_EVALUATIONS,
        )  # fmt: skip
        point = solution.x
    if solution.status <= 0:
        raise Refused("the least-squares fit did not converge; give a first guess nearer to the values")
    residual_sum = float(2.0 * solution.cost)
    covariance = residual_sum / residual_df * _inverse_crossproduct(np.asarray(solution.jac, dtype=float) / scale)
    return LeastSquaresFit(np.asarray(point, dtype=float) * scale, covariance, residual_sum, residual_df)


def _inverse_crossproduct(jacobian: Floats) -> Floats:
    """(J'J)⁻¹ by the singular values of the column-scaled J, which loses half as many digits as J'J would."""
    scale = np.linalg.norm(jacobian, axis=0)
    if not np.all(scale > 0):
        raise Refused("the values do not depend on every constant of the form; choose a form with fewer constants")
    _, singular, right = np.linalg.svd(jacobian / scale, full_matrices=False)
    if singular[-1] < _SINGULAR * singular[0]:
        raise Refused("the values cannot tell the constants of the form apart; choose a form with fewer constants")
    half = (right.T / singular) / scale[:, None]
    return np.asarray(half @ half.T, dtype=float)
