"""P-values adjusted for how many were looked at."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from broodyear.errors import Refused

Adjustment = Literal["benjamini_hochberg", "holm"]

_STATSMODELS_NAMES = {"benjamini_hochberg": "fdr_bh", "holm": "holm"}


def adjust_p_values(p_values: ArrayLike, method: Adjustment = "benjamini_hochberg") -> NDArray[np.float64]:
    """Adjusted p-values in the order given; a missing p stays missing and does not count as a test.

    benjamini_hochberg: the false-discovery rate of a screen (Benjamini Y, Hochberg Y 1995, Journal of the
    Royal Statistical Society B 57:289-300); holm: family-wise, for planned contrasts (Holm S 1979,
    Scandinavian Journal of Statistics 6:65-70).
    """
    from statsmodels.stats.multitest import multipletests

    if method not in _STATSMODELS_NAMES:
        raise Refused(f"adjustment must be benjamini_hochberg or holm, but {method!r} was passed")
    given = np.asarray(p_values, dtype=float)
    adjusted = np.full(given.shape, np.nan)
    tested = ~np.isnan(given)
    # multipletests turns every value into NaN when one p is NaN, so the missing ones are kept away from it.
    if tested.any():
        adjusted[tested] = multipletests(given[tested], method=_STATSMODELS_NAMES[method])[1]
    return adjusted


def adjust_within(p_values: ArrayLike, families: ArrayLike) -> NDArray[np.float64]:
    """Benjamini-Hochberg q-values within each family (season and outcome), one label per p."""
    given, labels = np.asarray(p_values, dtype=float), np.asarray(families)
    adjusted = np.full(given.shape, np.nan)
    for label in np.unique(labels):
        family = labels == label
        adjusted[family] = adjust_p_values(given[family])
    return adjusted
