"""Profile-likelihood intervals of the spreads of a mixed model."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import ndtri

from broodyear.survival.arrays import FloatArray
from broodyear.survival.mixed_optimum import Objective, best_with_fixed_spread, objective_for

if TYPE_CHECKING:
    from broodyear.survival.result import SurvivalFit

SMALLEST_SD, LARGEST_SD = 1e-3, 30.0
RATIO = 1.6  # step outwards, as a factor of the spread, while looking for a limit


def profile_spreads(fit: SurvivalFit, coverage: float = 0.95) -> pd.DataFrame:
    """Interval of each group's spread: index group; columns sd, low, high.

    A limit is where −2 log-likelihood, minimised over everything else, lies the chi-squared critical value
    above its minimum. A lower limit of 0 means that no spread at all is compatible with the rows.
    """
    from threadpoolctl import threadpool_limits

    allowed = float(ndtri(0.5 + coverage / 2.0)) ** 2
    with threadpool_limits(limits=1, user_api="blas"):
        rows = [_interval(fit, place, allowed) for place in range(len(fit.groups))]
    return pd.DataFrame(rows, index=pd.Index(fit.groups, name="group"), columns=["sd", "low", "high"])


def _interval(fit: SurvivalFit, place: int, allowed: float) -> tuple[float, float, float]:
    sds = np.maximum(fit.group_sd.to_numpy(dtype=float), SMALLEST_SD)
    objective = objective_for(fit.design, fit.quadrature_points)
    bottom = -2.0 * fit.log_likelihood

    def rise(log_sd: float) -> float:
        return _profile(fit, objective, sds, place, log_sd) - bottom - allowed

    best = float(np.log(sds[place]))
    low = _limit(rise, best, -np.log(RATIO), float(np.log(SMALLEST_SD)))
    high = _limit(rise, best, np.log(RATIO), float(np.log(LARGEST_SD)))
    return (
        float(fit.group_sd.iloc[place]),
        0.0 if low is None else float(np.exp(low)),
        np.inf if high is None else float(np.exp(high)),
    )


def _profile(fit: SurvivalFit, objective: Objective, sds: FloatArray, place: int, log_sd: float) -> float:
    start = np.log(sds)
    start[place] = log_sd
    return best_with_fixed_spread(fit.design, objective, start, fit.coefficients, place)


def _limit(rise: Callable[[float], float], best: float, step: float, end: float) -> float | None:
    """Where the profile crosses the allowed rise, searched outwards; None when it never does."""
    from scipy.optimize import brentq

    inner = best
    while (end - inner) * step > 0:
        outer = inner + step if abs(step) < abs(end - inner) else end
        if rise(outer) > 0:
            return float(brentq(rise, inner, outer, xtol=1e-5))
        inner = outer
        step *= 1.3
    return None
