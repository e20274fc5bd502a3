"""The marginal likelihood of interval-known values, the effects of their groups integrated out.

The integral over u uses adaptive Gauss–Hermite quadrature: nodes are centred on each group's mode and scaled by
its curvature (Pinheiro & Bates 1995, J. Comput. Graph. Stat. 4:12). Gradients use Fisher's identity: the
derivative of the marginal likelihood is the mean of the derivative given u under the group's posterior. What a few
values tell of their group between looks days apart, and some of them perhaps wrong, has edges and several modes:
there the nodes stand side by side over all of the group's normal law.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from broodyear.development.likelihood.censored import Intervals, mixed_terms

Floats = NDArray[np.float64]

QUADRATURE_POINTS = 9
_NODES, _WEIGHTS = np.polynomial.hermite.hermgauss(QUADRATURE_POINTS)
_LOG_WEIGHTS = np.log(_WEIGHTS) + _NODES**2
# Groups of so few values, the nodes of these: within so many SDs, and how many at the least and the most.
FEW, _WIDE, _SIDE_BY_SIDE = 4, 6.0, (48, 400)
_OF_GROUPS = ("log_likelihoods", "by_log_group_sd", "group_mode", "group_sd")
_MODE_STEPS = 30
_MODE_TOLERANCE = 1e-4  # of the larger spread, and steps square it; the quadrature forgives far more
_LOG_ROOT_2PI = 0.5 * np.log(2.0 * np.pi)


@dataclass(frozen=True)
class Marginal:
    """Marginal log-likelihood of each group, and derivatives of their sum.

    log_likelihoods: (groups,); by_upper, by_lower, by_start: (n,) by each tank's edges; by_log_spread_sd: (n,) and
    by_log_group_sd: (groups,) by the log SDs; by_wrong_share: (n,) by the share of wrong dates;
    group_mode, group_sd: (groups,) each group's most likely effect, of few values its mean, and its standard
    error.
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


def marginal(
    intervals: Intervals,
    spread_sd: Floats | float,
    group_sd: Floats | float,
    near: Floats | None = None,
    wrong_share: Floats | float = 0.0,
    few: int = FEW,
) -> Marginal:
    """The marginal likelihood with the group effects integrated out; group_sd 0 everywhere means no effects.

    near: (groups,) effects to begin the search for each group's mode at, for example those of a step before;
    wrong_share: share of wrong dates; few: up to so many values a group has nodes over all of its law.
    """
    if not np.any(group_sd):
        none = np.zeros((intervals.groups, 1))
        return _weighed(intervals, none, none, np.ones_like(none), spread_sd, wrong_share)
    each_sd = np.broadcast_to(group_sd, intervals.groups)
    sizes = np.bincount(intervals.group, minlength=intervals.groups)
    is_few = sizes[intervals.group] <= few
    if is_few.all():
        return _of_few(intervals, spread_sd, each_sd, wrong_share)
    if not is_few.any():
        return _of_many(intervals, spread_sd, each_sd, near, wrong_share)
    crowd, small = (
        (intervals.subset(keep), _of_some(spread_sd, keep), _of_some(wrong_share, keep))
        for keep in (~is_few, is_few)
    )
    parts = _of_many(*crowd[:2], each_sd, near, crowd[2]), _of_few(*small[:2], each_sd, small[2])
    place = np.argsort(np.concatenate([np.flatnonzero(~is_few), np.flatnonzero(is_few)]))
    is_few_group = (sizes > 0) & (sizes <= few)
    joined = {}
    for one in fields(Marginal):
        of_many, of_few = (getattr(part, one.name) for part in parts)
        is_of_groups = one.name in _OF_GROUPS
        joined[one.name] = (
            np.where(is_few_group, of_few, of_many) if is_of_groups else np.concatenate([of_many, of_few])[place]
        )
    return Marginal(**joined)


def _of_some(value: Floats | float, keep: NDArray[np.bool_]) -> Floats | float:
    return value if np.ndim(value) == 0 else np.asarray(value)[keep]


def _of_many(
    intervals: Intervals,
    spread_sd: Floats | float,
    each_sd: Floats,
    near: Floats | None,
    wrong_share: Floats | float,
) -> Marginal:
    """Groups of many values: few nodes about each group's mode."""
    mode, curvature_sd = _modes(intervals, spread_sd, each_sd, near, wrong_share)
    log_scale = np.log(curvature_sd) - np.log(each_sd) - 0.5 * np.log(np.pi)
    effect = mode[:, None] + np.sqrt(2.0) * curvature_sd[:, None] * _NODES
    scaled = effect / each_sd[:, None]
    log_weights = log_scale[:, None] - 0.5 * scaled**2 + _LOG_WEIGHTS
    found = _weighed(intervals, effect, log_weights, scaled, spread_sd, wrong_share)
    return replace(found, group_mode=mode, group_sd=curvature_sd)


def _of_few(
    intervals: Intervals, spread_sd: Floats | float, each_sd: Floats, wrong_share: Floats | float
) -> Marginal:
    """Groups of few values: many nodes, no farther apart than the spread of single values."""
    fewest, most = _SIDE_BY_SIDE
    count = int(np.clip(2.0 * _WIDE * np.max(each_sd) / np.min(spread_sd), fewest, most)) + 1
    scaled = np.broadcast_to(np.linspace(-_WIDE, _WIDE, count), (intervals.groups, count))
    log_weights = np.log(2.0 * _WIDE / (count - 1)) - _LOG_ROOT_2PI - 0.5 * scaled**2
    return _weighed(intervals, scaled * each_sd[:, None], log_weights, scaled, spread_sd, wrong_share)


def _weighed(
    intervals: Intervals,
    effect: Floats,
    log_weights: Floats,
    scaled: Floats,
    spread_sd: Floats | float,
    wrong_share: Floats | float,
) -> Marginal:
    """The sums over nodes; effect, log_weights, scaled (by the group's SD): (groups, nodes)."""
    terms = mixed_terms(intervals, effect[intervals.group], spread_sd, wrong_share)
    log_terms = _by_group(terms.log_probability, intervals) + log_weights
    highest = log_terms.max(axis=1)
    log_sum = highest + np.log(np.exp(log_terms - highest[:, None]).sum(axis=1))
    posterior = np.exp(log_terms - log_sum[:, None])
    each = posterior[intervals.group]
    mean = np.sum(posterior * effect, axis=1)
    return Marginal(
        log_likelihoods=log_sum,
        by_upper=terms.over(each, "by_upper"),
        by_lower=terms.over(each, "by_lower"),
        by_start=terms.over(each, "by_start"),
        by_log_spread_sd=terms.over(each, "by_log_sd"),
        by_log_group_sd=np.sum(posterior * (scaled**2 - 1.0), axis=1),
        by_wrong_share=np.einsum("ij,ij->i", each, terms.by_share),
        group_mode=mean,
        group_sd=np.sqrt(np.maximum(np.sum(posterior * effect**2, axis=1) - mean**2, 0.0)),
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
        once, twice = mixed_terms(intervals, effect[intervals.group], spread_sd, wrong_share).by_effect()
        slope = _by_group(once, intervals) - effect / group_sd**2
        precision = np.maximum(1.0 / group_sd**2 - _by_group(twice, intervals), 1.0 / group_sd**2)
        step = np.clip(slope / precision, -longest, longest)
        effect = effect + step
        if np.max(np.abs(step) / longest, initial=0.0) < _MODE_TOLERANCE:
            break
    return effect, 1.0 / np.sqrt(precision)
