"""Likelihood of normal values known only to lie in intervals, with a random effect per group.

A value y = u_group + e, u ~ N(0, group_sd²), e ~ N(0, spread_sd²) but for a share of wrong dates, whose errors
have the much larger WRONG_LOG_SD (a contaminated normal; Tukey 1960), is known to lie in (lower, upper]; upper is
+infinity when the tank ended first (right-censored), and only values above ``start`` could be seen at all
(left-truncated at delivery). Here y is the log of the development fraction at the event, or an error in days.

The integral over u uses adaptive Gauss–Hermite quadrature: nodes are centred on each group's mode and scaled by
its curvature (Pinheiro & Bates 1995, J. Comput. Graph. Stat. 4:12). Gradients use Fisher's identity: the
derivative of the marginal likelihood is the mean of the derivative given u under the group's posterior.

Spreads and shares are one number, or one of each value and group: many fits can stand in one call, with groups of
their own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr

Floats = NDArray[np.float64]
Whole = NDArray[np.intp]

QUADRATURE_POINTS = 9
_NODES, _WEIGHTS = np.polynomial.hermite.hermgauss(QUADRATURE_POINTS)
_LOG_WEIGHTS = np.log(_WEIGHTS) + _NODES**2
_MODE_STEPS = 30
_MODE_TOLERANCE = 1e-6  # of the larger spread; the quadrature forgives far more
_LOG_ROOT_2PI = 0.5 * np.log(2.0 * np.pi)
# An interval narrower than this many standard deviations would lose its probability to rounding.
_NARROWEST = 1e-10
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

    def total_sd(self, spread_sd: Floats | float) -> Floats | float:
        """SD of each value about its group: of all, and its own."""
        return spread_sd if self.own_sd is None else np.hypot(spread_sd, self.own_sd)

    def subset(self, keep: NDArray[np.bool_]) -> Intervals:
        """The values for which ``keep`` is true, in the same groups."""
        own = None if self.own_sd is None else self.own_sd[keep]
        return Intervals(
            self.lower[keep], self.upper[keep], self.start[keep], self.group[keep], self.groups, own
        )  # fmt: skip


@dataclass(frozen=True)
class TankTerms:
    """Log probabilities of tanks at given effects and their derivatives, each (n,) or (n, nodes).

    log_probability; by_upper, by_lower, by_start: derivatives by the three edges; by_effect and
    by_effect_twice: by the group's effect; by_log_sd: by the log of the spread.
    """

    log_probability: Floats
    by_upper: Floats
    by_lower: Floats
    by_start: Floats
    by_effect: Floats
    by_effect_twice: Floats
    by_log_sd: Floats


@dataclass(frozen=True)
class Marginal:
    """Marginal log-likelihood of each group, and derivatives of their sum.

    log_likelihoods: (groups,); by_upper, by_lower, by_start: (n,) by each tank's edges; by_log_spread_sd: (n,) and
    by_log_group_sd: (groups,) by the log SDs; by_wrong_share: (n,) by the share of wrong dates;
    group_mode, group_sd: (groups,) each group's most likely effect and its standard error.
    """

    log_likelihoods: Floats
    by_upper: Floats
    by_lower: Floats
    by_start: Floats
    by_log_spread_sd: Floats
    by_log_group_sd: Floats
    by_wrong_share: Floats
    group_mode: Floats
    group_sd: Floats

    @property
    def log_likelihood(self) -> float:
        """Of all groups together."""
        return float(np.sum(self.log_likelihoods))


def log_interval_probability(low: Floats, high: Floats) -> Floats:
    """ln[Φ(high) − Φ(low)] without cancellation in either tail."""
    is_right = low > 0
    a = np.where(is_right, -high, low)
    b = np.where(is_right, -low, high)
    b = np.maximum(b, a + _NARROWEST)
    log_b = log_ndtr(b)
    return np.asarray(log_b + np.log1p(-np.exp(np.minimum(log_ndtr(a) - log_b, -1e-16))), dtype=float)


def tank_terms(intervals: Intervals, effect: Floats, spread_sd: Floats | float) -> TankTerms:
    """Terms of every tank at its group's effect; effect is (n,) or (n, nodes)."""
    shape = (slice(None),) + (None,) * (effect.ndim - 1)
    sd = _of_each(intervals.total_sd(spread_sd), intervals, shape)
    low = (intervals.lower[shape] - effect) / sd
    high = (intervals.upper[shape] - effect) / sd
    begin = (intervals.start[shape] - effect) / sd
    log_inside = log_interval_probability(low, high)
    at_high = _density_ratio(high, log_inside)
    at_low = _density_ratio(low, log_inside)
    # Where delivery lies far before every event, nothing was cut off, to the last bit.
    is_cut = np.max(begin, initial=-np.inf) > _FAR_BEFORE
    log_open = log_ndtr(-begin) if is_cut else np.zeros(1)
    hazard = _density_ratio(begin, log_open) if is_cut else np.zeros_like(begin)
    # An infinite edge has no density, and none of its products.
    low, high, begin = _finite(low), _finite(high), _finite(begin)
    pull = at_low - at_high
    widening = low * at_low - high * at_high
    return TankTerms(
        log_probability=log_inside - log_open,
        by_upper=at_high / sd,
        by_lower=-at_low / sd,
        by_start=hazard / sd,
        by_effect=(pull - hazard) / sd,
        by_effect_twice=(widening - pull**2 + hazard * (hazard - begin)) / sd**2,
        by_log_sd=(widening - begin * hazard) * (_of_each(spread_sd, intervals, shape) / sd) ** 2,
    )


def _of_each(value: Floats | float, intervals: Intervals, shape: tuple[slice | None, ...]) -> Floats:
    """One number, or one of each value, laid beside the values' effects."""
    return np.broadcast_to(value, intervals.lower.shape)[shape]


@dataclass(frozen=True)
class MixedTerms:
    """Terms of tanks whose dates may be wrong: of the mixture, (n,) or (n, nodes).

    terms: by_log_sd is by the log of the spread of right dates; is_right: probability that a date is right;
    by_share: derivative by the share of wrong dates. Curvatures leave out that of ``is_right`` itself.
    """

    terms: TankTerms
    is_right: Floats
    by_share: Floats


def mixed_terms(
    intervals: Intervals,
    effect: Floats,
    spread_sd: Floats | float,
    wrong_share: Floats | float,
    wrong_sd: Floats | float,
) -> MixedTerms:
    """Terms of every tank where a share of the dates is wrong and has errors of the SD ``wrong_sd``."""
    right = tank_terms(intervals, effect, spread_sd)
    is_sure = np.max(wrong_share, initial=0.0) <= 0.0
    if is_sure and np.max(-right.log_probability, initial=0.0) < _LEAST_SURPRISE:
        return MixedTerms(right, np.ones_like(right.log_probability), -np.ones_like(right.log_probability))
    wrong = tank_terms(intervals, effect, wrong_sd)
    share = _of_each(wrong_share, intervals, (slice(None),) + (None,) * (effect.ndim - 1))
    with np.errstate(divide="ignore"):
        log_right = np.log1p(-share) + right.log_probability
        log_both = np.logaddexp(log_right, np.log(share) + wrong.log_probability)
    is_right = np.exp(log_right - log_both)

    def mixed(of_right: Floats, of_wrong: Floats) -> Floats:
        return np.asarray(is_right * of_right + (1.0 - is_right) * of_wrong, dtype=float)

    terms = TankTerms(
        log_probability=log_both,
        by_upper=mixed(right.by_upper, wrong.by_upper),
        by_lower=mixed(right.by_lower, wrong.by_lower),
        by_start=mixed(right.by_start, wrong.by_start),
        by_effect=mixed(right.by_effect, wrong.by_effect),
        by_effect_twice=mixed(np.minimum(right.by_effect_twice, 0.0), np.minimum(wrong.by_effect_twice, 0.0)),
        by_log_sd=is_right * right.by_log_sd,
    )
    gained = np.exp(np.minimum(wrong.log_probability - log_both, 600.0))
    return MixedTerms(terms, is_right, gained - np.exp(right.log_probability - log_both))


def _density_ratio(z: Floats, log_probability: Floats) -> Floats:
    """φ(z) / probability; 0 at infinite z."""
    return np.asarray(np.exp(-0.5 * z**2 - _LOG_ROOT_2PI - log_probability), dtype=float)


def _finite(z: Floats) -> Floats:
    return np.where(np.isfinite(z), z, 0.0)


def marginal(
    intervals: Intervals,
    spread_sd: Floats | float,
    group_sd: Floats | float,
    near: Floats | None = None,
    wrong_share: Floats | float = 0.0,
) -> Marginal:
    """The marginal likelihood with the group effects integrated out; group_sd 0 everywhere means no effects.

    near: (groups,) effects to begin the search for each group's mode at, for example those of a step before;
    wrong_share: share of wrong dates.
    """
    if not np.any(group_sd):
        return _without_groups(intervals, spread_sd, wrong_share)
    each_sd = np.broadcast_to(group_sd, intervals.groups)
    mode, curvature_sd = _modes(intervals, spread_sd, each_sd, near, wrong_share)
    effect = mode[:, None] + np.sqrt(2.0) * curvature_sd[:, None] * _NODES[None, :]
    mixed = mixed_terms(intervals, effect[intervals.group], spread_sd, wrong_share, WRONG_LOG_SD)
    terms, scaled = mixed.terms, effect / each_sd[:, None]
    log_terms = _by_group(terms.log_probability, intervals) - 0.5 * scaled**2 + _LOG_WEIGHTS
    highest = log_terms.max(axis=1)
    log_sum = highest + np.log(np.exp(log_terms - highest[:, None]).sum(axis=1))
    posterior = np.exp(log_terms - log_sum[:, None])
    each = posterior[intervals.group]
    return Marginal(
        log_likelihoods=log_sum + np.log(curvature_sd) - np.log(each_sd) - 0.5 * np.log(np.pi),
        by_upper=np.sum(each * terms.by_upper, axis=1),
        by_lower=np.sum(each * terms.by_lower, axis=1),
        by_start=np.sum(each * terms.by_start, axis=1),
        by_log_spread_sd=np.sum(each * terms.by_log_sd, axis=1),
        by_log_group_sd=np.sum(posterior * (scaled**2 - 1.0), axis=1),
        by_wrong_share=np.sum(each * mixed.by_share, axis=1),
        group_mode=mode,
        group_sd=curvature_sd,
    )


def _without_groups(intervals: Intervals, spread_sd: Floats | float, wrong_share: Floats | float) -> Marginal:
    mixed = mixed_terms(intervals, np.zeros(len(intervals.lower)), spread_sd, wrong_share, WRONG_LOG_SD)
    terms, none = mixed.terms, np.zeros(intervals.groups)
    return Marginal(
        log_likelihoods=_by_group(terms.log_probability, intervals),
        by_upper=terms.by_upper,
        by_lower=terms.by_lower,
        by_start=terms.by_start,
        by_log_spread_sd=terms.by_log_sd,
        by_log_group_sd=none,
        by_wrong_share=mixed.by_share,
        group_mode=none,
        group_sd=none,
    )


def _by_group(values: Floats, intervals: Intervals) -> Floats:
    columns = values.reshape(len(values), -1).T
    sums = [np.bincount(intervals.group, weights=one, minlength=intervals.groups) for one in columns]
    total = np.stack(sums, axis=1).astype(np.float64)
    return total.reshape(intervals.groups, *values.shape[1:])


def _modes(
    intervals: Intervals,
    spread_sd: Floats | float,
    group_sd: Floats,
    near: Floats | None,
    wrong_share: Floats | float,
) -> tuple[Floats, Floats]:
    """Each group's posterior mode and the standard deviation from the curvature there, by damped Newton steps."""
    effect = np.zeros(intervals.groups) if near is None else near
    longest = 3.0 * np.maximum(np.max(spread_sd), group_sd)
    for _ in range(_MODE_STEPS):
        terms = mixed_terms(intervals, effect[intervals.group], spread_sd, wrong_share, WRONG_LOG_SD).terms
        slope = _by_group(terms.by_effect, intervals) - effect / group_sd**2
        precision = np.maximum(1.0 / group_sd**2 - _by_group(terms.by_effect_twice, intervals), 1.0 / group_sd**2)
        step = np.clip(slope / precision, -longest, longest)
        effect = effect + step
        if np.max(np.abs(step) / longest, initial=0.0) < _MODE_TOLERANCE:
            break
    return effect, 1.0 / np.sqrt(precision)
