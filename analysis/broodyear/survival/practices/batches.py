"""Batches against the typical others: one that is far off must not make all ordinary ones differ from the rest."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from broodyear.claims import CLAIMED_AT
from broodyear.statistics.multiplicity import holm
from broodyear.statistics.numbers import BoolArray, FloatArray, two_sided_p
from broodyear.survival.practices.levels import ESTIMATE_COLUMNS, against_the_rest, estimate_columns

BATCH_ESTIMATES = [
    "adjusted_pct", "difference_points", "difference_low", "difference_high", "p_value", "left_out",
]  # fmt: skip


def batches_compared(
    tanks: pd.Series, survival: FloatArray, error_of: Callable[[FloatArray], FloatArray], degrees: FloatArray
) -> pd.DataFrame:
    """BATCH_ESTIMATES by batch_id, each batch against the typical others; left_out: those that are not typical.

    tanks: by batch_id; survival: of each batch (0–1); error_of: standard errors of contrasts of these, with
    degrees of freedom.
    """

    def p_values(against: FloatArray) -> FloatArray:
        return two_sided_p(against @ survival / np.maximum(error_of(against), 1e-300), degrees)

    against, apart = against_the_typical(tanks, p_values)
    error = 100.0 * error_of(against)
    columns = estimate_columns(survival, np.zeros(len(tanks)), against, error, degrees)
    found = pd.DataFrame(columns, tanks.index, ESTIMATE_COLUMNS)
    names = [str(name) for name in tanks.index[apart]]
    found["left_out"] = [", ".join(name for name in names if name != str(own)) for own in found.index]
    blank = dict.fromkeys(BATCH_ESTIMATES[1:-1], np.nan) if len(found) == 1 else {}
    return found[BATCH_ESTIMATES].assign(**blank)


def against_the_typical(
    tanks: ArrayLike, p_values: Callable[[FloatArray], FloatArray]
) -> tuple[FloatArray, BoolArray]:
    """Contrast matrix: each level less the mean of the typical others, weighted by their tanks; and which levels
    are not typical.

    One that is far off would make all ordinary ones differ from the others. So the clearest of those told apart
    (Holm) is set aside, and the next when it still is, while more than half of the levels remain. p_values: of the
    rows of a contrast matrix.
    """
    number = np.asarray(tanks, dtype=float)
    apart = np.zeros(len(number), dtype=bool)
    while True:
        contrast = against_the_rest(np.where(apart, 0.0, number))
        p = np.where(apart, np.nan, p_values(contrast))
        is_clear = np.nan_to_num(holm(p), nan=1.0) <= CLAIMED_AT
        if not is_clear.any() or 2 * (apart.sum() + 1) >= len(apart):
            return contrast, apart
        apart[np.nanargmin(p)] = True
