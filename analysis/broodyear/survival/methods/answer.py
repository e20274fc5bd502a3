"""What one method of regression gives, before it becomes the result that all share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodyear.statistics.numbers import FloatArray


@dataclass(frozen=True, eq=False)
class Answer:
    """coefficients, covariance: logit scale. dispersion: see `SurvivalFit`. log_likelihood: binomial coefficients
    included. intervals: low, high and p value of every coefficient where they are not Wald's.
    """

    coefficients: FloatArray
    covariance: FloatArray
    dispersion: float
    log_likelihood: float
    degrees_of_freedom: float = np.inf
    notes: tuple[str, ...] = ()
    intervals: tuple[FloatArray, FloatArray, FloatArray] | None = None
