"""Funnel limits, overdispersion and exact tail probabilities for counts out of a number of eggs.

Spiegelhalter DJ (2005) Funnel plots for comparing institutional performance. Statistics in Medicine
24:1185-1202, doi:10.1002/sim.1970; Spiegelhalter DJ (2005) Handling over-dispersion of performance
indicators. Quality and Safety in Health Care 14:347-351, doi:10.1136/qshc.2005.013755.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from broodyear.errors import Refused

Floats = NDArray[np.float64]
Winsorising = Literal["none", "quantile", "rank"]

#: Share of units winsorised in each tail (Spiegelhalter 2005, appendix A.3).
WINSORISED_SHARE = 0.10


@dataclass(frozen=True)
class Overdispersion:
    """How much units differ beyond binomial chance.

    target: the common proportion; z: unit scores before winsorising; phi: mean of squared scores (1 when
    units differ by chance alone); tau2: additive between-unit variance in proportion units squared, never
    negative.
    """

    target: float
    z: Floats
    phi: float
    tau2: float


def exact_limits(target: float, trials: ArrayLike, probability: float) -> Floats:
    """Binomial funnel limits as proportions, one per number of trials, interpolated between whole counts.

    target: common proportion in (0, 1); probability: tail area below the limit, for example 0.025.
    Limits may fall slightly below 0 where the count is 0; clip them for display only.
    Spiegelhalter 2005, Statistics in Medicine, appendix A.1.1.
    """
    from scipy.stats import binom

    if not 0.0 < target < 1.0:
        raise Refused(f"the funnel target is {target:g}; limits need one between 0 and 1, not 0 or 1 itself")
    number = np.atleast_1d(np.asarray(trials, dtype=float))
    count = binom.ppf(probability, number, target)
    reached = binom.cdf(count, number, target)
    before = binom.cdf(count - 1.0, number, target)
    return np.asarray((count - (reached - probability) / (reached - before)) / number, dtype=float)


def exact_p_values(survivors: ArrayLike, eggs: ArrayLike, target: ArrayLike, *, mid: bool) -> Floats:
    """Two-sided binomial p-values: twice the smaller tail, at most 1; `mid` counts the observed value by
    half.
    """
    from scipy.stats import binom

    count, number = np.asarray(survivors, dtype=float), np.asarray(eggs, dtype=float)
    rate = np.asarray(target, dtype=float)
    at_value = binom.pmf(count, number, rate)
    lower = binom.cdf(count, number, rate)
    upper = 1.0 - lower + at_value
    if mid:
        lower, upper = lower - 0.5 * at_value, upper - 0.5 * at_value
    return np.asarray(np.minimum(1.0, 2.0 * np.minimum(lower, upper)), dtype=float)


def winsorise(z: ArrayLike, how: Winsorising = "quantile", share: float = WINSORISED_SHARE) -> Floats:
    """Scores with the extremes pulled in.

    quantile: clipped at the type-7 quantiles of the two tails; rank: the floor(share x n) smallest and
    largest set to the next score inward.
    """
    scores = np.asarray(z, dtype=float)
    if how == "none" or scores.size == 0:
        return scores.copy()
    if how == "quantile":
        low, high = np.quantile(scores, [share, 1.0 - share])
    else:
        ordered, moved = np.sort(scores), int(np.floor(share * scores.size))
        low, high = ordered[moved], ordered[scores.size - 1 - moved]
    return np.asarray(np.clip(scores, low, high), dtype=float)


def overdispersion(survivors: ArrayLike, eggs: ArrayLike, how: Winsorising = "quantile") -> Overdispersion:
    """Dispersion phi and between-unit variance tau2 around the pooled proportion, from winsorised scores."""
    count, number = np.asarray(survivors, dtype=float), np.asarray(eggs, dtype=float)
    target = float(count.sum() / number.sum())
    if not 0.0 < target < 1.0:
        raise Refused("every unit has the same outcome (all alive or all dead), so variation cannot be estimated")
    error = np.sqrt(target * (1.0 - target) / number)
    z = (count / number - target) / error
    phi = float(np.mean(winsorise(z, how) ** 2))
    return Overdispersion(target, z, phi, between_unit_variance(phi, 1.0 / error**2))


def between_unit_variance(phi: float, weights: ArrayLike) -> float:
    """Method-of-moments tau2 from phi and the inverse sampling variances (DerSimonian and Laird 1986)."""
    weight = np.asarray(weights, dtype=float)
    units = weight.size
    spread = weight.sum() - (weight**2).sum() / weight.sum()
    if units < 2 or spread <= 0.0:
        return 0.0
    return float(max(0.0, (units * phi - (units - 1)) / spread))


def additive_z(survivors: ArrayLike, eggs: ArrayLike, how: Winsorising = "quantile") -> Floats:
    """Scores against limits widened by the between-unit variance (the additive random-effects funnel)."""
    number = np.asarray(eggs, dtype=float)
    spread = overdispersion(survivors, eggs, how)
    error = np.sqrt(spread.target * (1.0 - spread.target) / number + spread.tau2)
    return np.asarray((np.asarray(survivors) / number - spread.target) / error, dtype=float)


def multiplicative_z(survivors: ArrayLike, eggs: ArrayLike, how: Winsorising = "quantile") -> Floats:
    """Scores divided by the square root of phi where phi exceeds 1."""
    spread = overdispersion(survivors, eggs, how)
    return np.asarray(spread.z / np.sqrt(max(1.0, spread.phi)), dtype=float)
