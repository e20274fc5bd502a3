"""What a site's seasons say: one verdict per site over all of them, and what they say about its tanks.

A tank in one season tells little; a site that is low year after year tells much. A site's standardised departures
are summed, and the sum is divided by the standard deviation it has among the *other* sites, so that a poor site
neither hides in a spread it made itself nor is shrunk away by one estimated near zero. The spread is winsorised
(Spiegelhalter 2005, doi:10.1136/qshc.2005.013755), the p-values are one-sided, and the false-discovery rate over
sites is held at the screen's (Benjamini and Hochberg 1995).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from broodyear.claims import Decision, Reason
from broodyear.setups.predictive import FALSE_DISCOVERY_RATE
from broodyear.setups.screen_model import CLIP, EFFICIENCY, SLOPE, SQUARE_OF_ALL
from broodyear.statistics.multiplicity import benjamini_hochberg
from broodyear.statistics.numbers import BoolArray, FloatArray, IntArray

#: One season's score counts for at most this much in a site's history, so that one collapse is not a history.
LARGEST_SCORE = 3.2905267314919255
#: Fewer sites with several seasons say nothing about how much ordinary sites differ.
FEWEST_SITES = 8
FEWEST_SEASONS = 2
#: One-sided p at or below which a site that is not clear among all is still worth watching. Stricter than a
#: tank's, because every low tank of the site is watched with it, season after season.
WATCH_SITE_P = 0.01
#: Correlations between seasons of one site that are tried; between them the answer is interpolated.
_CORRELATIONS: FloatArray = np.linspace(0.0, 0.95, 96)
#: A site whose sum lies further below the others than this does not help to say how much they differ.
SET_ASIDE = 2.5
_PASSES = 4


@dataclass(frozen=True, eq=False)
class Departures:
    """One outcome's judged tank-seasons. score: normal score against expectation; error: its standard
    deviation on the logit scale (sampling, between tanks, and of the expectation); site, season: codes;
    unknown_site: code of the tanks whose site nobody recorded, -1 when there is none.
    """

    score: FloatArray
    error: FloatArray
    site: IntArray
    season: IntArray
    unknown_site: int = -1

    def subset(self, chosen: BoolArray) -> Departures:
        """The chosen tank-seasons, with the same codes."""
        return Departures(
            self.score[chosen], self.error[chosen], self.site[chosen], self.season[chosen], self.unknown_site
        )

    @property
    def held(self) -> FloatArray:
        """Scores, one season's collapse held down."""
        return np.clip(self.score, -LARGEST_SCORE, LARGEST_SCORE)

    @property
    def seasons(self) -> IntArray:
        """Number of judged seasons of each site, by site code."""
        pairs = np.unique(np.column_stack([self.site, self.season]), axis=0)
        return np.bincount(pairs[:, 0], minlength=int(self.site.max(initial=-1)) + 1)

    def site_sd(self) -> float:
        """Spread between sites (logit scale) from products of winsorised departures in different seasons.

        0 when no site has two seasons. Never more than the spread the departures themselves show.
        """
        winsorised, weight = np.clip(self.score, -CLIP, CLIP) / SLOPE * self.error, 1.0 / self.error**2
        group = self.site * (int(self.season.max(initial=0)) + 1) + self.season
        _, group = np.unique(group, return_inverse=True)
        # Sums over pairs of rows of one site that lie in different seasons, each pair twice.
        products, pairs = (
            float((np.bincount(self.site, values) ** 2).sum() - (np.bincount(group, values) ** 2).sum())
            for values in (weight * winsorised, weight)
        )
        return float(np.sqrt(max(0.0, products / pairs))) if pairs > 0.0 else 0.0

    def remembered(self, sd: float) -> tuple[FloatArray, FloatArray]:
        """Posterior mean and variance of each row's site effect from the site's other rows (logit scale)."""
        if sd <= 0.0:
            return np.zeros(len(self.score)), np.zeros(len(self.score))
        value, weight = self._values(sd)
        total, pull = (np.bincount(self.site, one)[self.site] - one for one in (weight, weight * value))
        precision = total + 1.0 / sd**2
        return np.asarray(pull / precision, dtype=float), np.asarray(1.0 / precision, dtype=float)

    def of_sites(self, sd: float) -> tuple[FloatArray, FloatArray]:
        """Mean departure of each site over its tank-seasons and its standard error, by site code (logit scale).

        Not shrunken towards other sites: a spread between sites estimated near zero would hide a poor one.
        """
        value, weight = self._values(sd)
        total = np.bincount(self.site, weight)
        return np.bincount(self.site, weight * value) / total, np.sqrt(1.0 / total)

    def _values(self, sd: float) -> tuple[FloatArray, FloatArray]:
        """Departures on the logit scale, and their precision around the site's own effect."""
        rest = np.maximum(self.error**2 - sd**2, 0.05 * self.error**2)
        return self.held * self.error, np.asarray(1.0 / rest, dtype=float)


def judge_sites(departures: Departures, counted: Departures | None = None) -> pd.DataFrame:
    """A verdict for every site, by site code.

    score: summed departures over their spread among the other sites; p_value: one-sided, low; q_value: over the
    sites judged, nan elsewhere; reason: of the place_below claim, CLEAR at q <= 0.10, WATCH at p <= 0.01,
    NOT_CLEAR, or why nothing can be said. counted: those of the departures that rest on counts of what was left;
    the others move the verdicts of their own sites and of nobody else.
    """
    found = _judged(departures)
    if counted is not None and len(counted.score) < len(departures.score):
        given, kept = (np.bincount(one.site, minlength=len(found)) for one in (departures, counted))
        found.loc[given == kept] = _judged(counted).reindex(found.index)
    return held_to(found, found["p_value"])


def _judged(departures: Departures) -> pd.DataFrame:
    """score, p_value, and why nothing can be said where there is none."""
    from scipy.special import stdtr

    seasons = departures.seasons
    is_unknown = np.arange(len(seasons)) == departures.unknown_site
    several = (seasons >= FEWEST_SEASONS) & ~is_unknown
    score = np.full(len(seasons), np.nan)
    if several.sum() >= FEWEST_SITES:
        number = np.bincount(departures.site).astype(float)[several]
        root = np.bincount(departures.site, departures.held)[several] / np.sqrt(number)
        score[several] = root / np.sqrt(_variance(number, _others_correlation(root, number)))
    p_value = stdtr(EFFICIENCY * (several.sum() - 1.0), score)
    untold = np.select([is_unknown, ~several], [Reason.NO_RECORDS, Reason.TOO_FEW_SEASONS], Reason.TOO_FEW_SITES)
    return pd.DataFrame({"score": score, "p_value": p_value, "reason": untold.astype(object)})


def held_to(verdicts: pd.DataFrame, p_values: pd.Series) -> pd.DataFrame:
    """The verdicts with these p values by site, of all outcomes together, deciding what is clear; where there is
    none, the reason stays."""
    own_p, untold = verdicts["p_value"].to_numpy(dtype=float), verdicts["reason"].to_numpy(dtype=object)
    given = p_values.reindex(verdicts.index).to_numpy(dtype=float)
    q_value = benjamini_hochberg(given)
    tests = [np.isnan(given), q_value <= FALSE_DISCOVERY_RATE, own_p <= WATCH_SITE_P]
    reason = np.select(tests, [untold, Reason.CLEAR, Reason.WATCH], Reason.NOT_CLEAR)
    return verdicts.assign(q_value=q_value, reason=reason)


def place_verdict(reason: str) -> str:
    """below_expected, as_expected, or too_few_seasons where nothing can be said of the site."""
    words = {Decision.CLAIMED: "below_expected", Decision.NOT_CLAIMED: "as_expected"}
    return words.get(Reason(reason).decision, "too_few_seasons")


def _variance(number: FloatArray, correlation: FloatArray) -> FloatArray:
    """Variance of a sum of `number` unit scores over its root, when they are correlated."""
    return np.asarray(1.0 + (number - 1.0) * correlation, dtype=float)


def _others_correlation(root: FloatArray, number: FloatArray) -> FloatArray:
    """Per site, the correlation at which the winsorised sums of the other sites have the variance of a normal.

    Sites that stand far below are set aside while the others' spread is worked out, so that several poor ones do
    not hide each other.
    """
    tried = np.clip(root[:, None] / np.sqrt(_variance(number[:, None], _CORRELATIONS)), -CLIP, CLIP) ** 2
    kept = np.ones(len(root), dtype=bool)
    correlation = np.zeros(len(root))
    for _ in range(_PASSES):
        left = np.maximum(kept.sum() - kept, 1.0)[:, None]
        excess = ((tried * kept[:, None]).sum(axis=0) - tried * kept[:, None]) / left - SQUARE_OF_ALL
        correlation = np.array([float(np.interp(0.0, -row, _CORRELATIONS)) for row in excess])
        kept = root / np.sqrt(_variance(number, correlation)) > -SET_ASIDE
    return correlation
