"""What an ordinary tank may show, and from which shortfall on a screen would find one that is not.

survival = 1 / (1 + exp(-(centre + spread x N(0, 1)))), count ~ binomial(eggs, survival). Tails are exact sums
of binomial tails over the spread (trapezoid rule), so small counts need no normal approximation. The smallest
shortfall that would be found is said beside a screen, so that silence is never read as innocence.
"""

from __future__ import annotations

from bisect import bisect_left
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import gammaln, ndtri

from broodyear.notes import note
from broodyear.statistics.numbers import FloatArray, IntArray, binomial_cdf, expit
from broodyear.survival.result import average_over_groups

POWER = 0.80
#: Screen at this false-discovery rate; beyond the 95 % limits a tank is watched.
FALSE_DISCOVERY_RATE = 0.10
WATCH_P = 0.05

#: Nodes of the trapezoid rule over the standard normal spread: 5.7 SD either way in steps of 0.19.
NODES: FloatArray = np.linspace(-5.7, 5.7, 61)
WEIGHTS: FloatArray = np.exp(-0.5 * NODES**2) / np.exp(-0.5 * NODES**2).sum()

#: Rows worked on at a time, to keep the node-by-row tables in the processor's cache.
_CHUNK = 2000
#: Shortfalls tried, in points.
_STEP_POINTS = 0.25
#: Tail areas of the limits drawn.
TAILS = {"low_998": 0.001, "low_95": 0.025, "high_95": 0.975, "high_998": 0.999}

DETECTABLE_COLUMNS = ["tanks", "eggs", "expected_pct", "flagged_points", "watched_points", "sentence"]
FUNNEL_COLUMNS = ["season", "outcome", "eggs", "expected_pct", *(f"{name}_pct" for name in TAILS)]


def lower_mid_p(
    survivors: FloatArray, eggs: FloatArray, centre: FloatArray, spread: FloatArray, *, coarse: bool = False
) -> FloatArray:
    """P(count < observed) + half P(count = observed), one per row; coarse takes every second node."""
    tails, step = np.empty(len(survivors)), 2 if coarse else 1
    nodes, weights = NODES[::step], WEIGHTS[::step] / WEIGHTS[::step].sum()
    for start in range(0, len(survivors), _CHUNK):
        count, number, middle, sd = (
            one[start : start + _CHUNK, None] for one in (survivors, eggs, centre, spread)
        )
        log_odds = np.clip(middle + sd * nodes, -35.0, 35.0)
        log_alive = -np.log1p(np.exp(-log_odds))
        up_to = binomial_cdf(count, number, np.exp(log_alive))
        tails[start : start + _CHUNK] = (up_to - 0.5 * _chance(count, number, log_odds, log_alive)) @ weights
    return tails


def every_mid_p(eggs: int, centre: float, spread: float) -> FloatArray:
    """`lower_mid_p` of every count from none to all of one number of eggs, shape (eggs + 1,)."""
    log_odds = np.clip(centre + spread * NODES, -35.0, 35.0)
    count, log_alive = np.arange(eggs + 1.0)[:, None], -np.log1p(np.exp(-log_odds))
    chance = _chance(count, np.array(float(eggs)), log_odds, log_alive) @ WEIGHTS
    return np.asarray(np.cumsum(chance) - 0.5 * chance, dtype=float)


def _chance(count: FloatArray, number: FloatArray, log_odds: FloatArray, log_alive: FloatArray) -> FloatArray:
    """P(binomial = count); log_alive: the logarithm of the share alive."""
    coefficient = gammaln(number + 1.0) - gammaln(count + 1.0) - gammaln(number - count + 1.0)
    return np.asarray(np.exp(coefficient + number * log_alive - (number - count) * log_odds), dtype=float)


def normal_scores(
    survivors: FloatArray, eggs: FloatArray, centre: FloatArray, spread: FloatArray, *, coarse: bool = False
) -> FloatArray:
    """The standard normal value with the same lower mid-p; held within 8 SD."""
    tail = lower_mid_p(survivors, eggs, centre, spread, coarse=coarse)
    return np.asarray(np.clip(ndtri(np.clip(tail, 1e-16, 1.0 - 1e-16)), -8.0, 8.0), dtype=float)


def shrunken_survival(
    survivors: FloatArray, eggs: FloatArray, centre: FloatArray, spread: FloatArray, tail: float = 0.025
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Posterior mean, lower and upper limit of each row's survival (0 to 1), prior N(centre, spread) on the
    logit.
    """
    mode, precision = centre.copy(), 1.0 / spread**2
    for _ in range(25):  # Newton steps of at most 1.5 on the concave log posterior
        probability = expit(mode)
        slope = survivors - eggs * probability - precision * (mode - centre)
        mode = mode + np.clip(slope / (eggs * probability * (1.0 - probability) + precision), -1.5, 1.5)
    probability = expit(mode)
    width = 1.0 / np.sqrt(eggs * probability * (1.0 - probability) + precision)
    points = mode[:, None] + width[:, None] * np.linspace(-7.0, 7.0, 57)
    logs = survivors[:, None] * points - eggs[:, None] * np.logaddexp(0.0, points)
    logs -= 0.5 * ((points - centre[:, None]) / spread[:, None]) ** 2
    density = np.exp(logs - logs.max(axis=1, keepdims=True))
    density /= density.sum(axis=1, keepdims=True)
    mean = np.einsum("ij,ij->i", density, expit(points))
    low, high = (expit(_quantile(points, density, at)) for at in (tail, 1.0 - tail))
    return np.asarray(mean, dtype=float), low, high


def _quantile(points: FloatArray, density: FloatArray, probability: float) -> FloatArray:
    """Where the cumulative density of each row reaches the probability.

    Linear between points on the normal-score scale, on which the curve is nearly straight.
    """
    # Trapezoid rule with its first end correction (Euler and Maclaurin).
    reached = np.cumsum(density, axis=1) - 0.5 * density - np.gradient(density, axis=1) / 12.0
    after = np.clip((reached < probability).sum(axis=1), 1, points.shape[1] - 1)
    row = np.arange(len(points))
    low, high = (ndtri(np.clip(reached[row, index], 1e-12, 1.0 - 1e-12)) for index in (after - 1, after))
    part = np.clip((ndtri(probability) - low) / np.maximum(high - low, 1e-12), 0.0, 1.0)
    return np.asarray(points[row, after - 1] + part * (points[row, after] - points[row, after - 1]), dtype=float)


def smallest_detectable_shortfall(
    *, eggs: int, tanks: int, expected_log_odds: float, spread: float
) -> dict[str, Any]:
    """DETECTABLE_COLUMNS: smallest shortfalls found with POWER in one season, in percentage points, nan when not
    even the death of every fish would be found. spread: between tanks, logit scale.

    flagged_points: for below_expected, when the tank is the only poor one of its season; a lone one among `tanks`
    judged is flagged when its two-sided p is at most 0.10 / tanks (Benjamini-Hochberg); watched_points: for at
    least watch; eggs, expected_pct: of the typical tank, and its expected survival; sentence: the same in words.
    """
    two_sided = 2.0 * every_mid_p(eggs, expected_log_odds, spread)
    probability = expit(expected_log_odds + spread * NODES)
    expected_pct = 100.0 * float(probability @ WEIGHTS)
    flagged, watched = (
        _points_found(np.flatnonzero(two_sided <= limit), eggs, probability, expected_pct)
        for limit in (FALSE_DISCOVERY_RATE / max(tanks, 1), WATCH_P)
    )
    found = dict(zip(DETECTABLE_COLUMNS[:-1], (tanks, eggs, expected_pct, flagged, watched), strict=True))
    return found | {"sentence": note("setups", "detectable", one=found, in_100=round(100 * POWER))}


def _points_found(critical: IntArray, eggs: int, probability: FloatArray, expected_pct: float) -> float:
    """Smallest number of points by which survival must fall for the count to be critical with POWER."""
    if critical.size == 0:
        return float("nan")
    shortfalls = np.arange(_STEP_POINTS, expected_pct + _STEP_POINTS, _STEP_POINTS)
    most, number = np.array(critical.max()), np.array(float(eggs))

    def reached(points: float) -> float:
        return float(binomial_cdf(most, number, np.clip(probability - points / 100.0, 0.0, 1.0)) @ WEIGHTS)

    index = bisect_left(shortfalls, POWER, key=reached)  # a larger shortfall is found more often
    return float(shortfalls[index]) if index < len(shortfalls) else float("nan")


def detectable_by_season(judged: pd.DataFrame) -> pd.DataFrame:
    """One row per season and outcome of judged rows: outcome, season, DETECTABLE_COLUMNS.

    judged needs season, outcome, eggs, expected_log_odds, spread, p_value.
    """
    groups = judged[judged["p_value"].notna()].groupby(["outcome", "season"], sort=True)
    typical = groups[["eggs", "expected_log_odds", "spread"]].median().assign(tanks=groups.size()).dropna()
    found = [
        smallest_detectable_shortfall(eggs=round(eggs), tanks=int(tanks), expected_log_odds=centre, spread=spread)
        for eggs, centre, spread, tanks in typical.to_numpy(dtype=float).tolist()
    ]
    return pd.DataFrame(found, typical.index, DETECTABLE_COLUMNS).reset_index()


def funnel_limits(rows: pd.DataFrame, points: int = 40) -> pd.DataFrame:
    """FUNNEL_COLUMNS for every season and outcome of a screen's rows: between which shares 95 % and 99.8 % of
    ordinary tanks with that many eggs lie, at the season's median expectation and spread between tanks.

    rows: SetupScreen.rows. Limits are interpolated between whole counts by mid-p, and lie within 0-100.
    """
    judged = rows[rows["expected_log_odds"].notna() & (rows["eggs"] > 0)]
    parts = [pd.DataFrame(columns=FUNNEL_COLUMNS)]
    for (season, outcome), tanks in judged.groupby(["season", "outcome"], sort=True):
        eggs = tanks["eggs"].astype(float)
        grid = np.unique(np.geomspace(max(eggs.min(), 5.0), max(eggs.max(), 6.0), points).round())
        centre, spread = float(tanks["expected_log_odds"].median()), float(tanks["spread"].median())
        table = pd.DataFrame({"season": season, "outcome": outcome, "eggs": grid.astype(int)})
        table["expected_pct"] = 100.0 * float(average_over_groups(np.array([centre]), spread).survival[0])
        # Percentages at which the mid-p reaches each tail, a row per number of eggs.
        tails = [every_mid_p(int(number), centre, spread) for number in grid]
        limits = [np.interp(list(TAILS.values()), tail, np.arange(len(tail))) for tail in tails]
        table[FUNNEL_COLUMNS[4:]] = 100.0 * np.array(limits) / grid[:, None]
        parts.append(table)
    return pd.concat(parts[1:] or parts, ignore_index=True)
