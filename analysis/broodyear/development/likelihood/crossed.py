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
import pandas as pd
from numpy.typing import NDArray
from scipy.special import stdtr, stdtrit

from broodyear.development.likelihood.censored import Intervals
from broodyear.development.likelihood.crossed_posterior import Values
from broodyear.development.likelihood.crossed_search import Found, searched
from broodyear.development.likelihood.interval_values import common_part, middles

Floats = NDArray[np.float64]
Codes = NDArray[np.intp]

# A group SD under this share of the spread of single values is none.
_NO_SPREAD = 0.02


@dataclass(frozen=True)
class CrossedMean:
    """Estimates of p coefficients from n values.

    estimate: (p,); covariance: (p, p); df: (p,) degrees of freedom of each; spread_sd: of single values within
    groups; group_sd: by name (0: none found); effects, effect_se: by name, in the order of the codes; wrong_share:
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
    effect_se: Mapping[str, Floats]
    wrong_share: float
    wrong_probability: Floats
    posterior: Floats
    blocks: Mapping[str, slice]
    variance_doubt: pd.DataFrame
    is_settled: bool = True

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


@dataclass(frozen=True)
class MeanWanted:
    """n interval-known values whose mean is wanted.

    intervals: their own groups are not read; groups: labels of each value by name, those with one level are left
    out; wrong_sd: SD of the errors of wrong dates, in the values' unit; design: (n, p), default a column of ones;
    wrong_share: held at this share; default: estimated, up to MOST_WRONG_SHARE.
    """

    intervals: Intervals
    groups: Mapping[str, NDArray[np.str_]]
    wrong_sd: float
    design: Floats | None = None
    wrong_share: float | None = None


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
    alike: dict[tuple[int, tuple[str, ...]], dict[int, Values]] = {}
    for number, one in enumerate(wanted):
        values = _values(one)
        if not np.isfinite(middles(one.intervals)).any() or common_part(one.intervals) is not None:
            means[number] = _unknown(values)
        else:
            alike.setdefault((values.design.shape[1], tuple(values.codes)), {})[number] = values
    for together in alike.values():
        found = searched(list(together.values()))
        means |= {
            number: _mean(together[number], one)
            if one.is_settled
            else _unknown(together[number], is_settled=False)
            for number, one in zip(together, found, strict=True)
        }
    return [means[number] for number in range(len(wanted))]


def _values(one: MeanWanted) -> Values:
    n = len(one.intervals.lower)
    design = np.ones((n, 1)) if one.design is None else np.asarray(one.design, dtype=float)
    coded = {
        name: np.unique(labels, return_inverse=True)[1].astype(np.intp) for name, labels in one.groups.items()
    }
    codes = {name: code for name, code in coded.items() if n and code.max() > 0}
    return Values(one.intervals, design, codes, one.wrong_sd, one.wrong_share)


def _unknown(values: Values, is_settled: bool = True) -> CrossedMean:
    nan, (n, p) = float("nan"), values.design.shape
    none: dict[str, Floats] = {name: np.array([]) for name in values.codes}
    blank, square, doubt = np.full(p, nan), np.full((p, p), nan), pd.DataFrame()
    group_sd, each = dict.fromkeys(values.codes, nan), np.full(n, nan)
    return CrossedMean(blank, square, blank, nan, group_sd, none, none, nan, each, square, {}, doubt, is_settled)


def _mean(values: Values, found: Found) -> CrossedMean:
    """The estimates, with spreads too small to matter as none."""
    p, names = values.design.shape[1], list(values.codes)
    sizes = [int(code.max()) + 1 for code in values.codes.values()]
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
    errors = np.sqrt(np.diag(found.posterior))
    codes = [values.codes[names[k]] for k in told]
    return CrossedMean(
        estimate=found.effects[:p],
        covariance=found.posterior[:p, :p],
        df=np.array([_degrees(position, values, found, blocks, codes, doubt) for position in range(p)]),
        spread_sd=found.spread_sd,
        group_sd=group_sd,
        effects={name: found.effects[block] for name, block in blocks.items()},
        effect_se={name: errors[block] for name, block in blocks.items()},
        wrong_share=float(found.is_wrong.mean()),
        wrong_probability=found.wrong_probability,
        posterior=found.posterior,
        blocks=blocks,
        variance_doubt=pd.DataFrame(doubt, columns=[*(names[k] for k in told), "single values"]),
    )


def _degrees(
    position: int,
    values: Values,
    found: Found,
    blocks: Mapping[str, slice],
    told: Sequence[Codes],
    doubt: Floats,
) -> float:
    """Satterthwaite's degrees of freedom of one coefficient, from the information on the variances."""
    column = found.posterior[:, position]
    sums = values.design @ column[: values.design.shape[1]]
    for name, codes in values.codes.items():
        sums = sums + column[blocks[name]][codes]
    influence = sums * found.weight
    by_group = [np.sum(np.bincount(codes, influence) ** 2) for codes in told]
    gradient = np.array([*by_group, np.sum(influence**2 / found.weight) / found.spread_sd**2])
    variance, unsure = column[position], float(gradient @ doubt @ gradient)
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
