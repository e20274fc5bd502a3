"""The search behind ``crossed_mean``: coefficients, effects and spreads of many sets of values at once.

The posterior of β and u is taken as normal (Gaussian variational approximation, expectations by two points of a
value), group variances follow by restricted likelihood (Schall 1991, Biometrika 78:719). Every set is a few small
matrices in a stack of them: the group with most levels has a diagonal block, which is eliminated by its Schur
complement, so that only the levels of the others are ever inverted.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from broodyear.development.likelihood.censored import MOST_WRONG_SHARE, Intervals, MixedTerms, mixed_terms
from broodyear.development.likelihood.interval_values import middles

Floats = NDArray[np.float64]
Codes = NDArray[np.intp]

_FIRST_WRONG_SHARE = 0.03
_MOST_STEPS = 25
# Spreads are found when a step changes none by more than this share, nor the mean by more than this of its error.
_TOLERANCE = 1e-2
# Group SDs are sought down to this share of the spread of single values; a variance changes by this factor a step
# at most, and one near none need not be known to a thousandth of itself.
_LEAST_SD, _LONGEST_FACTOR, _NEAR_NONE = 0.01, 2.0, 0.05
_FIRST_GROUP_SD = 0.5
# With one value a site, and looks far apart, the spread of single values could shrink to nothing: it stays above
# this share of the first guess, and the groups take the rest.
_LEAST_SPREAD = 0.1


@dataclass(frozen=True)
class Values:
    """n interval-known values: design (n, p), level of each by group, SD of wrong dates, their share if held."""

    intervals: Intervals
    design: Floats
    codes: Mapping[str, Codes]
    wrong_sd: float
    wrong_share: float | None


@dataclass(frozen=True)
class Found:
    """Where the search ended.

    effects: β and, after them, u; posterior: their covariance; group_sd: in the order of the groups; information:
    on their variances and, last, on that of single values; weight, is_right: (n,) curvature of each value against
    its predictor, and its probability to be a right date.
    """

    effects: Floats
    posterior: Floats
    group_sd: tuple[float, ...]
    spread_sd: float
    wrong_share: float
    information: Floats
    weight: Floats
    is_right: Floats


def searched(sets: Sequence[Values]) -> list[Found]:
    """The search for each set; all have as many coefficients and the same groups."""
    search, live = _Search(sets), np.arange(len(sets))
    for _ in range(_MOST_STEPS):
        live = live[search.step(live) >= _TOLERANCE]
        if not len(live):
            break
    return search.found()


@dataclass(frozen=True)
class _Flat:
    """All values of some sets in one row.

    of: which set each belongs to; columns: what of the inner effects each value has, as (position, size); outer:
    its level of the group with most levels, and has_outer 1, or 0 where there are no groups.
    """

    of: Codes
    intervals: Intervals
    columns: tuple[tuple[Codes, Floats], ...]
    outer: Codes
    has_outer: Floats
    wrong_sd: Floats

    def subset(self, is_asked: NDArray[np.bool_]) -> tuple[_Flat, NDArray[np.bool_]]:
        """The values of some sets, numbered afresh, and which of all values they are."""
        keep = is_asked[self.of]
        columns = tuple((position[keep], size[keep]) for position, size in self.columns)
        of = (np.cumsum(is_asked) - 1)[self.of[keep]]
        ends = (self.outer[keep], self.has_outer[keep], self.wrong_sd[keep])
        return _Flat(of, self.intervals.subset(keep), columns, *ends), keep


class _Search:
    """State of the search of m sets: inner effects (coefficients, and the groups but one), outer effects (of the
    group with most levels), variances and shares. Levels that a set does not have stand still and tell nothing."""

    def __init__(self, sets: Sequence[Values]) -> None:
        self.sets, self.m, self.p, self.names = sets, len(sets), sets[0].design.shape[1], list(sets[0].codes)
        size = {name: max(int(one.codes[name].max()) + 1 for one in sets) for name in self.names}
        self.wide = max(self.names, key=lambda name: size[name], default=None)
        inner = [name for name in self.names if name != self.wide]
        edges = np.cumsum([self.p, *(size[name] for name in inner)])
        self.blocks = {name: slice(edges[i], edges[i + 1]) for i, name in enumerate(inner)}
        self.levels = np.array([size[name] for name in self.names], dtype=float)
        m, a, s = self.m, int(edges[-1]), size[self.wide] if self.wide else 1
        self.flat = self._all()
        self.weight, self.is_right = np.ones(len(self.flat.of)), np.ones(len(self.flat.of))
        self.inner, self.outer = np.zeros((m, a)), np.zeros((m, s))
        # Posterior: covariance of the inner effects; how outer ones follow them; precision of these by themselves.
        self.covariance, self.follow, self.precision = (
            np.zeros((m, a, a)),
            np.zeros((m, a, s)),
            np.full((m, s), np.inf),
        )
        self._begin()

    def _begin(self) -> None:
        k = len(self.names)
        self.wrong_sd = np.array([one.wrong_sd for one in self.sets])
        first = np.empty(self.m)
        for number, one in enumerate(self.sets):
            middle = middles(one.intervals)
            known = middle[np.isfinite(middle)]
            centre = np.median(known)
            first[number] = max(float(1.5 * np.median(np.abs(known - centre))), 1e-3 * one.wrong_sd)
            self.inner[number, : self.p] = np.linalg.lstsq(one.design, np.full(len(middle), centre), rcond=None)[0]
        self.least_spread_sd = _LEAST_SPREAD * first
        self.variances = np.column_stack([*[(_FIRST_GROUP_SD * first) ** 2] * k, first**2])
        self.prior = self.variances.copy()  # that the posterior was found with
        held = np.array([np.nan if one.wrong_share is None else one.wrong_share for one in self.sets])
        self.is_held = np.isfinite(held)
        self.share = np.where(self.is_held, held, _FIRST_WRONG_SHARE)
        self.damping, self.last_step = np.ones((self.m, k + 1)), np.zeros((self.m, k + 1))

    def _all(self) -> _Flat:
        of = np.repeat(np.arange(self.m), [len(one.design) for one in self.sets])
        known = [one.intervals for one in self.sets]
        lower, upper, start = (
            np.concatenate([getattr(one, name) for one in known]) for name in ("lower", "upper", "start")
        )
        own = np.concatenate([np.zeros(len(one.lower)) if one.own_sd is None else one.own_sd for one in known])
        design, ones = np.concatenate([one.design for one in self.sets]), np.ones(len(of))
        columns = [(np.full(len(of), i), design[:, i]) for i in range(self.p)]
        columns += [(block.start + self._codes(name), ones) for name, block in self.blocks.items()]
        outer = self._codes(self.wide) if self.wide else np.zeros_like(of)
        wrong_sd = np.array([one.wrong_sd for one in self.sets])[of]
        intervals = Intervals(lower, upper, start, of, self.m, own if own.any() else None)
        return _Flat(of, intervals, tuple(columns), outer, ones if self.wide else 0.0 * ones, wrong_sd)

    def _codes(self, name: str) -> Codes:
        return np.concatenate([one.codes[name] for one in self.sets])

    def step(self, live: Codes) -> Floats:
        """One joint improvement of some sets; the largest relative change of each."""
        is_live = np.zeros(self.m, dtype=bool)
        is_live[live] = True
        flat, keep = self.flat.subset(is_live)
        for _ in range(2):  # the second time with the posterior that belongs to the spreads
            mixed, weight = self._expected(flat, live)
            moved = self._move(flat, live, mixed.terms.by_effect.mean(axis=1), weight)
        self.weight[keep] = weight
        change = self._improve_spreads(live, np.bincount(flat.of, mixed.terms.by_log_sd.mean(axis=1)))
        wrong = np.bincount(flat.of, 1.0 - mixed.is_right.mean(axis=1)) / np.bincount(flat.of)
        self.share[live] = np.where(self.is_held[live], self.share[live], np.minimum(wrong, MOST_WRONG_SHARE))
        return np.maximum(change, moved)

    def _expected(self, flat: _Flat, live: Codes) -> tuple[MixedTerms, Floats]:
        """Terms of each value at two points about its predictor, and its curvature against it."""
        of, outer = live[flat.of], flat.outer
        follow = np.einsum("kab,kbs->kas", self.covariance[live], self.follow[live])
        outer_variance = 1.0 / self.precision[live] + np.einsum("kas,kas->ks", self.follow[live], follow)
        centre, variance = flat.has_outer * self.outer[of, outer], flat.has_outer * outer_variance[flat.of, outer]
        for position, size in flat.columns:
            centre = centre + size * self.inner[of, position]
            variance = variance - 2.0 * flat.has_outer * size * follow[flat.of, position, outer]
            for other, width in flat.columns:
                variance = variance + size * width * self.covariance[of, position, other]
        sd, spread_sd = np.sqrt(np.maximum(variance, 0.0)), np.sqrt(self.variances[of, -1])
        points = np.column_stack([centre - sd, centre + sd])
        mixed = mixed_terms(flat.intervals, points, spread_sd, self.share[of], flat.wrong_sd)
        weight = np.maximum(-mixed.terms.by_effect_twice, 0.0).mean(axis=1)
        return mixed, np.maximum(weight, 1e-9 / spread_sd**2)

    def _move(self, flat: _Flat, live: Codes, score: Floats, weight: Floats) -> Floats:
        """A Newton step of coefficients and effects together; (m,) change of coefficients, in standard errors."""
        m, (a, s) = len(live), self.follow.shape[1:]
        left, between, pull = np.zeros((m, a, a)), np.zeros((m, a, s)), np.zeros((m, a))
        for position, size in flat.columns:
            row, weighted = flat.of * a + position, weight * size
            pull += np.bincount(row, score * size, m * a).reshape(m, a)
            between += np.bincount(row * s + flat.outer, weighted * flat.has_outer, m * a * s).reshape(m, a, s)
            for other, width in flat.columns:
                left += np.bincount(row * a + other, weighted * width, m * a * a).reshape(m, a, a)
        prior = dict(zip(self.names, self.variances[live].T, strict=False))
        for name, block in self.blocks.items():
            places = np.arange(block.start, block.stop)
            left[:, places, places] += 1.0 / prior[name][:, None]
            pull[:, block] -= self.inner[live][:, block] / prior[name][:, None]
        outer, outer_prior = (
            flat.of * s + flat.outer,
            1.0 / prior[self.wide][:, None] if self.wide else np.ones((m, 1)),
        )
        precision = np.bincount(outer, weight * flat.has_outer, m * s).reshape(m, s) + outer_prior
        outer_pull = (
            np.bincount(outer, score * flat.has_outer, m * s).reshape(m, s) - outer_prior * self.outer[live]
        )
        follow = between / precision[:, None, :]
        covariance = np.linalg.inv(left - follow @ between.transpose(0, 2, 1))
        step = np.einsum("kij,kj->ki", covariance, pull - np.einsum("kas,ks->ka", follow, outer_pull))
        outer_step = outer_pull / precision - np.einsum("kas,ka->ks", follow, step)
        largest = np.maximum(np.abs(step).max(axis=1), np.abs(outer_step).max(axis=1))
        longest = 3.0 * np.sqrt(self.variances[live].max(axis=1))
        part = np.minimum(1.0, longest / np.maximum(largest, 1e-300))[:, None]
        self.inner[live] += part * step
        self.outer[live] += part * outer_step
        self.covariance[live], self.follow[live], self.precision[live] = covariance, follow, precision
        self.prior[live] = self.variances[live]
        error = np.sqrt(np.diagonal(covariance, axis1=1, axis2=2)[:, : self.p])
        return np.asarray((np.abs(part * step[:, : self.p]) / error).max(axis=1), dtype=float)

    def _improve_spreads(self, live: Codes, by_log_sd: NDArray[Any]) -> Floats:
        """A step of Fisher scoring of the variances by restricted likelihood; (m,) the largest relative change."""
        variances = self.variances[live]
        traces, sums = self._traces(live), self._sums(live)
        groups = 0.5 * (sums + traces - self.levels * variances[:, :-1]) / variances[:, :-1] ** 2
        slope = np.column_stack([groups, 0.5 * by_log_sd / variances[:, -1]])
        of_groups = np.repeat(_LEAST_SD**2 * variances[:, -1:], len(self.names), axis=1)
        least = np.column_stack([of_groups, self.least_spread_sd[live] ** 2])
        is_live = ~((variances <= 1.01 * least) & (slope <= 0.0))
        both = is_live[:, :, None] & is_live[:, None, :]
        information = np.where(both, self.information(live), 0.0)
        step = np.einsum("kij,kj->ki", np.linalg.pinv(information, hermitian=True), np.where(is_live, slope, 0.0))
        # Steps that go back and forth are halved until they do not.
        damping, last = self.damping[live], self.last_step[live]
        damping = np.where(step * last < 0.0, 0.5 * damping, np.minimum(1.3 * damping, 1.0))
        self.damping[live], self.last_step[live] = damping, step
        found = np.clip(variances + step * damping, variances / _LONGEST_FACTOR, variances * _LONGEST_FACTOR)
        now = np.minimum(np.maximum(found, least), self.wrong_sd[live, None] ** 2)
        self.variances[live] = now
        change = 0.5 * np.abs(now - variances) / np.maximum(now, _NEAR_NONE * now[:, -1:])
        return np.asarray(change.max(axis=1), dtype=float)

    def _by_group(self, of_inner: Floats, of_outer: Floats) -> Floats:
        """(m, groups) sums over each group's effects, in the order of the groups."""
        sums = {name: of_inner[:, block].sum(axis=1) for name, block in self.blocks.items()}
        sums |= {self.wide: of_outer.sum(axis=1)} if self.wide else {}
        return np.stack([sums[name] for name in self.names], axis=1) if sums else np.zeros((len(of_inner), 0))

    def _sums(self, live: Codes) -> Floats:
        return self._by_group(self.inner[live] ** 2, self.outer[live] ** 2)

    def _traces(self, live: Codes) -> Floats:
        follow, covariance = self.follow[live], self.covariance[live]
        of_outer = 1.0 / self.precision[live] + np.einsum("kas,kas->ks", follow, covariance @ follow)
        return self._by_group(np.diagonal(covariance, axis1=1, axis2=2), of_outer)

    def _squares(self, live: Codes) -> Floats:
        """(m, groups, groups) sums of squares of the posterior's blocks of each two groups."""
        covariance, follow, free = self.covariance[live], self.follow[live], 1.0 / self.precision[live]
        between = covariance @ follow
        back = between @ follow.transpose(0, 2, 1)
        outer = np.sum(free**2, axis=1) + np.einsum("kij,kji->k", back, back)
        outer += 2.0 * np.einsum("ks,kas,kas->k", free, follow, between)
        sums = [
            [
                outer if one == other == self.wide
                else np.sum(between[:, self.blocks[one]] ** 2, axis=(1, 2)) if other == self.wide
                else np.sum(between[:, self.blocks[other]] ** 2, axis=(1, 2)) if one == self.wide
                else np.sum(covariance[:, self.blocks[one], self.blocks[other]] ** 2, axis=(1, 2))
                for other in self.names
            ]
            for one in self.names
        ]  # fmt: skip
        k = len(self.names)
        return np.array(sums, dtype=float).reshape(k, k, len(live)).transpose(2, 0, 1)

    def information(self, live: Codes) -> Floats:
        """Expected information on variances of the groups and, last, of single values, (m, k + 1, k + 1).

        With the posterior P, the prior precisions G, and P⁻¹ − G of the data: Z'PZ of the variance components is
        G − GPG and the leverages are I − PG, so that traces and squares of blocks of P are all it takes.
        """
        k, prior, single = len(self.names), self.prior[live, :-1], self.variances[live, -1]
        told_of = self._traces(live) / prior
        pairs = self._squares(live) / (prior[:, :, None] * prior[:, None, :])
        found = np.empty((len(live), k + 1, k + 1))
        found[:, :k, :k] = 0.5 * pairs / (prior[:, :, None] * prior[:, None, :])
        each = np.arange(k)
        found[:, each, each] += 0.5 * (self.levels - 2.0 * told_of) / prior**2
        found[:, :k, k] = 0.5 * (told_of - pairs.sum(axis=2)) / prior / single[:, None]
        found[:, k, :k] = found[:, :k, k]
        is_live = np.zeros(self.m, dtype=bool)
        is_live[live] = True
        keep = is_live[self.flat.of]
        of = self.flat.of[keep]
        # What a value tells of the spread: nothing when it is a wrong date, less than all between looks far apart.
        told = np.bincount(of, np.clip(self.weight[keep] * self.variances[of, -1], 0.0, 1.0), self.m)[live]
        leverage = self.p + np.sum(self.levels - told_of, axis=1)
        squared = self.p + np.sum(self.levels - 2.0 * told_of, axis=1) + pairs.sum(axis=(1, 2))
        found[:, k, k] = 0.5 * np.maximum(told - 2.0 * leverage + squared, 0.5 * told) / single**2
        return found

    def found(self) -> list[Found]:
        """What each set ended at, without the levels it does not have."""
        everything = np.arange(self.m)
        information = self.information(everything)
        mixed, _ = self._expected(self.flat, everything)
        is_right = mixed.is_right.mean(axis=1)
        return [self._one(number, information[number], is_right) for number in range(self.m)]

    def _one(self, number: int, information: Floats, is_right: Floats) -> Found:
        codes, a = self.sets[number].codes, self.inner.shape[1]
        starts = [self.blocks[name].start if name in self.blocks else a for name in self.names]
        levels = [
            start + np.arange(int(code.max()) + 1) for start, code in zip(starts, codes.values(), strict=True)
        ]
        chosen = np.concatenate([np.arange(self.p), *levels])
        follow, covariance = self.follow[number], self.covariance[number]
        between = covariance @ follow
        outer = np.diag(1.0 / self.precision[number]) + follow.T @ between
        whole = np.block([[covariance, -between], [-between.T, outer]])
        is_mine, sds = self.flat.of == number, np.sqrt(self.variances[number])
        return Found(
            effects=np.concatenate([self.inner[number], self.outer[number]])[chosen],
            posterior=whole[np.ix_(chosen, chosen)],
            group_sd=tuple(map(float, sds[:-1])),
            spread_sd=float(sds[-1]),
            wrong_share=float(self.share[number]),
            information=information,
            weight=self.weight[is_mine],
            is_right=is_right[is_mine],
        )
