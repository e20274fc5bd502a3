"""Exact and score intervals for one proportion and for the difference of two, for counts too few to model."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import bdtr, bdtrc, betaincinv, ndtri

from broodyear.errors import UsageError

SINGLE_METHODS = ("wilson", "wilson_cc", "clopper_pearson", "jeffreys", "midp")
DIFFERENCE_METHODS = ("newcombe", "newcombe_cc", "agresti_caffo")


@dataclass(frozen=True)
class Interval:
    """Limits of an interval, as proportions 0–1 (differences −1 to 1)."""

    low: float
    high: float


def proportion_interval(count: int, total: int, *, method: str = "wilson", coverage: float = 0.95) -> Interval:
    """Interval for one proportion, Newcombe 1998 (Stat Med 17:857–872).

    method: wilson (score), wilson_cc (continuity-corrected score), clopper_pearson (exact), jeffreys
    (Brown, Cai & DasGupta 2001: 0 and 1 when the count is at an end), midp (exact with mid-p tails).
    The eggs of one tank share a fate: across tanks use a model, not this.

    >>> limits = proportion_interval(15, 148)
    >>> round(limits.low, 4), round(limits.high, 4)
    (0.0624, 0.1605)
    """
    _require_counts(count, total)
    if method not in SINGLE_METHODS:
        raise UsageError(f"method must be one of {', '.join(SINGLE_METHODS)}, but {method!r} was passed.")
    tail = (1.0 - coverage) / 2.0
    return _SINGLE[method](count, total, tail)


def difference_interval(
    first: int,
    first_total: int,
    second: int,
    second_total: int,
    *,
    method: str = "newcombe",
    coverage: float = 0.95,
) -> Interval:
    """Interval for first/first_total − second/second_total, Newcombe 1998 (Stat Med 17:873–890).

    method: newcombe (hybrid score, his method 10), newcombe_cc (his method 11), agresti_caffo (2000).

    >>> limits = difference_interval(56, 70, 48, 80)
    >>> round(limits.low, 4), round(limits.high, 4)
    (0.0524, 0.3339)
    """
    _require_counts(first, first_total)
    _require_counts(second, second_total)
    if method not in DIFFERENCE_METHODS:
        raise UsageError(f"method must be one of {', '.join(DIFFERENCE_METHODS)}, but {method!r} was passed.")
    tail = (1.0 - coverage) / 2.0
    if method == "agresti_caffo":
        return _agresti_caffo(first, first_total, second, second_total, tail)
    score = _wilson if method == "newcombe" else _wilson_cc
    one, two = score(first, first_total, tail), score(second, second_total, tail)
    share, other = first / first_total, second / second_total
    low = share - other - np.hypot(share - one.low, two.high - other)
    high = share - other + np.hypot(one.high - share, other - two.low)
    return Interval(max(float(low), -1.0), min(float(high), 1.0))


def _require_counts(count: int, total: int) -> None:
    if total < 1 or not 0 <= count <= total:
        raise UsageError(f"A proportion needs 0 ≤ count ≤ total and a total of 1 or more; got {count} of {total}.")


def _wilson(count: int, total: int, tail: float) -> Interval:
    z = -float(ndtri(tail))
    share = count / total
    centre = 2.0 * total * share + z**2
    reach = z * np.sqrt(z**2 + 4.0 * total * share * (1.0 - share))
    scale = 2.0 * (total + z**2)
    return Interval(max(float((centre - reach) / scale), 0.0), min(float((centre + reach) / scale), 1.0))


def _wilson_cc(count: int, total: int, tail: float) -> Interval:
    z = -float(ndtri(tail))
    share = count / total
    scale = 2.0 * (total + z**2)
    low_root = z**2 - 2.0 - 1.0 / total + 4.0 * share * (total * (1.0 - share) + 1.0)
    high_root = z**2 + 2.0 - 1.0 / total + 4.0 * share * (total * (1.0 - share) - 1.0)
    low = (2.0 * total * share + z**2 - 1.0 - z * np.sqrt(max(low_root, 0.0))) / scale
    high = (2.0 * total * share + z**2 + 1.0 + z * np.sqrt(max(high_root, 0.0))) / scale
    return Interval(0.0 if count == 0 else max(float(low), 0.0), 1.0 if count == total else min(float(high), 1.0))


def _clopper_pearson(count: int, total: int, tail: float) -> Interval:
    low = 0.0 if count == 0 else float(betaincinv(count, total - count + 1, tail))
    high = 1.0 if count == total else float(betaincinv(count + 1, total - count, 1.0 - tail))
    return Interval(low, high)


def _jeffreys(count: int, total: int, tail: float) -> Interval:
    low = 0.0 if count == 0 else float(betaincinv(count + 0.5, total - count + 0.5, tail))
    high = 1.0 if count == total else float(betaincinv(count + 0.5, total - count + 0.5, 1.0 - tail))
    return Interval(low, high)


def _midp(count: int, total: int, tail: float) -> Interval:
    """Limits where the tail area, counting half of the observed count's probability, equals `tail`."""
    from scipy.optimize import brentq

    def point(share: float) -> float:
        below = float(bdtr(count - 1, total, share)) if count > 0 else 0.0
        return float(bdtr(count, total, share)) - below

    def above(share: float) -> float:
        return float(bdtrc(count, total, share)) + 0.5 * point(share) - tail

    def below(share: float) -> float:
        return float(bdtr(count, total, share)) - 0.5 * point(share) - tail

    low = 0.0 if count == 0 else float(brentq(above, 0.0, 1.0, xtol=1e-12))
    high = 1.0 if count == total else float(brentq(below, 0.0, 1.0, xtol=1e-12))
    return Interval(low, high)


def _agresti_caffo(first: int, first_total: int, second: int, second_total: int, tail: float) -> Interval:
    share, other = (first + 1) / (first_total + 2), (second + 1) / (second_total + 2)
    error = np.sqrt(share * (1 - share) / (first_total + 2) + other * (1 - other) / (second_total + 2))
    reach = -float(ndtri(tail)) * float(error)
    return Interval(max(share - other - reach, -1.0), min(share - other + reach, 1.0))


_SINGLE: dict[str, Callable[[int, int, float], Interval]] = {
    "wilson": _wilson,
    "wilson_cc": _wilson_cc,
    "clopper_pearson": _clopper_pearson,
    "jeffreys": _jeffreys,
    "midp": _midp,
}
