"""Normal posteriors of coefficients and crossed effects, of many sets of interval-known values at once.

By expectation propagation (Minka 2001, Proc. 17th Conf. Uncertainty in Artificial Intelligence, p. 362): what each
interval tells of its value's predictor is put as a normal term, found where the posterior has the moments that it
has with the interval itself in the place of the term. An interval's likelihood is log-concave, so that every term
has a weight of zero or more. The priors of coefficients are flat, so that the evidence is a restricted likelihood:
exact for values known to the last digit, and for a level with a single value whatever it is known to.

Every set is a few small matrices in a stack of them: the group with most levels has a diagonal block, which is
eliminated by its Schur complement, so that only the levels of the others are ever inverted. Levels that a set does
not have stand still and tell nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from broodyear.development.arrays import Floats, Masks, Texts, Whole
from broodyear.development.likelihood.censored import Intervals, middles, tank_terms

# Terms are found when the evidence would hardly be moved by what they are off; steps that do worse are shortened.
_MOST_STEPS, _LEAST_OFF, _SHORTENED, _LENGTHENED, _SHORTEST = 60, 1e-8, 0.5, 1.2, 0.05
#: What terms may be off where a posterior counts as found: moments by a thousandth of their standard error.
MOST_OFF = 1e-6
# All terms of a set could vanish in one step, and its posterior with them: each keeps this part, and this share of
# what a value known to the last digit tells.
_LEAST_KEPT, _LEAST_WEIGHT = 0.1, 1e-8
# A value that alone tells a coefficient leaves nothing to be known of it without that value, but for rounding.
_LEAST_LEFT = 1e-9
_OF_SETS = ("off", "evidence", "slopes")  # the rest of Terms is of values


@dataclass(frozen=True)
class MeanWanted:
    """n interval-known values whose mean is wanted.

    intervals: their own groups are not read; groups: labels of each value by name, those with one level are left
    out; wrong_sd: SD of the errors of wrong dates, in the values' unit; design: (n, p), default a column of ones;
    wrong_share: held at this share; default: estimated, up to MOST_WRONG_SHARE; sums: (q, p), weights of sums of
    coefficients that are wanted in the place of these; is_for_new: values to come are wanted too, so that a spread
    that few levels tell is not taken for none.
    """

    intervals: Intervals
    groups: Mapping[str, Texts]
    wrong_sd: float
    design: Floats | None = None
    wrong_share: float | None = None
    sums: Floats | None = None
    is_for_new: bool = False

    @cached_property
    def fixed(self) -> Floats:
        """(n, p) the design."""
        n = len(self.intervals.lower)
        return np.ones((n, 1)) if self.design is None else np.asarray(self.design, dtype=float)

    @cached_property
    def weights(self) -> Floats:
        """(q, p) the sums of coefficients."""
        return np.eye(self.fixed.shape[1]) if self.sums is None else np.asarray(self.sums, dtype=float)

    @cached_property
    def codes(self) -> Mapping[str, Whole]:
        """The level of each value, by group."""
        coded = {name: np.unique(one, return_inverse=True)[1].astype(np.intp) for name, one in self.groups.items()}
        return {name: code for name, code in coded.items() if len(code) and code.max() > 0}


@dataclass(frozen=True)
class Flat:
    """All values of some sets in one row.

    of: which set each belongs to; columns: what of the inner effects each value has, as (position, size); outer:
    its level of the group with most levels, and has_outer 1, or 0 where there are no groups; fixed_sd: of wrong
    dates, NaN for those whose spread is sought; sets: how many.
    """

    of: Whole
    intervals: Intervals
    columns: tuple[tuple[Whole, Floats], ...]
    outer: Whole
    has_outer: Floats
    fixed_sd: Floats
    sets: int

    def subset(self, is_chosen: Masks) -> tuple[Flat, Masks]:
        """The values of some sets, numbered afresh, and which of all values they are."""
        keep = is_chosen[self.of]
        columns = tuple((position[keep], size[keep]) for position, size in self.columns)
        of = (np.cumsum(is_chosen) - 1)[self.of[keep]]
        ends = (self.outer[keep], self.has_outer[keep], self.fixed_sd[keep])
        return Flat(of, self.intervals.subset(keep), columns, *ends, int(is_chosen.sum())), keep


@dataclass(frozen=True)
class Posterior:
    """Posteriors of m sets by their terms.

    inner: effects, of coefficients and the groups but one; outer: of the group with most levels; covariance of the
    inner ones; follow: how the outer ones follow them; between: the product of the two; precision of the outer
    ones by themselves; outer_variance: altogether; log_det of the whole.
    """

    inner: Floats
    outer: Floats
    covariance: Floats
    follow: Floats
    between: Floats
    precision: Floats
    outer_variance: Floats
    log_det: Floats


@dataclass(frozen=True)
class Terms:
    """Terms of n values of m sets, −½·weight·x² + pull·x of the predictor x, and what the intervals make of them.

    free_mean, free_variance: (n,) of the predictor without the value's own term; off: (m,) how much terms miss
    their moments; evidence: (m,) ln of the restricted likelihood, but for a constant; slopes: (m, k + 1) of it by
    the spreads, SDs of the groups and, last, of single values.
    """

    weight: Floats
    pull: Floats
    free_mean: Floats
    free_variance: Floats
    off: Floats
    evidence: Floats
    slopes: Floats


class Posteriors:
    """Where coefficients and groups of some sets stand in their matrices, and what is worked out with these.

    names: of the k groups; levels: (k,) how many each has; wide: the group with most, the outer one; blocks: where
    the effects of the others stand among the inner ones, after p coefficients.
    """

    def __init__(self, sets: Sequence[MeanWanted]) -> None:
        self.p, self.names = sets[0].fixed.shape[1], list(sets[0].codes)
        size = {name: max(int(one.codes[name].max()) + 1 for one in sets) for name in self.names}
        self.wide = max(self.names, key=lambda name: size[name], default=None)
        inner = [name for name in self.names if name != self.wide]
        edges = np.cumsum([self.p, *(size[name] for name in inner)])
        self.blocks = {name: slice(edges[i], edges[i + 1]) for i, name in enumerate(inner)}
        self.levels = np.array([size[name] for name in self.names], dtype=float)
        self.inner_size, self.outer_size = int(edges[-1]), size[self.wide] if self.wide else 1

    def flat(self, sets: Sequence[MeanWanted], is_wrong: Masks) -> Flat:
        """All values of the sets in one row; is_wrong: which of them are taken for wrong dates."""
        intervals = in_one_row(sets)
        of = intervals.group
        design, ones = np.concatenate([one.fixed for one in sets]), np.ones(len(of))
        codes = {name: np.concatenate([one.codes[name] for one in sets]) for name in self.names}
        columns = [(np.full(len(of), i), design[:, i]) for i in range(self.p)]
        columns += [(block.start + codes[name], ones) for name, block in self.blocks.items()]
        outer, has_outer = (codes[self.wide], ones) if self.wide else (np.zeros_like(of), 0.0 * ones)
        fixed_sd = np.where(is_wrong, np.array([one.wrong_sd for one in sets])[of], np.nan)
        return Flat(of, intervals, tuple(columns), outer, has_outer, fixed_sd, len(sets))

    def begin(self, flat: Flat, spreads: Floats, centre: Floats) -> tuple[Floats, Floats]:
        """Weight and pull of every value as if it were the middle of its interval; its set's centre (m,) where
        that is open."""
        middle = middles(flat.intervals)
        weight = 1.0 / _own_sd(flat, spreads) ** 2
        return weight, weight * np.where(np.isfinite(middle), middle, centre[flat.of])

    def settled(self, flat: Flat, before: Floats, spreads: Floats, weight: Floats, pull: Floats) -> Terms:
        """The terms brought from other spreads (``before``) to these, until none misses its moments."""
        sd_before = _own_sd(flat, before)
        scale = (sd_before / _own_sd(flat, spreads)) ** (2.0 * np.clip(weight * sd_before**2, 0.0, 1.0))
        weight, pull = weight * scale, pull * scale
        found: Terms | None = None
        sets, values, length = np.arange(flat.sets), np.arange(len(flat.of)), np.ones(flat.sets)
        off = np.full(flat.sets, np.inf)
        for step in range(_MOST_STEPS + 1):
            now = self.moments(flat, self.posterior(flat, spreads, weight, pull), spreads, weight, pull)
            found = found or Terms(*map(np.copy, vars(now).values()))
            for name, value in vars(replace(now, weight=weight, pull=pull)).items():
                getattr(found, name)[sets if name in _OF_SETS else values] = value
            is_moving = now.off > _LEAST_OFF
            if step == _MOST_STEPS or not is_moving.any():
                break
            shortened, lengthened = np.maximum(_SHORTENED * length, _SHORTEST), np.minimum(_LENGTHENED * length, 1)
            length, off = np.where(now.off > off, shortened, lengthened), now.off
            part = length[flat.of]
            weight, pull = weight + part * (now.weight - weight), pull + part * (now.pull - pull)
            if not is_moving.all():
                flat, keep = flat.subset(is_moving)
                sets, length, off, spreads = sets[is_moving], length[is_moving], off[is_moving], spreads[is_moving]
                values, weight, pull = values[keep], weight[keep], pull[keep]
        assert found is not None  # there is a first step
        return found

    def posterior(self, flat: Flat, spreads: Floats, weight: Floats, pull: Floats) -> Posterior:
        """The posteriors by terms of the values."""
        m, a, s = flat.sets, self.inner_size, self.outer_size
        across, between = np.zeros((m, a, a)), np.zeros((m, a, s))
        own, inner_pull = np.zeros((m, a)), np.zeros((m, a))
        for number, (position, size) in enumerate(flat.columns):
            row, weighted = flat.of * a + position, weight * size
            own += np.bincount(row, weighted * size, m * a).reshape(m, a)
            inner_pull += np.bincount(row, pull * size, m * a).reshape(m, a)
            if self.wide:
                between += np.bincount(row * s + flat.outer, weighted, m * a * s).reshape(m, a, s)
            for other, width in flat.columns[:number]:
                across += np.bincount(row * a + other, weighted * width, m * a * a).reshape(m, a, a)
        prior = {name: 1.0 / spreads[:, k, None] ** 2 for k, name in enumerate(self.names)}
        for name, block in self.blocks.items():
            own[:, block] += prior[name]
        left, each = across + across.transpose(0, 2, 1), np.arange(a)
        left[:, each, each] += own
        cell = flat.of * s + flat.outer
        outer, outer_pull = (
            np.bincount(cell, one * flat.has_outer, m * s).reshape(m, s) for one in (weight, pull)
        )
        precision = np.asarray(outer + (prior[self.wide] if self.wide else 1.0), dtype=float)
        follow = between / precision[:, None, :]
        left -= follow @ between.transpose(0, 2, 1)
        covariance = np.asarray(np.linalg.inv(left), dtype=float)
        inner_pull -= (follow @ outer_pull[:, :, None])[:, :, 0]
        inner = (covariance @ inner_pull[:, :, None])[:, :, 0]
        between = covariance @ follow
        return Posterior(
            inner=inner,
            outer=outer_pull / precision - (inner[:, None, :] @ follow)[:, 0],
            covariance=covariance,
            follow=follow,
            between=between,
            precision=precision,
            outer_variance=1.0 / precision + np.sum(follow * between, axis=1),
            log_det=-np.log(precision).sum(axis=1) - np.linalg.slogdet(left)[1],
        )

    def _predictor(self, flat: Flat, found: Posterior) -> tuple[Floats, Floats]:
        """(n,) posterior mean and variance of each value's predictor."""
        of, outer, has_outer = flat.of, flat.outer, flat.has_outer
        mean, variance = has_outer * found.outer[of, outer], has_outer * found.outer_variance[of, outer]
        for number, (position, size) in enumerate(flat.columns):
            mean = mean + size * found.inner[of, position]
            variance = variance - 2.0 * has_outer * size * found.between[of, position, outer]
            variance = variance + size**2 * found.covariance[of, position, position]
            for other, width in flat.columns[:number]:
                variance = variance + 2.0 * size * width * found.covariance[of, position, other]
        return mean, np.maximum(variance, 0.0)

    def moments(self, flat: Flat, found: Posterior, spreads: Floats, weight: Floats, pull: Floats) -> Terms:
        """The terms that moments with each interval in the place of its term ask for, and the evidence."""
        mean, variance = self._predictor(flat, found)
        free = variance / np.maximum(1.0 - weight * variance, _LEAST_LEFT)
        slope_now = pull - weight * mean
        free_mean, own_sd = mean - free * slope_now, _own_sd(flat, spreads)
        terms = tank_terms(without_term(flat.intervals, free), free_mean, own_sd)
        slope, by_log_sd = terms.by_effect, terms.by_log_sd
        # By the variance rather than twice by the mean: the same but for what delivery cut off.
        curvature = np.maximum(slope**2 - by_log_sd / own_sd**2, 0.0)
        wanted, aim = curvature / np.maximum(1.0 - curvature * free, _LEAST_LEFT), free_mean + free * slope
        missed = 0.5 * (slope + wanted * (aim - mean) - slope_now) ** 2 * variance
        missed = missed + 0.25 * ((wanted - weight) * variance) ** 2
        kept = np.maximum(np.maximum(wanted, _LEAST_KEPT * weight), _LEAST_WEIGHT / own_sd**2)
        log_evidence = terms.log_probability + 0.5 * np.log1p(weight * free) + 0.5 * free * slope_now**2
        sds, squares = spreads[:, :-1], self._by_group(found.inner**2, found.outer**2)
        of_effects = self.levels * np.log(sds) + 0.5 * squares / sds**2
        by_sds = (squares + self.traces(found)) / sds**3 - self.levels / sds
        by_sd = np.bincount(flat.of, np.where(np.isnan(flat.fixed_sd), by_log_sd, 0.0), flat.sets) / spreads[:, -1]
        return Terms(
            weight=kept,
            pull=slope + kept * aim,
            free_mean=free_mean,
            free_variance=free,
            off=np.bincount(flat.of, missed, flat.sets).astype(float),
            evidence=np.bincount(flat.of, log_evidence, flat.sets) + 0.5 * found.log_det - of_effects.sum(axis=1),
            slopes=np.column_stack([by_sds, by_sd]),
        )

    def _by_group(self, of_inner: Floats, of_outer: Floats) -> Floats:
        """(m, k) sums over each group's effects, in the order of the groups."""
        sums = {name: of_inner[:, block].sum(axis=1) for name, block in self.blocks.items()}
        last = of_outer.sum(axis=1)
        return np.stack([sums.get(name, last) for name in self.names] or [last], axis=1)[:, : len(self.names)]

    def traces(self, found: Posterior) -> Floats:
        """(m, k) traces of the posteriors' blocks of each group."""
        return self._by_group(np.diagonal(found.covariance, axis1=1, axis2=2), found.outer_variance)

    def wholes(self, of: Posterior) -> Floats:
        """(m, e, e) covariances of all effects, the inner ones first."""
        between = -of.between
        outer = of.follow.transpose(0, 2, 1) @ of.between
        each = np.arange(self.outer_size)
        outer[:, each, each] += 1.0 / of.precision
        above = np.concatenate([of.covariance, between], axis=2)
        return np.concatenate([above, np.concatenate([between.transpose(0, 2, 1), outer], axis=2)], axis=1)

    def indices_of(self, one: MeanWanted) -> Whole:
        """Where the coefficients of a set, and the levels that it has, stand among all effects."""
        begins = [self.blocks[name].start if name in self.blocks else self.inner_size for name in self.names]
        levels = [at + np.arange(int(code.max()) + 1) for at, code in zip(begins, one.codes.values(), strict=True)]
        return np.concatenate([np.arange(self.p), *levels])

    def squares(self, of: Posterior) -> Floats:
        """(m, k, k) sums of squares of the posteriors' blocks of each two groups."""
        covariance, between, free = of.covariance, of.between, 1.0 / of.precision
        back = between @ of.follow.transpose(0, 2, 1)
        outer = np.sum(free**2, axis=1) + np.einsum("kij,kji->k", back, back)
        outer += 2.0 * np.einsum("ks,kas,kas->k", free, of.follow, between)
        k = len(self.names)
        squares = np.empty((len(covariance), k, k))
        for i, one in enumerate(self.names):
            for j, other in enumerate(self.names):
                if self.wide not in (one, other):
                    block = covariance[:, self.blocks[one], self.blocks[other]]
                    squares[:, i, j] = np.sum(block**2, axis=(1, 2))
                elif one != other:
                    block = between[:, self.blocks[other if one == self.wide else one]]
                    squares[:, i, j] = np.sum(block**2, axis=(1, 2))
                else:
                    squares[:, i, j] = outer
        return squares


def in_one_row(sets: Sequence[MeanWanted]) -> Intervals:
    """The intervals of all sets, one set after the other, each a group."""
    of, known = np.repeat(np.arange(len(sets)), [len(one.fixed) for one in sets]), [one.intervals for one in sets]
    lower, upper, start = (
        np.concatenate([getattr(one, name) for one in known]) for name in ("lower", "upper", "start")
    )
    own = np.concatenate([np.zeros(len(one.lower)) if one.own_sd is None else one.own_sd for one in known])
    return Intervals(lower, upper, start, of, len(sets), own)


def without_term(intervals: Intervals, free_variance: Floats) -> Intervals:
    """The intervals, each with the variance of its predictor, without its own term, added to its own variance."""
    own_sd = 0.0 if intervals.own_sd is None else intervals.own_sd
    return replace(intervals, own_sd=np.sqrt(own_sd**2 + free_variance))


def _own_sd(flat: Flat, spreads: Floats) -> Floats:
    return np.where(np.isnan(flat.fixed_sd), spreads[flat.of, -1], flat.fixed_sd)
