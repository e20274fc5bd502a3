"""The likelihood of a curve of development and its spreads, from tank records.

Model: the event happens when a tank's development fraction F reaches exp(u_batch + e), with u_batch and e normal:
log-normal in development, but for a share of wrong dates (see ``censored``) that is estimated with the rest. What
is known is that the event lies in (absent_day, seen_day] and after delivery.

The integral over u uses adaptive Gauss–Hermite quadrature: nodes are centred on each group's mode and scaled by
its curvature (Pinheiro & Bates 1995, J. Comput. Graph. Stat. 4:12). Gradients use Fisher's identity: the
derivative of the marginal likelihood is the mean of the derivative given u under the group's posterior. What a few
values tell of their group between looks days apart, and some of them perhaps wrong, has edges and several modes:
there the nodes stand side by side over all of the group's normal law.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from broodyear.development.arrays import Floats, Masks, Whole
from broodyear.development.likelihood.censored import Intervals, mixed_terms
from broodyear.development.likelihood.tank_records import TankRecords
from broodyear.development.models.forms import Shape

# Against 21 points the demo's fits move by a hundred-thousandth of a standard error.
QUADRATURE_POINTS = 7
_NODES, _WEIGHTS = np.polynomial.hermite.hermgauss(QUADRATURE_POINTS)
_LOG_WEIGHTS = np.log(_WEIGHTS) + _NODES**2
# Groups of so few values, the nodes of these: within so many SDs, and how many at the least and the most.
FEW, _WIDE, _SIDE_BY_SIDE = 4, 6.0, (48, 400)
_OF_GROUPS = ("log_likelihoods", "by_log_group_sd", "group_mode", "group_sd")
_MODE_STEPS = 30
_MODE_TOLERANCE = 1e-4  # of the larger spread, and steps square it; the quadrature forgives far more
_LOG_ROOT_2PI = 0.5 * np.log(2.0 * np.pi)
_SHORTEST_LOG_DAYS = -20.0  # no stage takes so little; steps of the search pass far beyond it
HARDLY_BEGUN = 1e-150  # absurd constants, passed by a search, must overflow nowhere
_FAR_BELOW = -745.0  # log of the smallest positive number: "development has hardly begun"


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
    index = np.argsort(np.concatenate([np.flatnonzero(~is_few), np.flatnonzero(is_few)]))
    is_few_group = (sizes > 0) & (sizes <= few)
    joined = {}
    for one in fields(Marginal):
        of_many, of_few = (getattr(part, one.name) for part in parts)
        is_of_groups = one.name in _OF_GROUPS
        joined[one.name] = (
            np.where(is_few_group, of_few, of_many) if is_of_groups else np.concatenate([of_many, of_few])[index]
        )
    return Marginal(**joined)


def _of_some(value: Floats | float, keep: Masks) -> Floats | float:
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


def fractions(records: TankRecords, rate: Floats) -> tuple[Floats, Floats, Floats]:
    """Development fraction at delivery, at absent_day and at seen_day of each tank, for rates on the grid.

    rate: (g,) of all tanks, or (g, k) of k curves; the fractions are (n,) or (k, n).
    """
    start = (records.to_start @ rate).T + records.start_fraction
    return start, start + (records.to_absent @ rate).T, start + (records.to_seen @ rate).T


def edges(records: TankRecords, rate: Floats) -> tuple[Intervals, Floats, Floats, Floats]:
    """Intervals of log development of each tank, and the three fractions behind them."""
    found = fractions(records, rate)
    return between(records, *found, np.arange(len(records.batch)), records.batch, len(records.batches)), *found


def between(
    records: TankRecords, start: Floats, absent: Floats, seen: Floats, tank: Whole, group: Whole, groups: int
) -> Intervals:
    """Intervals of log development between fractions. tank: which of the records each value is of."""
    own = records.gap_log_sd[tank]
    return Intervals(
        lower=_log(absent),
        upper=np.where(np.isfinite(records.seen_day[tank]), _log(seen), np.inf),
        start=np.where(start > 0, _log(start), -np.inf),
        group=group,
        groups=groups,
        own_sd=own if own.any() else None,
    )


def _log(fraction: Floats) -> Floats:
    with np.errstate(divide="ignore"):
        return np.maximum(np.log(fraction), _FAR_BELOW)


class CurveLikelihood:
    """Negative log-likelihood of a form's free quantities, the two log spreads and the share of wrong dates.

    chosen: (k, n) which tanks each of k fits is made to; default: one fit to all. All of them stand in one
    marginal likelihood, each with batches of its own: many small fits cost hardly more than one large one.
    """

    def __init__(
        self,
        records: TankRecords,
        shape: Shape,
        has_batch_effect: bool = True,
        chosen: Masks | None = None,
        few: int = FEW,
    ) -> None:
        self.records, self.shape, self.has_batch_effect, self.few = records, shape, has_batch_effect, few
        self.chosen = np.ones((1, len(records.batch)), dtype=bool) if chosen is None else chosen
        # Where the last step found the batches: only a place to begin.
        self._modes = np.zeros((len(self.chosen), len(records.batches)))

    def of_each(self, theta: Floats, which: Whole) -> tuple[Floats, Floats]:
        """(m,) −log-likelihoods and (m, q) gradients of the fits numbered ``which``, each at its row of theta:
        free quantities, ln of the spreads of tanks and of batches, share."""
        k, batches = len(theta), len(self.records.batches)
        result, fit, by_free = self.parts(theta, which)
        by_each = [np.bincount(fit, of_tank, k) for of_tank in (result.by_log_spread_sd, result.by_wrong_share)]
        by_batch_sd = result.by_log_group_sd.reshape(k, batches).sum(axis=1)
        tail = [by_each[0], *([by_batch_sd] if self.has_batch_effect else []), by_each[1]]
        value = result.log_likelihoods.reshape(k, batches).sum(axis=1)
        return -value, -np.column_stack([by_free, *tail])

    def parts(self, theta: Floats, which: Whole) -> tuple[Marginal, Whole, Floats]:
        """The marginal likelihood, which fit each of its values belongs to, and derivatives by free quantities."""
        p, batches = self.shape.free, len(self.records.batches)
        fit, tank = np.nonzero(self.chosen[which])
        rate, rate_by = rates_on(self.shape, theta[:, :p], self.records.grid_c)
        found = fractions(self.records, rate.T)
        start, absent, seen = (all_tanks[fit, tank] for all_tanks in found)
        group = fit * batches + self.records.batch[tank]
        intervals = between(self.records, start, absent, seen, tank, group, len(theta) * batches)
        spread_sd = np.exp(theta[fit, p])
        batch_sd = np.repeat(np.exp(theta[:, p + 1]), batches) if self.has_batch_effect else 0.0
        result = marginal(intervals, spread_sd, batch_sd, self._modes[which].ravel(), theta[fit, -1], self.few)
        self._modes[which] = result.group_mode.reshape(-1, batches)
        at_start, at_absent = _per(result.by_start, start), _per(result.by_lower, absent)
        at_seen = _per(result.by_upper, seen)

        def summed(of_tank: Floats, weights: Floats) -> Floats:
            laid_out = np.zeros((len(theta), len(self.records.batch)))
            laid_out[fit, tank] = of_tank
            return np.asarray(laid_out @ weights, dtype=float)

        by_rate = (
            summed(at_start + at_absent + at_seen, self.records.to_start)
            + summed(at_absent, self.records.to_absent)
            + summed(at_seen, self.records.to_seen)
        )
        return result, fit, np.einsum("kg,kgp->kp", by_rate, rate_by)


def _per(derivative: Floats, fraction: Floats) -> Floats:
    """The derivative by a fraction from that by its logarithm; 0 where development has hardly begun."""
    return np.where(fraction > HARDLY_BEGUN, derivative / np.maximum(fraction, HARDLY_BEGUN), 0.0)


def rates_on(shape: Shape, free: Floats, grid_c: Floats) -> tuple[Floats, Floats]:
    """Daily rates on the grid and their derivatives by the free quantities, (…, g) and (…, g, p)."""
    log_days = shape.log_days(free, grid_c)
    bounded = np.maximum(np.where(np.isfinite(log_days), log_days, 0.0), _SHORTEST_LOG_DAYS)
    rate = np.where(np.isfinite(log_days), np.exp(-bounded), 0.0)
    return rate, -rate[..., None] * shape.gradient(free, grid_c)
