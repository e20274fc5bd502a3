"""Nonlinear least squares that says when it has not converged.

One small wrapper around the trust-region solver of scipy, tightened until it reproduces the certified
values of the NIST Statistical Reference Datasets to six digits and more.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import OptimizeResult, least_squares

from broodyear.errors import Refused

Floats = NDArray[np.float64]

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
    std_errors: Floats
    covariance: Floats
    residual_sum_of_squares: float
    residual_df: int
    residual_sd: float


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
    if len(y) <= len(start):
        raise Refused(
            f"{len(y)} values cannot determine {len(start)} constants and their errors; "
            f"give at least {len(start) + 1}, or choose a form with fewer constants"
        )
    # Parameters are fitted as multiples of their first guess: the solver's difference steps assume a size near 1.
    guess = np.asarray(start, dtype=float)
    scale = np.where(guess == 0.0, 1.0, np.abs(guess))
    limits = None if bounds is None else (bounds[0] / scale, bounds[1] / scale)
    solution = _solve(lambda multiples: function(multiples * scale, x) - y, guess / scale, limits)
    return _summary(solution, scale, len(y))


def _solve(
    residuals: Callable[[Floats], Floats], start: Floats, bounds: tuple[Floats, Floats] | None
) -> OptimizeResult:
    limits = bounds if bounds is not None else (np.full(len(start), -np.inf), np.full(len(start), np.inf))
    point = np.asarray(start, dtype=float)
    solution = None
    for _ in range(2):  # the second run starts where the first stopped, with the scaling of that place
        solution = least_squares(
            residuals,
            point,
            jac="3-point",
            bounds=limits,
            x_scale="jac",
            ftol=_TIGHTEST,
            xtol=_TIGHTEST,
            gtol=_TIGHTEST,
            max_nfev=_MOST_EVALUATIONS,
        )
        point = solution.x
    if solution is None or solution.status <= 0:
        raise Refused("the least-squares fit did not converge; give a first guess nearer to the values")
    return solution


def _summary(solution: OptimizeResult, scale: Floats, n_values: int) -> LeastSquaresFit:
    jacobian = np.asarray(solution.jac, dtype=float) / scale
    n_free = jacobian.shape[1]
    residual_sum = float(2.0 * solution.cost)
    residual_df = n_values - n_free
    covariance = residual_sum / residual_df * _inverse_crossproduct(jacobian)
    return LeastSquaresFit(
        estimates=np.asarray(solution.x, dtype=float) * scale,
        std_errors=np.sqrt(np.diag(covariance)),
        covariance=covariance,
        residual_sum_of_squares=residual_sum,
        residual_df=residual_df,
        residual_sd=float(np.sqrt(residual_sum / residual_df)),
    )


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
