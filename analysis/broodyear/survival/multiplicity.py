"""Adjusted p values within a family of tests; a missing p value stays missing and is not counted."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from broodyear.survival.arrays import FloatArray


def holm(p_values: Sequence[float] | FloatArray) -> FloatArray:
    """Holm's step-down adjustment, for planned contrasts: controls the chance of any false claim.

    Holm 1979, Scand J Stat 6:65–70. Returns an array of the same length; nan where the input is nan.

    >>> holm([0.01, 0.04, 0.03, float("nan")]).round(3).tolist()
    [0.03, 0.06, 0.06, nan]
    """
    return _adjusted(p_values, _holm_sorted)


def benjamini_hochberg(p_values: Sequence[float] | FloatArray) -> FloatArray:
    """Benjamini and Hochberg's q values, for screens: controls the expected share of false claims.

    Benjamini & Hochberg 1995 (doi 10.1111/j.2517-6161.1995.tb02031.x). Same length; nan stays nan.

    >>> benjamini_hochberg([0.01, 0.04, 0.03]).round(3).tolist()
    [0.03, 0.04, 0.04]
    """
    return _adjusted(p_values, _hochberg_sorted)


def _adjusted(p_values: Sequence[float] | FloatArray, method: Callable[[FloatArray], FloatArray]) -> FloatArray:
    values = np.asarray(p_values, dtype=float)
    adjusted = np.full(values.shape, np.nan)
    present = np.flatnonzero(~np.isnan(values))
    order = present[np.argsort(values[present], kind="stable")]
    adjusted[order] = method(values[order])
    return adjusted


def _holm_sorted(ascending: FloatArray) -> FloatArray:
    left = np.arange(len(ascending), 0, -1)
    return np.minimum(np.maximum.accumulate(left * ascending), 1.0)


def _hochberg_sorted(ascending: FloatArray) -> FloatArray:
    count = len(ascending)
    scaled = ascending * count / np.arange(1, count + 1)
    return np.minimum(np.minimum.accumulate(scaled[::-1])[::-1], 1.0)
