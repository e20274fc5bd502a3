"""What a site's other seasons say about a tank: the spread between sites and each site's remembered
departure.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodyear.setups.screen_model import CLIP, SLOPE
from broodyear.statistics.numbers import FloatArray, IntArray

#: One season's score counts for at most this much in a site's history, so that one collapse is not a history.
LARGEST_SCORE = 3.2905267314919255
#: A season below expectation by more than this many standard deviations is counted as low.
LOW_SCORE = 1.0


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


def _between(values: FloatArray, site: IntArray, group: IntArray) -> float:
    """Sum over pairs of rows of one site that lie in different seasons (each pair twice)."""
    _, compact = np.unique(group, return_inverse=True)
    return float((np.bincount(site, values) ** 2).sum() - (np.bincount(compact, values) ** 2).sum())


def remembered_departure(departures: Departures, sd: float) -> tuple[FloatArray, FloatArray]:
    """Posterior mean and variance of each row's site effect from the site's other rows (logit scale)."""
    if sd <= 0.0:
        return np.zeros(len(departures.score)), np.zeros(len(departures.score))
    value, weight = _values(departures, sd)
    total = np.bincount(departures.site, weight)[departures.site] - weight
    pull = np.bincount(departures.site, weight * value)[departures.site] - weight * value
    precision = total + 1.0 / sd**2
    return np.asarray(pull / precision, dtype=float), np.asarray(1.0 / precision, dtype=float)


def site_departures(departures: Departures, sd: float) -> tuple[FloatArray, FloatArray]:
    """Mean departure of each site over its tank-seasons and its standard error, by site code (logit scale).

    Not shrunken towards other sites: a spread between sites estimated near zero would hide a poor one.
    """
    value, weight = _values(departures, sd)
    total = np.bincount(departures.site, weight)
    return (
        np.asarray(np.bincount(departures.site, weight * value) / total, dtype=float),
        np.asarray(np.sqrt(1.0 / total), dtype=float),
    )


def _values(departures: Departures, sd: float) -> tuple[FloatArray, FloatArray]:
    """Departures on the logit scale, and their precision around the site's own effect."""
    value = np.clip(departures.score, -LARGEST_SCORE, LARGEST_SCORE) * departures.error
    rest = np.maximum(departures.error**2 - sd**2, 0.05 * departures.error**2)
    return np.asarray(value, dtype=float), np.asarray(1.0 / rest, dtype=float)
