"""Mean of values known only to lie in intervals, with crossed random groups and heavy tails.

A value is y = x·β + Σ u_group + e. Groups (batch, site, stock) have normal effects; e is normal but for a share of
wrong dates, whose errors are normal with a much larger SD (a contaminated normal; Tukey 1960). How β, u and the
spreads are found stands in ``crossed_search``; limits are Student's t with the degrees of freedom of Satterthwaite
(1946, Biometrics Bulletin 2:110).
"""

from __future__ import annotations

import pickle
from collections.abc import Generator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias, TypeVar

import numpy as np
from scipy.special import stdtr, stdtrit

from broodyear.development.arrays import Floats, Whole
from broodyear.development.likelihood.censored import common_part, middles
from broodyear.development.likelihood.crossed_posterior import MeanWanted
from broodyear.development.likelihood.crossed_search import Found, searched

T = TypeVar("T")

# A group SD under this share of the spread of single values is none.
_NO_SPREAD = 0.02
# However little tells one spread from another: three batches, the fewest that a curve is fitted to, differ in two.
_FEWEST_DF = 2.0


@dataclass(frozen=True)
class CrossedMean:
    """Estimates of p coefficients, or of sums of them, from n values.

    estimate: (p,); covariance: (p, p); df: (p,) degrees of freedom of each; spread_sd: of single values within
    groups; group_sd: by name (0: none found); effects: by name, in the order of the codes; wrong_share:
    share of values that are wrong dates; wrong_probability: (n,) of each to be one; posterior: covariance of the
    coefficients and, after them, the effects; blocks: where in it the effects of each group stand; variances: as
    they were found, of the groups, be they as good as none, and, last, of single values; variance_doubt: their
    covariance; is_settled: False where the spreads could not be estimated. Everything is NaN where no estimate can
    be made.
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
    variances: Floats
    variance_doubt: Floats
    is_settled: bool = True

    def predicted(self, design: Floats, codes: Mapping[str, Whole]) -> tuple[Floats, Floats, Floats]:
        """(mean, variance, degrees of freedom) of m new values, each x·β + Σ u + e.

        design: (m, p); codes: by group, (m,) the level of each, −1 where it was not seen before. The degrees of
        freedom are Satterthwaite's, by the slopes of the variance by those of groups and of single values: spreads
        that the records cannot tell apart, as of stocks with a batch each, are doubtful only as far as the
        prediction rests on one of them alone, and one that was found to be none is as doubtful as it is.
        """
        m, p = design.shape
        weights, new = np.zeros((m, len(self.posterior))), np.zeros((m, len(self.blocks)))
        weights[:, :p] = design
        mean = design @ self.estimate
        for number, (name, block) in enumerate(self.blocks.items()):
            code = codes.get(name, np.full(m, -1))
            new[:, number] = code < 0
            mean = mean + np.where(code < 0, 0.0, self.effects[name][code])
            weights[np.flatnonzero(code >= 0), block.start + code[code >= 0]] = 1.0
        pulled, of_groups, single = weights @ self.posterior, self.variances[:-1], self.variances[-1]
        variance = single + new @ of_groups + np.maximum(np.sum(pulled * weights, axis=1), 0.0)
        pulls = [np.sum(pulled[:, block] ** 2, axis=1) for block in self.blocks.values()]
        slope = new + np.column_stack([*pulls, np.zeros((m, 0))]) / of_groups**2
        # The variance is a sum of the spreads' variances, each times its slope.
        slope = np.column_stack([slope, (variance - slope @ of_groups) / single])
        doubt = np.einsum("ij,jk,ik->i", slope, self.variance_doubt, slope)
        return mean, variance, np.maximum(2.0 * variance**2 / np.maximum(doubt, 1e-300), _FEWEST_DF)

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


def crossed_means(wanted: Sequence[MeanWanted]) -> list[CrossedMean]:
    """Coefficients, spreads and group effects of each set of values; sets with the same groups are searched
    together, hardly longer than one.

    Nothing is estimated (NaN) where no interval has an end that is known, or one value lies in every interval and
    any small spread fits, or the search for the spreads does not settle.
    """
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


#: Work that stops at ``means = yield wanted`` until those means are there, and returns what it made of them.
Work: TypeAlias = Generator[Sequence[MeanWanted], Sequence[CrossedMean], T]


def worked_out(works: Sequence[Work[T]]) -> list[T]:
    """What pieces of work return. What all of them want at a time is worked out together, and what several want
    alike, as a curve that predicts the same in every scheme, once."""
    done: dict[int, T] = {}
    answers: dict[int, Any] = dict.fromkeys(range(len(works)))  # nothing is answered yet
    while answers:
        requests: dict[int, list[tuple[bytes, MeanWanted]]] = {}
        for at, answer in answers.items():
            try:
                requests[at] = [(pickle.dumps(one), one) for one in works[at].send(answer)]
            except StopIteration as end:
                done[at] = end.value
        different = dict(one for wanted in requests.values() for one in wanted)
        found = dict(zip(different, crossed_means(list(different.values())), strict=True))
        answers = {at: [found[key] for key, _ in wanted] for at, wanted in requests.items()}
    return [done[at] for at in range(len(works))]


def _unknown(wanted: MeanWanted, is_settled: bool = True) -> CrossedMean:
    nan, n = float("nan"), len(wanted.fixed)
    none: dict[str, Floats] = {name: np.array([]) for name in wanted.codes}
    q = len(wanted.weights)
    blank, square, doubt = np.full(q, nan), np.full((q, q), nan), np.empty((0, 0))
    group_sd, each = dict.fromkeys(wanted.codes, nan), np.full(n, nan)
    return CrossedMean(blank, square, blank, nan, group_sd, none, nan, each, square, {}, blank, doubt, is_settled)


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
    is_found = [k for k, name in enumerate(names) if group_sd[name] > 0.0]
    seen = [*is_found, len(names)]
    doubt = np.linalg.pinv(found.information[np.ix_(seen, seen)]).astype(float)
    codes = [wanted.codes[names[k]] for k in is_found]
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
        variances=np.array([*found.group_sd, found.spread_sd]) ** 2,
        variance_doubt=np.linalg.pinv(found.information).astype(float),
    )


def _degrees(
    weights: Floats,
    wanted: MeanWanted,
    found: Found,
    blocks: Mapping[str, slice],
    group_codes: Sequence[Whole],
    doubt: Floats,
) -> float:
    """Satterthwaite's degrees of freedom of a sum of coefficients, from the information on the variances."""
    p = len(weights)
    column = found.posterior[:, :p] @ weights
    sums = wanted.fixed @ column[:p]
    for name, codes in wanted.codes.items():
        sums = sums + column[blocks[name]][codes]
    influence = sums * found.weight
    by_group = [np.sum(np.bincount(codes, influence) ** 2) for codes in group_codes]
    gradient = np.array([*by_group, np.sum(influence**2 / found.weight) / found.spread_sd**2])
    variance, unsure = float(weights @ column[:p]), float(gradient @ doubt @ gradient)
    return float(np.clip(2.0 * variance**2 / max(unsure, 1e-300), 1.0, max(len(influence) - 1, 1)))
