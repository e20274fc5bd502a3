"""What a site's other seasons say about a tank: the spread between sites and each site's remembered
departure.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from broodyear.setups.screen_model import CLIP, SLOPE

Floats = NDArray[np.float64]
Codes = NDArray[np.int64]

#: One season's score counts for at most this much in a site's history, so that one collapse is not a history.
LARGEST_SCORE = 3.2905267314919255
#: "Low in several seasons" needs this season and the mean of the others below minus this.
LOW_SCORE = 1.0


@dataclass(frozen=True, eq=False)
class Departures:
    """One outcome's judged tank-seasons. score: normal score against expectation; error: its standard
    deviation on the logit scale (sampling, between tanks, and of the expectation); site, season: codes.
    """

    score: Floats
    error: Floats
    site: Codes
    season: Codes


def site_sd(departures: Departures) -> float:
    """Spread between sites (logit scale) from products of winsorised departures in different seasons.

    0 when no site has two seasons. Never more than the spread the departures themselves show.
    """
    weight = 1.0 / departures.error**2
    winsorised = np.clip(departures.score, -CLIP, CLIP) / SLOPE * departures.error
    group = departures.site * (int(departures.season.max(initial=0)) + 1) + departures.season
    products = _between(weight * winsorised, departures.site, group)
    pairs = _between(weight, departures.site, group)
    if pairs <= 0.0:
        return 0.0
    return float(np.sqrt(max(0.0, products / pairs)))


def _between(values: Floats, site: Codes, group: Codes) -> float:
    """Sum over pairs of rows of one site that lie in different seasons (each pair twice)."""
    _, compact = np.unique(group, return_inverse=True)
    return float((np.bincount(site, values) ** 2).sum() - (np.bincount(compact, values) ** 2).sum())


def remembered_departure(departures: Departures, sd: float) -> tuple[Floats, Floats]:
    """Posterior mean and variance of each row's site effect from the site's other rows (logit scale)."""
    if sd <= 0.0:
        return np.zeros(len(departures.score)), np.zeros(len(departures.score))
    value, weight = _values(departures, sd)
    total = np.bincount(departures.site, weight)[departures.site] - weight
    pull = np.bincount(departures.site, weight * value)[departures.site] - weight * value
    precision = total + 1.0 / sd**2
    return np.asarray(pull / precision, dtype=float), np.asarray(1.0 / precision, dtype=float)


def site_effects(departures: Departures, sd: float) -> tuple[Floats, Floats]:
    """Shrunken effect and standard error of each site, by site code (logit scale)."""
    sites = int(departures.site.max(initial=-1)) + 1
    if sd <= 0.0:
        return np.zeros(sites), np.zeros(sites)
    value, weight = _values(departures, sd)
    precision = np.bincount(departures.site, weight, sites) + 1.0 / sd**2
    return (
        np.asarray(np.bincount(departures.site, weight * value, sites) / precision, dtype=float),
        np.asarray(np.sqrt(1.0 / precision), dtype=float),
    )


def _values(departures: Departures, sd: float) -> tuple[Floats, Floats]:
    """Departures on the logit scale, and their precision around the site's own effect."""
    value = np.clip(departures.score, -LARGEST_SCORE, LARGEST_SCORE) * departures.error
    rest = np.maximum(departures.error**2 - sd**2, 0.05 * departures.error**2)
    return np.asarray(value, dtype=float), np.asarray(1.0 / rest, dtype=float)


def low_together(departures: Departures, sd: float) -> tuple[Floats, NDArray[np.bool_]]:
    """Score of this and the site's other seasons together, and whether both this and the others are low.

    The score allows for sites differing: seasons of one site are correlated by the site's share of the
    variance. Rows of sites without another season have a missing score.
    """
    score = np.clip(departures.score, -LARGEST_SCORE, LARGEST_SCORE)
    others, number = _other_seasons(score, departures)
    share = min(sd**2 / float(np.mean(departures.error**2)), 0.95) if len(score) else 0.0
    with np.errstate(invalid="ignore", divide="ignore"):
        together = (score + others) / np.sqrt((number + 1.0) * (1.0 + number * share))
        both_low = (score < -LOW_SCORE) & (others / number < -LOW_SCORE)
    together[number == 0] = np.nan
    return together, both_low & (number > 0)


def _other_seasons(score: Floats, departures: Departures) -> tuple[Floats, Floats]:
    """Sum and number of the scores of the same site in other seasons, one per row."""
    cell = departures.site * (int(departures.season.max(initial=0)) + 1) + departures.season
    _, cell = np.unique(cell, return_inverse=True)
    sums = np.bincount(departures.site, score)[departures.site] - np.bincount(cell, score)[cell]
    number = np.bincount(departures.site)[departures.site] - np.bincount(cell)[cell]
    return np.asarray(sums, dtype=float), np.asarray(number, dtype=float)
