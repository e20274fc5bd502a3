"""Randomisation inference for one difference between two levels, drawn within blocks.

The difference is the within-block difference of means, each block weighted by n₁n₀/n (the least-squares slope with
a constant per block). Its interval holds every shift that the permutations drawn do not contradict (Pitman 1937;
Ernst 2004, Statistical Science 19:676): since the estimate is linear, a shift δ turns the permuted estimate a into
a − δc, c being the permuted estimate of the assignment itself, and both limits follow by sorting.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Draws behind a p-value: its error at 0.05 is half a percentage point.
DRAWS = 1_999
#: Two estimates that differ by no more than this are the same arrangement, added up in another order.
SAME = 1e-9


@dataclass(frozen=True)
class Randomised:
    """difference: second level less first, in the outcome's unit; low, high: 95 % interval, infinite where too few
    arrangements exist to exclude anything; p_value: two-sided, of no effect on any tank; tanks: per level, of
    those in blocks where both levels are there; blocks: number of such blocks."""

    difference: float
    low: float
    high: float
    p_value: float
    tanks: tuple[int, int]
    blocks: int


@dataclass(frozen=True)
class Permuted:
    """observed: the estimate; drawn: the estimate under each permutation, shape (draws,); shift: what a shift of
    one unit at the second level adds to each drawn estimate, shape (draws,), between −1 and 1."""

    observed: float
    drawn: FloatArray
    shift: FloatArray


def informative(treated: npt.NDArray[np.bool_], block: IntArray) -> npt.NDArray[np.bool_]:
    """Which rows lie in blocks where both levels are there; the others tell nothing about the difference."""
    number = np.bincount(block)
    of_second = np.bincount(block, treated, minlength=len(number))
    both = (of_second > 0) & (of_second < number)
    kept: npt.NDArray[np.bool_] = both[block]
    return kept


def difference(outcome: FloatArray, treated: npt.NDArray[np.bool_], block: IntArray) -> float:
    """Second level less first, within blocks; nan where no block holds both."""
    kept = informative(treated, block)
    if not kept.any():
        return math.nan
    return permuted(outcome[kept], treated[kept], block[kept], np.random.default_rng(0), 0).observed


def permuted(
    outcome: FloatArray, treated: npt.NDArray[np.bool_], block: IntArray, rng: np.random.Generator, draws: int
) -> Permuted:
    """The estimate, and what other assignments would have made of the same outcomes.

    outcome, treated (second level), block: one entry per tank, all in blocks where both levels are there.
    """
    order = np.argsort(block, kind="stable")
    outcome, level, block = outcome[order], treated[order].astype(float), block[order]
    keys = rng.random((draws, len(block))) + block  # sorting them shuffles within blocks only
    shuffled = level[np.argsort(keys, axis=1)]
    _, codes, number = np.unique(block, return_inverse=True, return_counts=True)
    share = (np.bincount(codes, level) / number)[codes]
    weight = (level - share) @ (level - share)
    centred = outcome - (np.bincount(codes, outcome) / number)[codes]
    return Permuted(
        observed=float(level @ centred / weight),
        drawn=shuffled @ centred / weight,
        shift=(shuffled - share) @ (level - share) / weight,
    )


def randomised(
    outcome: FloatArray,
    treated: npt.NDArray[np.bool_],
    block: IntArray,
    *,
    seed: int,
    draws: int = DRAWS,
    coverage: float = 0.95,
) -> Randomised:
    """Difference between the levels of a trial with its randomisation interval.

    outcome: one number per tank; treated: True at the second level; block: a whole number per tank, from 0.
    A trial without a block that holds both levels gives nan throughout.
    """
    kept = informative(treated, block)
    tanks = (int((~treated[kept]).sum()), int(treated[kept].sum()))
    blocks = len(np.unique(block[kept]))
    if not kept.any():
        return Randomised(math.nan, math.nan, math.nan, math.nan, tanks, blocks)
    found = permuted(outcome[kept], treated[kept], block[kept], np.random.default_rng(seed), draws)
    low, high = limits(found, 1.0 - coverage)
    return Randomised(found.observed, low, high, p_value(found, 0.0), tanks, blocks)


def p_value(found: Permuted, planted: float) -> float:
    """Two-sided p-value of no effect, had the effect been larger by ``planted`` than it was."""
    drawn = np.abs(found.drawn + planted * found.shift)
    as_far = np.count_nonzero(drawn >= abs(found.observed + planted) - SAME)
    return float((1 + as_far) / (1 + len(drawn)))


def limits(found: Permuted, level: float) -> tuple[float, float]:
    """The least and the greatest shift whose two-sided p-value is above ``level``.

    Shift δ is not contradicted by a permutation with |a − δc| ≥ |a₀ − δ|, which holds between
    (a₀ − a)/(1 − c) and (a₀ + a)/(1 + c).
    """
    needed = math.floor(level * (1 + len(found.drawn)) + SAME)
    if needed < 1:
        return -math.inf, math.inf
    ends = np.stack(
        [
            _quotient(found.observed - found.drawn, 1.0 - found.shift, -math.inf),
            _quotient(found.observed + found.drawn, 1.0 + found.shift, math.inf),
        ]
    )
    ends = np.where(np.isinf(ends).any(axis=0), [[-math.inf], [math.inf]], ends)
    return float(np.sort(ends.min(axis=0))[needed - 1]), float(np.sort(ends.max(axis=0))[-needed])


def _quotient(above: FloatArray, below: FloatArray, otherwise: float) -> FloatArray:
    """above / below; ``otherwise`` where a permutation is the assignment itself, or its mirror image."""
    return np.divide(above, below, out=np.full_like(above, otherwise), where=np.abs(below) > SAME)
