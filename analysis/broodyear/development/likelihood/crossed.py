"""Mean of values known only to lie in intervals, with crossed random groups and heavy tails.

A value is y = x·β + Σ u_group + e. Groups (batch, site, stock) have normal effects; e is normal but for a share of
wrong dates, whose errors are normal with a much larger SD (a contaminated normal; Tukey 1960). How β, u and the
spreads are found stands in ``crossed_search``; limits are Student's t with the degrees of freedom of Satterthwaite
(1946, Biometrics Bulletin 2:110).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr, stdtrit

from broodyear.development.likelihood.censored import Intervals, common_part, middles
from broodyear.development.likelihood.crossed_posterior import MeanWanted
from broodyear.development.likelihood.crossed_search import Found, searched

Floats = NDArray[np.float64]
Codes = NDArray[np.intp]

# A group SD under this share of the spread of single values is none.
_NO_SPREAD = 0.02


@dataclass(frozen=True)
class CrossedMean:
    """Estimates of p coefficients, or of sums of them, from n values.

    estimate: (p,); covariance: (p, p); df: (p,) degrees of freedom of each; spread_sd: of single values within
    groups; group_sd: by name (0: none found); effects: by name, in the order of the codes; wrong_share:
    share of values that are wrong dates; wrong_probability: (n,) of each to be one; posterior: covariance of the
    coefficients and, after them, the effects; blocks: where in it the effects of each group stand; variance_doubt:
    covariance of the estimated variances, of the groups found and, last, of single values; is_settled: False where
    the spreads could not be estimated. Everything is NaN where no estimate can be made.
    """

    estimate: Floats
    covariance: Floats
    df: Floats
    spread_sd: float
    group_sd: Mapping[str, float]
    effects: Mapping[str, Floats]
    wrong_share: float
    wrong_probability: Floats
    posterior: Floats
    blocks: Mapping[str, slice]
    variance_doubt: Floats
    is_settled: bool = True

    def df_of_new(self, codes: Mapping[str, Codes], m: int) -> Floats:
        """(m,) degrees of freedom (Satterthwaite) of the variance of m new values about what is known of them.

        codes: as in ``predicted``; the variances of levels not seen before and of single values add up.
        """
        told, unseen = [name for name, sd in self.group_sd.items() if sd > 0.0], np.full(m, -1)
        counts = np.column_stack([*(codes.get(name, unseen) < 0 for name in told), np.ones(m)]).astype(float)
        sds = np.array([*(self.group_sd[name] for name in told), self.spread_sd])
        doubt = np.einsum("ij,jk,ik->i", counts, self.variance_doubt, counts)
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

    def std_error(self, position: int = 0) -> float:
        """Standard error of one coefficient."""
        return float(np.sqrt(self.covariance[position, position]))

    def interval(self, position: int = 0, level: float = 0.95) -> tuple[float, float]:
        """Limits of one coefficient by Student's t."""
        half = float(stdtrit(self.df[position], 0.5 + level / 2.0)) * self.std_error(position)
        return float(self.estimate[position] - half), float(self.estimate[position] + half)

    def p_value(self, position: int = 0, up_to: float = 0.0) -> float:
        """Two-sided probability of an estimate so far from the nearest of 0 to ``up_to``; NaN where unknown."""
        estimate = self.estimate[position]
        off = np.maximum(np.maximum(-estimate, estimate - up_to), 0.0)
        return float(2.0 * stdtr(self.df[position], -off / self.std_error(position)))


def crossed_mean(
    intervals: Intervals,
    groups: Mapping[str, NDArray[np.str_]],
    *,
    wrong_sd: float,
    design: Floats | None = None,
    wrong_share: float | None = None,
) -> CrossedMean:
    """Coefficients, spreads and group effects of n interval-known values, given as in ``MeanWanted``.

    Nothing is estimated (NaN) where no interval has an end that is known, or one value lies in every interval and
    any small spread fits, or the search for the spreads does not settle.
    """
    return crossed_means([MeanWanted(intervals, groups, wrong_sd, design, wrong_share)])[0]


def crossed_means(wanted: Sequence[MeanWanted]) -> list[CrossedMean]:
    """``crossed_mean`` of each; those with the same groups are searched together, hardly longer than one."""
    means: dict[int, CrossedMean] = {}
    alike: dict[tuple[int, tuple[str, ...]], list[int]] = {}
    for number, one in enumerate(wanted):
        if not np.isfinite(middles(one.intervals)).any() or common_part(one.intervals) is not None:
            means[number] = _unknown(one)
        else:
            alike.setdefault((one.fixed.shape[1], tuple(one.codes)), []).append(number)
    for together in alike.values():
        for number, found in zip(together, searched([wanted[number] for number in together]), strict=True):
            one = wanted[number]
            means[number] = _mean(one, found) if found.is_settled else _unknown(one, is_settled=False)
    return [means[number] for number in range(len(wanted))]


def _unknown(wanted: MeanWanted, is_settled: bool = True) -> CrossedMean:
    nan, n = float("nan"), len(wanted.fixed)
    none: dict[str, Floats] = {name: np.array([]) for name in wanted.codes}
    q = len(wanted.weights)
    blank, square, doubt = np.full(q, nan), np.full((q, q), nan), np.empty((0, 0))
    group_sd, each = dict.fromkeys(wanted.codes, nan), np.full(n, nan)
    return CrossedMean(blank, square, blank, nan, group_sd, none, nan, each, square, {}, doubt, is_settled)


def _mean(wanted: MeanWanted, found: Found) -> CrossedMean:
    """The estimates, with spreads too small to matter as none."""
    p, names, sums = wanted.fixed.shape[1], list(wanted.codes), wanted.weights
    sizes = [int(code.max()) + 1 for code in wanted.codes.values()]
    edges = np.cumsum([p, *sizes])
    blocks = {name: slice(edges[k], edges[k + 1]) for k, name in enumerate(names)}
    group_sd = {
        name: 0.0 if sd < _NO_SPREAD * found.spread_sd else sd
        for name, sd in zip(names, found.group_sd, strict=True)
    }
    told = [k for k, name in enumerate(names) if group_sd[name] > 0.0]
    doubt: Floats = np.linalg.pinv(found.information[np.ix_([*told, len(names)], [*told, len(names)])]).astype(
        float
    )
    codes = [wanted.codes[names[k]] for k in told]
    return CrossedMean(
        estimate=sums @ found.effects[:p],
        covariance=sums @ found.posterior[:p, :p] @ sums.T,
        df=np.array([_degrees(one, wanted, found, blocks, codes, doubt) for one in sums]),
        spread_sd=found.spread_sd,
        group_sd=group_sd,
        effects={name: found.effects[block] for name, block in blocks.items()},
        wrong_share=float(found.is_wrong.mean()),
        wrong_probability=found.wrong_probability,
        posterior=found.posterior,
        blocks=blocks,
        variance_doubt=doubt,
    )


def _degrees(
    weights: Floats,
    wanted: MeanWanted,
    found: Found,
    blocks: Mapping[str, slice],
    told: Sequence[Codes],
    doubt: Floats,
) -> float:
    """Satterthwaite's degrees of freedom of a sum of coefficients, from the information on the variances."""
    p = len(weights)
    column = found.posterior[:, :p] @ weights
    sums = wanted.fixed @ column[:p]
    for name, codes in wanted.codes.items():
        sums = sums + column[blocks[name]][codes]
    influence = sums * found.weight
    by_group = [np.sum(np.bincount(codes, influence) ** 2) for codes in told]
    gradient = np.array([*by_group, np.sum(influence**2 / found.weight) / found.spread_sd**2])
    variance, unsure = float(weights @ column[:p]), float(gradient @ doubt @ gradient)
    return float(np.clip(2.0 * variance**2 / max(unsure, 1e-300), 1.0, max(len(influence) - 1, 1)))


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
