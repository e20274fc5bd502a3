"""Likelihood of normal values known only to lie in intervals, with a random effect per group.

A value y = u_group + e, u ~ N(0, group_sd²), e ~ N(0, spread_sd²) but for a share of wrong dates, whose errors
have the much larger WRONG_LOG_SD (a contaminated normal; Tukey 1960), is known to lie in (lower, upper]; upper is
+infinity when the tank ended first (right-censored), and only values above ``start`` could be seen at all
(left-truncated at delivery). Here y is the log of the development fraction at the event, or an error in days.

Spreads and shares are one number, or one of each value and group: many fits can stand in one call, with groups of
their own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import log_ndtr, ndtr

from broodyear.development.arrays import Floats, Masks, Whole

_LOG_ROOT_2PI = 0.5 * np.log(2.0 * np.pi)
# An interval narrower than this many standard deviations would lose its probability to rounding.
_NARROWEST = 1e-10
# Where an interval is open it ends here: beyond all probability, and yet a number.
_BEYOND = 1e9
# Farther out in the tail, in standard deviations, probabilities are too small for numbers and their logs are not.
_FARTHEST = -37.0
# As many standard deviations before an event, what lies still earlier is less than rounding.
_FAR_BEFORE = -9.0
# Without a date less likely than this (ln), no share of wrong dates can be worth having.
_LEAST_SURPRISE = 2.0
# A wrong date (day and month swapped, another month) is a third of the development off and more: SD of its log.
WRONG_LOG_SD = 0.5
# A larger share of wrong dates is no longer an exception to a rule.
MOST_WRONG_SHARE = 0.2


@dataclass(frozen=True)
class Intervals:
    """What is known of n values: lower < upper, and start ≤ lower (−infinity: nothing was cut off).

    group: (n,) whole numbers 0 … groups − 1; own_sd: (n,) error that a value has beside the spread of all, known
    beforehand, as where temperatures were not read (default: none).
    """

    lower: Floats
    upper: Floats
    start: Floats
    group: Whole
    groups: int
    own_sd: Floats | None = None

    def subset(self, keep: Masks) -> Intervals:
        """The values for which ``keep`` is true, in the same groups."""
        own = None if self.own_sd is None else self.own_sd[keep]
        return Intervals(
            self.lower[keep], self.upper[keep], self.start[keep], self.group[keep], self.groups, own
        )  # fmt: skip


@dataclass(frozen=True)
class TankTerms:
    """Log probabilities of tanks at given effects, (n,) or (n, nodes); derivatives are worked out when wanted.

    low, high, begin: the edges in standard deviations from the effect; at_low, at_high: density there over the
    probability inside; hazard: at ``begin``, over the probability beyond; sd: of each value;
    spread_part: of its variance, that of the spread of all.
    """

    log_probability: Floats
    low: Floats
    high: Floats
    begin: Floats
    at_low: Floats
    at_high: Floats
    hazard: Floats
    sd: Floats
    spread_part: Floats

    @property
    def by_upper(self) -> Floats:
        """Derivative by the late edge."""
        return self.at_high / self.sd

    @property
    def by_lower(self) -> Floats:
        """Derivative by the early edge."""
        return -self.at_low / self.sd

    @property
    def by_start(self) -> Floats:
        """Derivative by what was cut off."""
        return self.hazard / self.sd

    @property
    def by_effect(self) -> Floats:
        """Derivative by the group's effect."""
        return (self.at_low - self.at_high - self.hazard) / self.sd

    @property
    def by_effect_twice(self) -> Floats:
        """Second derivative by the group's effect."""
        inside = self._widening() - (self.at_low - self.at_high) ** 2
        return np.asarray((inside + self.hazard * (self.hazard - self.begin)) / self.sd**2, dtype=float)

    @property
    def by_log_sd(self) -> Floats:
        """Derivative by the log of the spread of all."""
        return np.asarray((self._widening() - self.begin * self.hazard) * self.spread_part, dtype=float)

    def _widening(self) -> Floats:
        return np.asarray(self.low * self.at_low - self.high * self.at_high, dtype=float)


def log_interval_probability(low: Floats, high: Floats) -> Floats:
    """ln[Φ(high) − Φ(low)] without cancellation in either tail."""
    is_right = low > 0
    a = np.where(is_right, -high, low)
    b = np.where(is_right, -low, high)
    np.maximum(b, a + _NARROWEST, out=b)
    found = ndtr(b) - ndtr(a)
    is_far = b < _FARTHEST
    if not is_far.any():
        return np.asarray(np.log(found), dtype=float)
    found = np.log(np.where(is_far, 1.0, found))
    log_b = log_ndtr(b[is_far])
    found[is_far] = log_b + np.log1p(-np.exp(np.minimum(log_ndtr(a[is_far]) - log_b, -1e-16)))
    return np.asarray(found, dtype=float)


def tank_terms(intervals: Intervals, effect: Floats, spread_sd: Floats | float) -> TankTerms:
    """Terms of every tank at its group's effect; effect is (n,) or (n, nodes)."""
    shape = (slice(None),) + (None,) * (effect.ndim - 1)
    spread = np.broadcast_to(spread_sd, intervals.lower.shape)[shape]
    sd = spread if intervals.own_sd is None else np.hypot(spread, intervals.own_sd[shape])
    edges = (np.maximum(intervals.lower, -_BEYOND), np.minimum(intervals.upper, _BEYOND))
    low, high, begin = ((edge[shape] - effect) / sd for edge in (*edges, np.maximum(intervals.start, -_BEYOND)))
    log_inside = log_interval_probability(low, high)
    # Where delivery lies far before every event, nothing was cut off, to the last bit.
    latest = np.max(begin, initial=-np.inf)
    is_cut = latest > _FAR_BEFORE
    log_open = np.zeros(1)
    if is_cut:  # the log by itself takes twice as long, and is needed far out only
        log_open = np.log(ndtr(-begin)) if latest < -_FARTHEST else log_ndtr(-begin)
    return TankTerms(
        log_probability=log_inside - log_open,
        low=low,
        high=high,
        begin=begin,
        at_low=_density_ratio(low, log_inside),
        at_high=_density_ratio(high, log_inside),
        hazard=_density_ratio(begin, log_open) if is_cut else np.zeros_like(begin),
        sd=sd,
        spread_part=(spread / sd) ** 2,
    )


@dataclass(frozen=True)
class MixedTerms:
    """Terms of tanks whose dates may be wrong, (n,) or (n, nodes).

    right, wrong: by either kind of date, without wrong ones none; log_probability: of the mixture; is_right:
    probability that a date is right.
    """

    right: TankTerms
    wrong: TankTerms | None
    log_probability: Floats
    is_right: Floats

    def by_effect(self) -> tuple[Floats, Floats]:
        """First and second derivative by the group's effect; curvatures leave out that of ``is_right`` itself."""
        if self.wrong is None:
            return self.right.by_effect, self.right.by_effect_twice
        is_wrong = 1.0 - self.is_right
        slope = self.is_right * self.right.by_effect + is_wrong * self.wrong.by_effect
        curvatures = [np.minimum(one.by_effect_twice, 0.0) for one in (self.right, self.wrong)]
        return slope, self.is_right * curvatures[0] + is_wrong * curvatures[1]

    def over(self, posterior: Floats, name: str) -> Floats:
        """(n,) a derivative of the mixture by its name, mean over the nodes of a posterior (n, nodes)."""
        mean = np.einsum("ij,ij->i", posterior * self.is_right, getattr(self.right, name))
        if self.wrong is not None and name != "by_log_sd":
            mean += np.einsum("ij,ij->i", posterior * (1.0 - self.is_right), getattr(self.wrong, name))
        return np.asarray(mean, dtype=float)

    @property
    def by_share(self) -> Floats:
        """Derivative by the share of wrong dates."""
        if self.wrong is None:
            return -np.ones_like(self.is_right)
        gained = np.exp(np.minimum(self.wrong.log_probability - self.log_probability, 600.0))
        return np.asarray(gained - np.exp(self.right.log_probability - self.log_probability), dtype=float)


def mixed_terms(
    intervals: Intervals, effect: Floats, spread_sd: Floats | float, wrong_share: Floats | float
) -> MixedTerms:
    """Terms of every tank where a share of the dates is wrong and has errors of the SD WRONG_LOG_SD."""
    right = tank_terms(intervals, effect, spread_sd)
    is_sure = np.max(wrong_share, initial=0.0) <= 0.0
    if is_sure and np.max(-right.log_probability, initial=0.0) < _LEAST_SURPRISE:
        return MixedTerms(right, None, right.log_probability, np.ones_like(right.log_probability))
    wrong = tank_terms(intervals, effect, WRONG_LOG_SD)
    shape = (slice(None),) + (None,) * (effect.ndim - 1)
    share = np.broadcast_to(wrong_share, intervals.lower.shape)[shape]
    with np.errstate(divide="ignore"):
        log_right = np.log1p(-share) + right.log_probability
        log_both = np.logaddexp(log_right, np.log(share) + wrong.log_probability)
    return MixedTerms(right, wrong, log_both, np.exp(log_right - log_both))


def _density_ratio(z: Floats, log_probability: Floats) -> Floats:
    """φ(z) / probability."""
    found = z * z
    found *= -0.5
    found -= _LOG_ROOT_2PI
    found -= log_probability
    return np.asarray(np.exp(found, out=found), dtype=float)


def common_part(intervals: Intervals) -> tuple[float, float] | None:
    """The values that lie in every interval, as (low, high); None when there is none."""
    low, high = float(np.max(intervals.lower, initial=-np.inf)), float(np.min(intervals.upper, initial=np.inf))
    return (low, high) if low < high else None


def middles(intervals: Intervals) -> Floats:
    """Middle of each interval, its early end where the late one is open, NaN where the early one is."""
    has_start, has_end = np.isfinite(intervals.lower), np.isfinite(intervals.upper)
    early = np.where(has_start, intervals.lower, np.nan)
    return np.where(has_end, 0.5 * (early + np.where(has_end, intervals.upper, 0.0)), early)


def mean_absolute_within(lower: Floats, upper: Floats, mean: float, sd: float) -> Floats:
    """E|x| of a normal value given that it lies in each (lower, upper]; upper may be infinite."""
    below = _part(lower, np.minimum(upper, 0.0), mean, sd, np.minimum(lower, 0.0) < np.minimum(upper, 0.0))
    above = _part(np.maximum(lower, 0.0), upper, mean, sd, np.maximum(lower, 0.0) < upper)
    whole = np.exp(log_interval_probability((lower - mean) / sd, (upper - mean) / sd))
    middle = np.clip(mean, lower, upper)
    # An interval far out in the tail has lost its probability to rounding; its nearer end stands for it.
    return np.where(whole > 1e-200, (above - below) / np.maximum(whole, 1e-200), np.abs(middle))


def _part(lower: Floats, upper: Floats, mean: float, sd: float, is_there: Masks) -> Floats:
    """∫ x φ over each interval, 0 where it is empty."""
    low = np.where(is_there, (lower - mean) / sd, 0.0)
    high = np.where(is_there, (upper - mean) / sd, 0.0)
    mass = np.where(low > 0, ndtr(-low) - ndtr(-high), ndtr(high) - ndtr(low))
    value = mean * mass - sd * (_density(high) - _density(low))
    return np.where(is_there, value, 0.0)


def _density(z: Floats) -> Floats:
    return np.asarray(np.exp(-0.5 * np.where(np.isfinite(z), z, 40.0) ** 2) / np.sqrt(2.0 * np.pi), dtype=float)


def probability_inside(lower: Floats, upper: Floats, half_width: Floats, mean: float, sd: float) -> Floats:
    """P(|x| ≤ half_width) of a normal value given that it lies in each (lower, upper]."""
    low, high = np.maximum(lower, -half_width), np.minimum(upper, half_width)
    is_there = low < high
    inside = log_interval_probability(
        (np.where(is_there, low, 0.0) - mean) / sd, (np.where(is_there, high, 1.0) - mean) / sd
    )
    whole = log_interval_probability((lower - mean) / sd, (upper - mean) / sd)
    return np.where(is_there, np.exp(np.minimum(inside - whole, 0.0)), 0.0)
