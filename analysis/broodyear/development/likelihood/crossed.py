"""Mean of values known only to lie in intervals, with crossed random groups and heavy tails.

A value is y = x·β + Σ u_group + e. Groups (batch, site, stock) have normal effects; e is normal but for a share of
wrong dates, whose errors are normal with a much larger SD (a contaminated normal; Tukey 1960). The posterior of β
and u is taken as normal (Gaussian variational approximation, expectations by two points a dimension), group
variances follow by restricted likelihood (Schall 1991, Biometrika 78:719), limits by Student's t with the degrees
of freedom of Satterthwaite (1946, Biometrics Bulletin 2:110).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import stdtr, stdtrit

from broodyear.development.likelihood.censored import MOST_WRONG_SHARE, Intervals, mixed_terms
from broodyear.development.likelihood.interval_values import common_part, middles

Floats = NDArray[np.float64]
Codes = NDArray[np.intp]

_FIRST_WRONG_SHARE = 0.03
_MOST_STEPS = 25
# Spreads are found when a step changes none by more than this share, nor the mean by more than this of its error.
_TOLERANCE = 1e-2
# A group SD under this share of the spread of single values is none.
_NO_SPREAD = 0.02
# Group SDs are sought down to this share of it; a variance changes by this factor a step at most.
_LEAST_SD = 0.01
# With one value a site, and looks far apart, the spread of single values could shrink to nothing: it stays above
# this
# share of the first guess, and the groups take the rest.
_LEAST_SPREAD = 0.1
_LONGEST_FACTOR = 2.0


@dataclass(frozen=True)
class CrossedMean:
    """Estimates of p coefficients from n values.

    estimate: (p,); covariance: (p, p); df: (p,) degrees of freedom of each; spread_sd: of single values within
    groups; group_sd: by name (0: none found); effects, effect_se: by name, in the order of the codes; wrong_share:
    share of values that are wrong dates; wrong_probability: (n,) of each to be one; posterior: covariance of the
    coefficients and, after them, the effects; blocks: where in it the effects of each group stand; variance_doubt:
    covariance of the estimated variances, of the groups found and, last, of single values. Everything is NaN where
    no estimate can be made.
    """

    estimate: Floats
    covariance: Floats
    df: Floats
    spread_sd: float
    group_sd: Mapping[str, float]
    effects: Mapping[str, Floats]
    effect_se: Mapping[str, Floats]
    wrong_share: float
    wrong_probability: Floats
    posterior: Floats
    blocks: Mapping[str, slice]
    variance_doubt: pd.DataFrame

    def df_of_new(self, codes: Mapping[str, Codes], m: int) -> Floats:
        """(m,) degrees of freedom (Satterthwaite) of the variance of m new values about what is known of them.

        codes: as in ``predicted``; the variances of levels not seen before and of single values add up.
        """
        names, unseen = [str(name) for name in self.variance_doubt], np.full(m, -1)
        is_new = [codes.get(name, unseen) < 0 if name in self.blocks else np.ones(m) for name in names]
        counts = np.column_stack(is_new).astype(float)
        sds = np.array([self.group_sd[name] if name in self.blocks else self.spread_sd for name in names])
        doubt = np.einsum("ij,jk,ik->i", counts, self.variance_doubt.to_numpy(), counts)
        return np.asarray(2.0 * (counts @ sds**2) ** 2 / np.maximum(doubt, 1e-300), dtype=float)

    def predicted(self, design: Floats, codes: Mapping[str, Codes]) -> tuple[Floats, Floats]:
        """(mean, variance) of x·β + Σ u of m new values.

        design: (m, p); codes: by group, (m,) the level of each, −1 where it was not seen before.
        """
        mean, new = design @ self.estimate, np.zeros(len(design))
        places = []
        for name, block in self.blocks.items():
            code = codes.get(name, np.full(len(design), -1))
            is_new = code < 0
            mean = mean + np.where(is_new, 0.0, self.effects[name][code])
            new += np.where(is_new, self.group_sd[name] ** 2, 0.0)
            places.append(np.where(is_new, -1, block.start + code))
        return mean, new + variance_of_sums(self.posterior, design, places)

    @property
    def total_sd(self) -> float:
        """SD of a value of new groups, wrong dates aside."""
        return float(np.sqrt(self.spread_sd**2 + sum(sd**2 for sd in self.group_sd.values())))

    def std_error(self, weights: Floats | None = None) -> float:
        """Standard error of a weighted sum of coefficients (default: the first)."""
        chosen = self._weights(weights)
        return float(np.sqrt(chosen @ self.covariance @ chosen))

    def interval(self, position: int = 0, level: float = 0.95) -> tuple[float, float]:
        """Limits of one coefficient by Student's t."""
        half = float(stdtrit(self.df[position], 0.5 + level / 2.0) * np.sqrt(self.covariance[position, position]))
        return float(self.estimate[position] - half), float(self.estimate[position] + half)

    def p_value(self, position: int = 0) -> float:
        """Two-sided probability of so large an estimate where the coefficient is 0; NaN where unknown."""
        error = np.sqrt(self.covariance[position, position])
        return float(2.0 * stdtr(self.df[position], -abs(self.estimate[position]) / error))

    def _weights(self, weights: Floats | None) -> Floats:
        return np.eye(len(self.estimate))[0] if weights is None else np.asarray(weights, dtype=float)


def crossed_mean(
    intervals: Intervals,
    groups: Mapping[str, NDArray[np.str_]],
    *,
    wrong_sd: float,
    design: Floats | None = None,
    wrong_share: float | None = None,
) -> CrossedMean:
    """Coefficients, spreads and group effects of n interval-known values.

    intervals: their own groups are not read; groups: labels of each value by name, those with one level are left
    out; wrong_sd: SD of the errors of wrong dates, in the values' unit; design: (n, p), default a column of ones;
    wrong_share: held at this share; default: estimated, up to MOST_WRONG_SHARE. Nothing is estimated (NaN) where
    no interval has an end that is known, or one value lies in every interval and any small spread fits.
    """
    n = len(intervals.lower)
    columns = np.ones((n, 1)) if design is None else np.asarray(design, dtype=float)
    coded = {name: np.unique(labels, return_inverse=True)[1].astype(np.intp) for name, labels in groups.items()}
    coded = {name: codes for name, codes in coded.items() if n and codes.max() > 0}
    if not np.isfinite(middles(intervals)).any() or common_part(intervals) is not None:
        return _unknown(n, columns.shape[1], tuple(coded))
    search = _Search(intervals, columns, coded, wrong_sd, wrong_share)
    for _ in range(_MOST_STEPS):
        if search.step() < _TOLERANCE:
            break
    return search.result()


def _unknown(n: int, p: int, names: tuple[str, ...]) -> CrossedMean:
    nan = float("nan")
    none: dict[str, Floats] = {name: np.array([]) for name in names}
    blank, square, doubt = np.full(p, nan), np.full((p, p), nan), pd.DataFrame()
    group_sd, each = dict.fromkeys(names, nan), np.full(n, nan)
    return CrossedMean(blank, square, blank, nan, group_sd, none, none, nan, each, square, {}, doubt)


def variance_of_sums(covariance: Floats, design: Floats, places: Sequence[Codes]) -> Floats:
    """(n,) variance of x·β + Σ u for n values.

    covariance: of β and, after it, all u; design: (n, p); places: each (n,), where in the covariance the value's
    u stands, −1 for none.
    """
    p = design.shape[1]
    fixed = covariance[:p]
    total = np.einsum("ij,jk,ik->i", design, fixed[:, :p], design)
    for number, at in enumerate(places):
        with_fixed = np.sum(design * fixed[:, at].T, axis=1)
        for other in places[:number]:
            with_fixed = with_fixed + np.where(other >= 0, covariance[at, other], 0.0)
        total = total + np.where(at >= 0, covariance[at, at] + 2.0 * with_fixed, 0.0)
    return np.asarray(np.maximum(total, 0.0), dtype=float)


class _Search:
    """The state of the search: coefficients, group effects and spreads, improved together step by step."""

    def __init__(
        self, intervals: Intervals, design: Floats, coded: Mapping[str, Codes], wrong_sd: float, held: float | None
    ) -> None:
        self.intervals, self.design, self.coded = intervals, design, coded
        self.p, self.wrong_sd, self.held = design.shape[1], wrong_sd, held
        sizes = [int(codes.max()) + 1 for codes in coded.values()]
        edges = np.cumsum([self.p, *sizes])
        self.blocks = {name: slice(edges[k], edges[k + 1]) for k, name in enumerate(coded)}
        self.values = np.zeros(edges[-1])
        self._begin()
        self.posterior = np.zeros((edges[-1], edges[-1]))
        self.share = _FIRST_WRONG_SHARE if held is None else held
        self.damping, self.last_step = np.ones(len(coded) + 1), np.zeros(len(coded) + 1)

    def _begin(self) -> None:
        middle = middles(self.intervals)
        known = np.isfinite(middle)
        centre = float(np.median(middle[known]))
        self.values[: self.p] = np.linalg.lstsq(self.design, np.full(len(known), centre), rcond=None)[0]
        off = np.abs(middle[known] - centre)
        self.spread_sd = max(float(1.5 * np.median(off)), 1e-3 * self.wrong_sd)
        self.least_spread_sd = _LEAST_SPREAD * self.spread_sd
        self.group_sd = dict.fromkeys(self.coded, 0.5 * self.spread_sd)

    def step(self) -> float:
        """One joint improvement; the largest relative change."""
        for _ in range(2):  # the second time with the posterior that belongs to the spreads
            score, weight, by_log_sd, is_right = self._expected()
            self._move(score, weight)
        change = self._improve_spreads(by_log_sd)
        if self.held is None:
            self.share = min(float((1.0 - is_right).mean()), MOST_WRONG_SHARE)
        return max(change, self.moved)

    def _predictor(self) -> Floats:
        total = self.design @ self.values[: self.p]
        for name, codes in self.coded.items():
            total = total + self.values[self.blocks[name]][codes]
        return np.asarray(total, dtype=float)

    def _predictor_variance(self) -> Floats:
        """(n,) posterior variance of each value's x·β + Σ u."""
        places = [self.blocks[name].start + codes for name, codes in self.coded.items()]
        return variance_of_sums(self.posterior, self.design, places)

    def _expected(self) -> tuple[Floats, Floats, Floats, Floats]:
        """Score, curvature and derivative by ln spread of each value, and its probability to be a right date."""
        centre, sd = self._predictor(), np.sqrt(self._predictor_variance())
        effect = np.column_stack([centre - sd, centre + sd])
        mixed = mixed_terms(self.intervals, effect, self.spread_sd, self.share, self.wrong_sd)
        terms = mixed.terms
        weight = np.maximum(-terms.by_effect_twice, 0.0).mean(axis=1)
        return (
            terms.by_effect.mean(axis=1),
            np.maximum(weight, 1e-9 / self.spread_sd**2),
            terms.by_log_sd.mean(axis=1),
            mixed.is_right.mean(axis=1),
        )

    def _crossproduct(self, weight: Floats) -> Floats:
        """C'WC of the columns C of the design and of all groups."""
        size = len(self.values)
        whole = np.zeros((size, size))
        weighted = self.design * weight[:, None]
        whole[: self.p, : self.p] = self.design.T @ weighted
        for name, codes in self.coded.items():
            block = self.blocks[name]
            levels = block.stop - block.start
            sums = np.stack([np.bincount(codes, column, levels) for column in weighted.T])
            whole[: self.p, block], whole[block, : self.p] = sums, sums.T
            for other, other_codes in self.coded.items():
                there = self.blocks[other]
                width = there.stop - there.start
                cells = np.bincount(codes * width + other_codes, weight, levels * width)
                whole[block, there] = cells.reshape(levels, width)
        return whole

    def _move(self, score: Floats, weight: Floats) -> None:
        """A Newton step of the coefficients and effects together."""
        self.cross = self._crossproduct(weight)
        information, slope = self.cross.copy(), np.zeros(len(self.values))
        slope[: self.p] = self.design.T @ score
        for name, codes in self.coded.items():
            block, sd = self.blocks[name], self.group_sd[name]
            slope[block] = np.bincount(codes, score, block.stop - block.start) - self.values[block] / sd**2
            at = np.arange(block.start, block.stop)
            information[at, at] += 1.0 / sd**2
        self.posterior = np.asarray(np.linalg.inv(information), dtype=float)
        step = self.posterior @ slope
        longest = 3.0 * max([self.spread_sd, *self.group_sd.values()])
        step *= min(1.0, longest / max(float(np.max(np.abs(step))), 1e-300))
        self.values = self.values + step
        self.weight = weight
        error = np.sqrt(np.diag(self.posterior)[: self.p])
        self.moved = float((np.abs(step[: self.p]) / error).max())

    def _improve_spreads(self, by_log_sd: Floats) -> float:
        """A step of Fisher scoring of the variances by restricted likelihood; the largest relative change."""
        names = list(self.coded)
        variances = np.array([*(self.group_sd[name] ** 2 for name in names), self.spread_sd**2])
        slope = np.empty(len(variances))
        for k, name in enumerate(names):
            block, variance = self.blocks[name], variances[k]
            lost = (block.stop - block.start) * variance - np.trace(self.posterior[block, block])
            slope[k] = 0.5 * (np.sum(self.values[block] ** 2) - lost) / variance**2
        slope[-1] = 0.5 * by_log_sd.sum() / variances[-1]
        least = np.array([*np.full(len(names), _LEAST_SD**2 * variances[-1]), self.least_spread_sd**2])
        is_live = ~((variances <= 1.01 * least) & (slope <= 0.0))
        information = self._information(names)[np.ix_(is_live, is_live)]
        step = np.zeros(len(variances))
        step[is_live] = np.linalg.lstsq(information, slope[is_live], rcond=None)[0]
        # Steps that go back and forth are halved until they do not.
        self.damping = np.where(
            step * self.last_step < 0.0, 0.5 * self.damping, np.minimum(1.3 * self.damping, 1.0)
        )
        step, self.last_step = step * self.damping, step
        found = np.clip(variances + step, variances / _LONGEST_FACTOR, variances * _LONGEST_FACTOR)
        now = np.minimum(np.maximum(found, least), self.wrong_sd**2)
        self.spread_sd = float(np.sqrt(now[-1]))
        self.group_sd = dict(zip(names, np.sqrt(now[:-1]).tolist(), strict=True))
        # A variance near none need not be known to a thousandth of itself.
        return float(np.max(0.5 * np.abs(now - variances) / np.maximum(now, 0.05 * now[-1])))

    def _information(self, names: list[str]) -> Floats:
        """Expected information on the variances of some groups and, last, on that of single values."""
        hat = self.posterior @ self.cross
        at_groups = self.cross - self.cross @ hat  # Z'PZ
        twice = at_groups - at_groups @ hat  # Z'P R P Z
        blocks = [self.blocks[name] for name in names]
        k, variance = len(blocks), self.spread_sd**2
        information = np.empty((k + 1, k + 1))
        for i, block in enumerate(blocks):
            for j, other in enumerate(blocks):
                information[i, j] = 0.5 * np.sum(at_groups[block, other] ** 2)
            information[i, k] = information[k, i] = 0.5 * np.trace(twice[block, block]) / variance
        # What a value tells of the spread: nothing when it is a wrong date, less than all between looks far apart.
        told = float(np.clip(self.weight * variance, 0.0, 1.0).sum())
        free = told - 2.0 * np.trace(hat) + np.sum(hat * hat.T)
        information[k, k] = 0.5 * max(float(free), 0.5 * told) / variance**2
        return information

    def result(self) -> CrossedMean:
        """The estimates, with spreads too small to matter as none."""
        group_sd = {name: 0.0 if sd < _NO_SPREAD * self.spread_sd else sd for name, sd in self.group_sd.items()}
        *_, is_right = self._expected()
        errors = np.sqrt(np.diag(self.posterior))
        found = [name for name, sd in group_sd.items() if sd > 0.0]
        information = self._information(found)
        return CrossedMean(
            estimate=self.values[: self.p],
            covariance=self.posterior[: self.p, : self.p],
            df=np.array([self._degrees(position, found, information) for position in range(self.p)]),
            spread_sd=self.spread_sd,
            group_sd=group_sd,
            effects={name: self.values[block] for name, block in self.blocks.items()},
            effect_se={name: errors[block] for name, block in self.blocks.items()},
            wrong_share=self.share,
            wrong_probability=1.0 - is_right,
            posterior=self.posterior,
            blocks=self.blocks,
            variance_doubt=pd.DataFrame(np.linalg.pinv(information), columns=[*found, "single values"]),
        )

    def _degrees(self, position: int, names: list[str], information: Floats) -> float:
        """Satterthwaite's degrees of freedom of one coefficient, from the information on the variances."""
        influence = self._columns(self.posterior[:, position]) * self.weight
        by_group = [np.sum(np.bincount(self.coded[name], influence) ** 2) for name in names]
        gradient = np.array([*by_group, np.sum(influence**2 / self.weight) / self.spread_sd**2])
        doubt = float(gradient @ np.linalg.pinv(information) @ gradient)
        variance = self.posterior[position, position]
        return float(np.clip(2.0 * variance**2 / max(doubt, 1e-300), 1.0, max(len(self.weight) - 1, 1)))

    def _columns(self, coefficients: Floats) -> Floats:
        total = self.design @ coefficients[: self.p]
        for name, codes in self.coded.items():
            total = total + coefficients[self.blocks[name]][codes]
        return np.asarray(total, dtype=float)
