"""The search behind ``crossed_means``: spreads, and which values are wrong dates, of many sets of values at once.

Given which values are wrong dates, the spreads are where the evidence (``crossed_posterior``) is highest, by steps
of which none goes down. Given the spreads, a value is a wrong date where that is likelier by what the others tell
of it. The two take turns until nothing changes (classification EM; Celeux & Govaert 1992, Comput. Stat. Data Anal.
14:315); each turn raises the probability of all that was seen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import expit

from broodyear.development.arrays import Floats, Masks, Whole
from broodyear.development.likelihood.censored import MOST_WRONG_SHARE, Intervals, middles, tank_terms
from broodyear.development.likelihood.crossed_posterior import (
    MOST_OFF,
    MeanWanted,
    Posterior,
    Posteriors,
    in_one_row,
    without_term,
)
from broodyear.development.likelihood.descent import lowest_points

# A value is judged as if at least this share of dates were wrong.
_LEAST_WRONG_SHARE = 0.03
# Tails a little heavier than normal took up to 35 turns in 1 500 values; the end of changing is what is wanted.
_MOST_TURNS = 60
# Spreads are found when a step promises this little: a two-hundredth of their standard error. Where delivery cuts
# off much of what is predicted, evidence and slopes agree less well, and the last steps go up: then half of one is
# near enough, for a mean that lies so far off is found in spite of it.
_LEAST_GAIN, _ENOUGH_GAIN = 1e-5, 0.125
# In units of the first guess at the spread of all: where spreads begin, the limits they are sought between, and
# how far a step goes. With one value a site, and looks far apart, the spread of single values could shrink to
# nothing: it stays above its limit, and the groups take the rest.
_FIRST_GROUP_SD, _FIRST_SPREAD, _LEAST_GROUP_SD, _LEAST_SPREAD, _LONGEST = 0.4, 0.6, 1e-3, 0.1, 0.25
# As shares of the spread of all: a spread to be sought a second time, and where that begins.
_NEAR_NONE, _MIDDLING = 0.2, 0.5
# Values that are nearly all the same have a guess of at least this share of the SD of wrong dates.
_LEAST_UNIT = 1e-3
# Where values to come are wanted, evidence times the SDs to these powers, of groups and of single values. The
# highest point of a spread's evidence lies below its middle, and often at none, where few levels tell it
# (boundary-avoiding priors: Chung et al. 2013, Psychometrika 78:685, cited from memory); the powers are those with
# which siblings of a first tank lay inside their intervals as stated, in simulated programmes of 36 and 120 tanks.
_POWERS = (0.5, 1.0)
# There, no date is at first taken for a wrong one that is off by less than some of these shares of the SD of wrong
# dates: the only tank of a slow batch would be, and the spread between batches be found to be none without it.
_LEAST_OFF = 0.1


@dataclass(frozen=True)
class Found:
    """Where the search ended.

    effects: β and, after them, u; posterior: their covariance; group_sd: in the order of the groups; information:
    on their variances and, last, on that of single values; weight, wrong_probability: (n,) of each value, what it
    tells of its predictor, and its probability to be a wrong date; is_wrong: what was taken for one; is_settled:
    whether the search ended where nothing changes.
    """

    effects: Floats
    posterior: Floats
    group_sd: tuple[float, ...]
    spread_sd: float
    information: Floats
    weight: Floats
    wrong_probability: Floats
    is_wrong: Masks
    is_settled: bool

    @property
    def spreads(self) -> tuple[float, ...]:
        """SDs of the groups and, last, of single values."""
        return (*self.group_sd, self.spread_sd)


def searched(sets: Sequence[MeanWanted]) -> list[Found]:
    """The search for each set; all have as many coefficients and the same groups."""
    guesses = np.array([_first_guess(one) for one in sets])
    is_wrong = [_likelier_wrong(one) for one in _far_off(sets, guesses)]
    found: dict[int, Found] = {}
    left = list(range(len(sets)))
    for turn in range(_MOST_TURNS):
        search = _Search([sets[i] for i in left], guesses[left], [is_wrong[i] for i in left])
        if turn > 0:
            search.begin = np.array([found[i].spreads for i in left]) / search.unit[:, None]
        found |= dict(zip(left, search.found(), strict=True))
        anew = {i: _likelier_wrong(found[i].wrong_probability) for i in left if found[i].is_settled}
        left = [i for i, one in anew.items() if (one != is_wrong[i]).any()]
        if not left:
            break
        for i in left:
            is_first = turn == 0
            is_wrong[i] = (
                anew[i] if is_first else _surest_changes(is_wrong[i], found[i].wrong_probability, sets[i].codes)
            )
    return [replace(found[i], is_settled=found[i].is_settled and i not in left) for i in range(len(sets))]


def _first_guess(one: MeanWanted) -> tuple[float, float]:
    """Centre and spread of the values; the spread of half of them, so that wrong dates do not count."""
    middle = middles(one.intervals)
    known = middle[np.isfinite(middle)]
    centre = float(np.median(known))
    off = np.abs(known - centre)
    spread = float(np.sqrt(np.mean(off**2)) if one.wrong_share == 0.0 else 1.5 * np.median(off))
    return centre, max(spread, _LEAST_UNIT * one.wrong_sd)


def _far_off(sets: Sequence[MeanWanted], guesses: Floats) -> list[Floats]:
    """Of each set, (n,) probability to be a wrong date by the first guess."""
    intervals = in_one_row(sets)
    centre, spread = guesses[intervals.group].T
    least = np.array([_LEAST_OFF * one.wrong_sd if one.is_for_new else 0.0 for one in sets])
    spread = np.maximum(spread, least[intervals.group])
    return _wrong_probability(sets, intervals, centre, spread, np.zeros(len(sets)))


def _wrong_probability(
    sets: Sequence[MeanWanted], intervals: Intervals, mean: Floats, right_sd: Floats, shares: Floats
) -> list[Floats]:
    """Of each set, (n,) probability to be a wrong date.

    intervals, mean of the predictor, right_sd: of the values of all sets in one row; shares: (m,) taken for wrong.
    """
    held = np.array([np.nan if one.wrong_share is None else one.wrong_share for one in sets])
    shares = np.where(np.isnan(held), np.clip(shares, _LEAST_WRONG_SHARE, MOST_WRONG_SHARE), held)
    wrong_sd, of = np.array([one.wrong_sd for one in sets]), intervals.group
    right = tank_terms(intervals, mean, right_sd).log_probability
    wrong = tank_terms(intervals, mean, wrong_sd[of]).log_probability
    with np.errstate(divide="ignore"):
        odds = (np.log(shares) - np.log1p(-shares))[of] + wrong - right
    return np.split(expit(odds), np.cumsum([len(one.fixed) for one in sets])[:-1])


def _likelier_wrong(probability: Floats) -> Masks:
    """The values likelier to be wrong dates than right ones, the likeliest first, as far as so many can be."""
    likeliest = np.argsort(-probability, kind="stable")[: int(np.floor(MOST_WRONG_SHARE * len(probability) + 0.5))]
    is_wrong = np.zeros(len(probability), dtype=bool)
    is_wrong[likeliest] = probability[likeliest] > 0.5
    return is_wrong


def _surest_changes(is_wrong: Masks, probability: Floats, codes: Mapping[str, Whole]) -> Masks:
    """What is taken for wrong dates with those values changed that are most against it, one of each level.

    One at a time: of two values of a site that lie far apart either can be the wrong one, but not both.
    """
    against = np.where(_likelier_wrong(probability) != is_wrong, np.abs(probability - 0.5), -1.0)
    changed, used = is_wrong.copy(), set[tuple[str, int]]()
    for value in np.argsort(-against, kind="stable")[: int((against >= 0.0).sum())]:
        levels = {(name, int(code[value])) for name, code in codes.items()} or {("all", 0)}
        if not levels & used:
            changed[value], used = not changed[value], used | levels
    return changed


class _Search:
    """Spreads of m sets where it is given which values are wrong dates, in units of each first guess."""

    def __init__(self, sets: Sequence[MeanWanted], guesses: Floats, is_wrong: Sequence[Masks]) -> None:
        """guesses: (m, 2), centre and spread."""
        self.sets, self.is_wrong, self.posteriors = sets, is_wrong, Posteriors(sets)
        self.flat = self.posteriors.flat(sets, np.concatenate(is_wrong))
        self.m, self.k = len(sets), len(self.posteriors.names)
        centre, self.unit = guesses.T
        self.wrong_sd = np.array([one.wrong_sd for one in sets])
        of_group, of_single = np.array([_POWERS if one.is_for_new else (0.0, 0.0) for one in sets]).T
        self.powers = np.column_stack([np.tile(of_group[:, None], self.k), of_single])
        self.begin = self._beside(_FIRST_GROUP_SD, _FIRST_SPREAD if self.k else 1.0)
        # Where the evidence of each set was highest so far, and its terms there.
        self.highest, self.spreads = np.full(self.m, -np.inf), self.begin * self.unit[:, None]
        self.weight, self.pull = self.posteriors.begin(self.flat, self.spreads, centre)

    def _beside(self, group_sd: float, spread_sd: float) -> Floats:
        return np.tile([*[group_sd] * self.k, spread_sd], (self.m, 1))

    def found(self) -> list[Found]:
        """Where the search of each set ends: where the evidence is highest of two ways up.

        At a spread of none the evidence is level, and single values and the sites of one tank can each take the
        other's part: a set that ends with a spread near none is searched again, from a middling one.
        """
        has_arrived = self._climb(self.begin, np.arange(self.m))
        spreads = self.spreads / self.unit[:, None]
        total = np.sqrt(np.sum(spreads**2, axis=1, keepdims=True))
        is_near_none = spreads < _NEAR_NONE * total
        again = np.flatnonzero(is_near_none.any(axis=1) & has_arrived & (self.k > 0))
        if len(again):
            before = self.highest.copy(), self.spreads.copy(), self.weight.copy(), self.pull.copy()
            arrived = self._climb(np.where(is_near_none, _MIDDLING * total, spreads)[again], again)
            is_back = np.zeros(self.m, dtype=bool)
            is_back[again] = ~(arrived & (self.highest[again] > before[0][again]))
            for kept, one in zip((self.highest, self.spreads), before, strict=False):
                kept[is_back] = one[is_back]
            for kept, one in zip((self.weight, self.pull), before[2:], strict=True):
                kept[is_back[self.flat.of]] = one[is_back[self.flat.of]]
        return self._all_found(has_arrived & np.isfinite(self.highest))

    def _climb(self, begin: Floats, which: Whole) -> Masks:
        """Seek where the evidence of the sets ``which`` is highest, on the way up from some spreads; whether the
        search arrived there."""
        least, most = self._beside(_LEAST_GROUP_SD, _LEAST_SPREAD), self.wrong_sd / self.unit
        limits = least[which], np.repeat(most[which, None], self.k + 1, axis=1)
        self.highest[which] = -np.inf
        _, has_arrived = lowest_points(
            lambda those, numbers: self._of_each(those, which[numbers]),
            begin, *limits, lambda: self._curvature()[which], np.full(self.k + 1, _LONGEST),
            least_gain=_LEAST_GAIN, enough_gain=_ENOUGH_GAIN,
        )  # fmt: skip
        return has_arrived

    def _of_each(self, spreads: Floats, which: Whole) -> tuple[Floats, Floats]:
        """−evidence of the sets ``which`` at spreads (m, k + 1), and its slope.

        The terms are sought from where the evidence was highest so far, so that a step too far leaves no trace.
        Where they are not found, as where nothing holds a coefficient, there is no evidence, and no way to more.
        """
        is_chosen = np.zeros(self.m, dtype=bool)
        is_chosen[which] = True
        flat, keep = self.flat.subset(is_chosen)
        unit = self.unit[which, None]
        here, terms = spreads * unit, (self.weight[keep], self.pull[keep])
        found = self.posteriors.settled(flat, self.spreads[which], here, *terms)
        is_lost = found.off > MOST_OFF
        powers = self.powers[which]
        evidence = np.where(is_lost, -np.inf, found.evidence + np.sum(powers * np.log(spreads), axis=1))
        is_up = (evidence > self.highest[which]) | np.isneginf(self.highest[which])
        self.highest[which[is_up]], self.spreads[which[is_up]] = evidence[is_up], here[is_up]
        is_up_value = is_up[flat.of]
        values = np.flatnonzero(keep)[is_up_value]
        self.weight[values], self.pull[values] = found.weight[is_up_value], found.pull[is_up_value]
        return -evidence, -np.where(is_lost[:, None], 0.0, found.slopes * unit + powers / spreads)

    def _posterior(self) -> Posterior:
        return self.posteriors.posterior(self.flat, self.spreads, self.weight, self.pull)

    def _information(self, of: Posterior) -> Floats:
        """Expected information on variances of the groups and, last, of single values, (m, k + 1, k + 1).

        With the posterior P, the prior precisions G, and P⁻¹ − G of the data: Z'PZ of the variance components is
        G − GPG and the leverages are I − PG, so that traces and squares of blocks of P are all it takes.
        """
        k, posteriors, variances = self.k, self.posteriors, self.spreads**2
        prior, single, levels = variances[:, :-1], variances[:, -1], posteriors.levels
        shares = posteriors.traces(of) / prior
        pairs = posteriors.squares(of) / (prior[:, :, None] * prior[:, None, :])
        found, each = np.empty((self.m, k + 1, k + 1)), np.arange(k)
        found[:, :k, :k] = 0.5 * pairs / (prior[:, :, None] * prior[:, None, :])
        found[:, each, each] += 0.5 * (levels - 2.0 * shares) / prior**2
        found[:, :k, k] = 0.5 * (shares - pairs.sum(axis=2)) / prior / single[:, None]
        found[:, k, :k] = found[:, :k, k]
        leverage = posteriors.p + np.sum(levels - shares, axis=1)
        squared = posteriors.p + np.sum(levels - 2.0 * shares, axis=1) + pairs.sum(axis=(1, 2))
        is_right, which = np.isnan(self.flat.fixed_sd), self.flat.of
        known = np.bincount(which, is_right, self.m)
        found[:, k, k] = 0.5 * np.maximum(known - 2.0 * leverage + squared, 0.5 * known) / single**2
        # That is of values known to the last digit; between looks far apart, each tells a part of it.
        share = np.bincount(which, is_right * np.clip(self.weight * single[which], 0.0, 1.0), self.m) / known
        found[:, k, :] *= np.sqrt(share)[:, None]
        found[:, :, k] *= np.sqrt(share)[:, None]
        return found

    def _curvature(self) -> Floats:
        """(m, k + 1, k + 1) second derivatives of −evidence by the spreads, near enough to begin with."""
        by_sd = 2.0 * self.spreads * self.unit[:, None]
        found, each = self._information(self._posterior()), np.arange(self.k + 1)
        found *= by_sd[:, :, None] * by_sd[:, None, :]
        found[:, each, each] += 0.02 * (self.unit[:, None] / self.spreads) ** 2
        return found

    def _all_found(self, is_settled: Masks) -> list[Found]:
        """What each set ended at, without the levels it does not have."""
        posterior, spreads = self._posterior(), self.spreads
        free = self.posteriors.moments(self.flat, posterior, spreads, self.weight, self.pull)
        shares = np.array([one.mean() for one in self.is_wrong])
        left, right = without_term(self.flat.intervals, free.free_variance), spreads[self.flat.of, -1]
        probability = _wrong_probability(self.sets, left, free.free_mean, right, shares)
        weights = np.split(self.weight, np.cumsum([len(one) for one in self.is_wrong])[:-1])
        information = self._information(posterior)
        effects, wholes = np.hstack([posterior.inner, posterior.outer]), self.posteriors.wholes(posterior)
        found = []
        for number, one in enumerate(self.sets):
            chosen = self.posteriors.indices_of(one)
            found.append(
                Found(
                    effects=effects[number, chosen],
                    posterior=wholes[number][np.ix_(chosen, chosen)],
                    group_sd=tuple(map(float, spreads[number, :-1])),
                    spread_sd=float(spreads[number, -1]),
                    information=information[number],
                    weight=np.maximum(weights[number], 1e-9 / spreads[number, -1] ** 2),
                    wrong_probability=probability[number],
                    is_wrong=self.is_wrong[number],
                    is_settled=bool(is_settled[number]),
                )
            )
        return found
