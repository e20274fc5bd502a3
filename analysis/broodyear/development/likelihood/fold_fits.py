"""One form fitted to many selections of the same tanks at once, each begun at the fit to all of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from broodyear.development.likelihood.curve_likelihood import (
    MOST_AT_ONCE,
    START_SHARE,
    CurveLikelihood,
    curvature_at,
    fit_curve,
    found_sd,
    limits_of,
    scales_of,
)
from broodyear.development.likelihood.descent import lowest_points
from broodyear.development.likelihood.tank_records import TankRecords
from broodyear.development.models.shapes import Shape
from broodyear.errors import Refused

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class FoldFit:
    """A fit to some of the tanks: free quantities, spreads of tanks and of batches, share of wrong dates."""

    free: Floats
    spread_sd: float
    batch_sd: float
    wrong_share: float


def fit_folds(
    records: TankRecords, shape: Shape, whole: Floats, chosen: NDArray[np.bool_]
) -> list[FoldFit | Refused]:
    """Fits to the tanks of each row of ``chosen``, or why there is none.

    whole: parameter vector of the fit to all tanks (``theta_of``); chosen: (k, n).
    """
    target = CurveLikelihood(records, shape, chosen=chosen)
    limits = np.array([limits_of(records.mean_temp_c[row], shape) for row in chosen])
    share_of_tanks = chosen.mean(axis=1)[:, None, None]

    def curvature() -> Floats:
        return np.asarray(share_of_tanks * curvature_at(CurveLikelihood(records, shape), whole), dtype=float)

    longest = MOST_AT_ONCE * scales_of(shape)
    begin = np.repeat(whole[None, :], len(chosen), axis=0)
    # From no wrong date there is no way to some: a fold that has one among fewer tanks is begun with a share.
    begin[:, -1] = np.maximum(begin[:, -1], START_SHARE)
    theta, has_arrived = lowest_points(target.of_each, begin, limits[:, :, 0], limits[:, :, 1], curvature, longest)
    return [
        _fold_fit(shape.free, one) if arrived else _alone(records, shape, whole, row)
        for one, arrived, row in zip(theta, has_arrived, chosen, strict=True)
    ]


def _alone(records: TankRecords, shape: Shape, whole: Floats, chosen: NDArray[np.bool_]) -> FoldFit | Refused:
    """The fit by itself, where the steps of all together did not arrive."""
    try:
        fit = fit_curve(records.subset(chosen), shape, start=whole, with_errors=False)
    except Refused as refusal:
        return refusal
    return FoldFit(fit.free, fit.spread_sd, fit.batch_sd, fit.wrong_share)


def _fold_fit(p: int, theta: Floats) -> FoldFit:
    return FoldFit(theta[:p], float(np.exp(theta[p])), found_sd(float(theta[p + 1])), float(theta[-1]))
