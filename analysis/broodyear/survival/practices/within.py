"""What tanks that share a batch say of a factor, beside what all tanks say.

The means of a factor's columns over the batch, added to the model, leave its own coefficients to comparisons
within batches (Mundlak 1978, doi 10.2307/1913646); the coefficient of a mean is by how much batches compared with
each other say something else.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from broodyear.statistics.numbers import FloatArray, delta_errors, two_sided_p
from broodyear.survival.averaging import LogOdds
from broodyear.survival.practices.contrasts import Contrast
from broodyear.survival.practices.model import AdjustedModel
from broodyear.survival.practices.working import Estimates

#: Both answers are said to differ at this p, when they lie this many standard errors apart.
DIFFERS_BELOW = 0.01
DIFFERS_BY = 1.0


@dataclass(frozen=True, eq=False)
class Within(LogOdds):
    """One contrast within batches; shift: from the answer of all tanks; p_between: that batches compared with
    each other say the same."""

    shift: float
    p_between: float

    def disagrees(self, contrast: Contrast) -> bool:
        """Whether tanks of one batch contradict the contrast: other in sign, or clearly not the same."""
        apart = abs(self.log_odds - contrast.log_odds) > DIFFERS_BY * contrast.error
        opposite = self.log_odds * contrast.log_odds < 0.0
        return apart and (opposite or self.p_between < DIFFERS_BELOW)


def within_batches(model: AdjustedModel, contrasts: list[Contrast]) -> dict[tuple[str, str], Within]:
    """Contrasts of the model within batches, by factor and level; without those that no batch can tell."""
    if "batch_id" not in model.groups:
        return {}
    found = {}
    for name in dict.fromkeys(contrast.factor for contrast in contrasts if contrast.direction is not None):
        means = batch_means(model.rows["batch_id"], model.columns.matrix[:, model.columns.places[name]])
        wider = model.working.with_columns(means)
        for contrast in contrasts:
            if wider is not None and contrast.factor == name and contrast.direction is not None:
                found[name, contrast.level] = _within(model, contrast, contrast.direction, wider)
    return found


def batch_means(batch: pd.Series, columns: FloatArray) -> FloatArray:
    """Means of columns over the rows of each row's batch, from the mean of all."""
    codes, levels = pd.factorize(batch)
    members = np.bincount(codes, minlength=len(levels))
    means = np.column_stack([(np.bincount(codes, column, len(levels)) / members)[codes] for column in columns.T])
    return np.asarray(means - means.mean(axis=0), dtype=float)


def _within(model: AdjustedModel, contrast: Contrast, direction: FloatArray, wider: Estimates) -> Within:
    extra = len(wider.coefficients) - len(direction)
    longer = np.concatenate([direction, np.zeros(extra)])
    shift = float(longer @ wider.coefficients - direction @ model.working.plain.coefficients)
    between = np.zeros(len(wider.coefficients))
    place = model.columns.places[contrast.factor]
    between[len(direction) :] = model.spread_out(direction)[place]
    gap, gap_error = float(between @ wider.coefficients), float(delta_errors(between, wider.covariance))
    return Within(
        log_odds=contrast.log_odds + shift,
        shift=shift,
        error=float(delta_errors(longer, wider.covariance)),
        degrees=wider.degrees(longer),
        p_between=float(two_sided_p(gap / gap_error, wider.degrees(between))),
    )
