"""Adjusted p values within a family of tests; a missing p value stays missing and is not counted."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import ArrayLike

from broodyear.statistics.numbers import FloatArray

#: Draws behind a single-step adjustment: the error of an adjusted p of 0.05 is then 0.001.
DRAWS = 50_000
SEED = 20_080_301
#: With fewer draws beyond the value than this, the sum of the family's p values is the more exact answer.
FEWEST_BEYOND = 50


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


def adjust_within(p_values: ArrayLike, families: ArrayLike) -> FloatArray:
    """Benjamini–Hochberg q values within each family (season and outcome), one label per p."""
    given, labels = np.asarray(p_values, dtype=float), np.asarray(families)
    adjusted = np.full(given.shape, np.nan)
    for label in np.unique(labels):
        family = labels == label
        adjusted[family] = benjamini_hochberg(given[family])
    return adjusted


def single_step(p_values: Sequence[float] | FloatArray, correlation: FloatArray) -> FloatArray:
    """Single-step (max-t) adjustment from the joint correlation of the estimates; Holm where that is no such
    thing.

    p_values: two-sided, of t statistics each with its own degrees of freedom; correlation: of their estimates,
    shape (tests, tests). The adjusted p is the chance that the smallest p of the family is at least as small when
    nothing differs (Hothorn, Bretz & Westfall 2008, doi 10.1002/bimj.200810425, by drawing: fixed seed, so the
    same records give the same numbers). A missing p stays missing.
    """
    from scipy.special import ndtri

    given = np.asarray(p_values, dtype=float)
    present = np.flatnonzero(np.isfinite(given))
    adjusted = np.full(given.shape, np.nan)
    if not present.size:
        return adjusted
    root = _root(correlation[np.ix_(present, present)])
    if root is None:
        return holm(given)
    drawn = root @ np.random.default_rng(SEED).standard_normal((DRAWS, len(present))).T
    largest = np.sort(np.abs(drawn, out=drawn).max(axis=0))
    sizes = -ndtri(np.clip(given[present] / 2.0, 1e-300, 0.5))
    beyond = DRAWS - np.searchsorted(largest, sizes)
    most = np.minimum(len(present) * given[present], 1.0)
    found = np.where(beyond < FEWEST_BEYOND, most, np.minimum(beyond / DRAWS, most))
    adjusted[present] = np.maximum(found, given[present])
    return adjusted


def no_surer(p_values: ArrayLike, first: ArrayLike | None, families: int) -> FloatArray:
    """Adjusted p values none of which is surer than that of the same comparison in the family asked first.

    What is asked only where the first family answered errs no oftener than it does (a fixed sequence of
    hypotheses: Maurer, Hothorn & Lehmacher 1995). first: one a value, nan where it had no answer, which closes the
    way; None where no family was asked first: each p value is multiplied by the number of families instead.

    >>> no_surer([0.01, 0.2, 0.01, float("nan")], [0.04, 0.04, float("nan"), 0.01], 3).tolist()
    [0.04, 0.2, 1.0, nan]
    >>> no_surer([0.01, 0.5, float("nan")], None, 3).tolist()
    [0.03, 1.0, nan]
    """
    given = np.asarray(p_values, dtype=float)
    if first is None:
        return np.asarray(np.minimum(families * given, 1.0), dtype=float)
    gates = np.asarray(first, dtype=float)
    return np.asarray(np.maximum(given, np.where(np.isnan(gates), 1.0, gates)), dtype=float)


def over_outcomes(p_values: ArrayLike) -> FloatArray:
    """Adjusted p values of comparisons (columns) asked in several outcomes (rows) that count as one question each.

    No value is below Simes' p of its column (1986, Biometrika 73:751), that nothing differs in any outcome. That
    is all a closed test of hatch, the time after it and the whole stay asks: where two of the three are alike, the
    third is (Shaffer 1986, J Am Stat Assoc 81:826; both cited from memory). A missing p stays
    missing and is not counted.

    >>> over_outcomes([[0.01, 0.02, float("nan")], [0.5, 0.03, 0.04], [0.04, 0.9, float("nan")]]).round(3).tolist()
    [[0.03, 0.045, nan], [0.5, 0.045, 0.04], [0.04, 0.9, nan]]
    """
    given = np.asarray(p_values, dtype=float)
    asked = np.isfinite(given).sum(axis=0)
    in_order = np.sort(given, axis=0) * asked / np.arange(1, len(given) + 1)[:, None]
    return np.asarray(np.maximum(given, np.fmin.reduce(in_order, axis=0)), dtype=float)


def _root(correlation: FloatArray) -> FloatArray | None:
    """A matrix whose product with its transpose is the correlation, None when it has none."""
    if not np.isfinite(correlation).all():
        return None
    values, vectors = np.linalg.eigh(0.5 * (correlation + correlation.T))
    if values[0] < -1e-6 * len(values):
        return None
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)), dtype=float)


def shrunken(estimates: FloatArray, errors: FloatArray) -> FloatArray:
    """Estimates of one family drawn towards no difference by as much as their errors and their spread ask for.

    Normal prior around zero, its variance by maximum likelihood over the family; no estimate moves by more than
    LIMIT of its standard errors, so that one real effect among many idle ones is not drawn in with them (limited
    translation: Efron & Morris 1972, doi 10.2307/2284711; baseball data 1975, doi 10.2307/2285814).
    """
    from scipy.optimize import minimize_scalar

    known = np.isfinite(estimates) & np.isfinite(errors) & (errors > 0)
    found = np.full(estimates.shape, np.nan)
    if not known.any():
        return found
    size, variance = estimates[known], errors[known] ** 2
    widest = float(np.abs(size).max())

    def minus_twice_log_likelihood(spread: float) -> float:
        total = spread**2 + variance
        return float(np.sum(np.log(total) + size**2 / total))

    best = minimize_scalar(minus_twice_log_likelihood, bounds=(0.0, max(widest, 1e-9)), method="bounded")
    kept = float(best.x) ** 2 / (float(best.x) ** 2 + variance)
    limit = LIMIT * np.sqrt(variance)
    found[known] = size - np.clip((1.0 - kept) * size, -limit, limit)
    return found


#: Standard errors by which shrinkage may move an estimate; from memory the value of Efron & Morris 1975.
LIMIT = 0.786


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
