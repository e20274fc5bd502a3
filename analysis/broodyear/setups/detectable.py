"""What the screen can see: the smallest shortfall it would find, so that silence is never read as innocence, and
limits for drawing a season's tanks against their number of eggs."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass

import numpy as np
import pandas as pd

from broodyear.setups.predictive import NODES, WEIGHTS, every_mid_p, mean_survival
from broodyear.statistics.numbers import FloatArray, IntArray, binomial_cdf, expit

POWER = 0.80
#: Screen at this false-discovery rate; beyond the 95 % limits a tank is watched.
FALSE_DISCOVERY_RATE = 0.10
WATCH_P = 0.05

#: Shortfalls tried, in points.
_STEP_POINTS = 0.25
#: Tail areas of the limits drawn.
TAILS = {"low_998": 0.001, "low_95": 0.025, "high_95": 0.975, "high_998": 0.999}

FUNNEL_COLUMNS = ["season", "outcome", "eggs", "expected_pct", *(f"{name}_pct" for name in TAILS)]


@dataclass(frozen=True)
class Detectable:
    """Shortfalls in percentage points; nan when not even the death of every fish would be found.

    flagged_points: for below_expected, when the tank is the only poor one of its season; watched_points: for
    at least watch; tanks: judged that season; eggs: the typical tank; expected_pct: its expected survival.
    """

    tanks: int
    eggs: int
    expected_pct: float
    flagged_points: float
    watched_points: float
    sentence: str


def smallest_detectable_shortfall(
    *, eggs: int, tanks: int, expected_log_odds: float, spread: float, power: float = POWER
) -> Detectable:
    """Smallest shortfall found with this power in one season, at the estimated spread between tanks (logit
    scale).

    A lone poor tank among `tanks` is flagged when its two-sided p is at most 0.10 / tanks
    (Benjamini-Hochberg).
    """
    two_sided = 2.0 * every_mid_p(eggs, expected_log_odds, spread)
    share = expit(expected_log_odds + spread * NODES)
    expected_pct = 100.0 * float(share @ WEIGHTS)
    found = [
        _points_found(np.flatnonzero(two_sided <= limit), eggs, share, expected_pct, power)
        for limit in (FALSE_DISCOVERY_RATE / max(tanks, 1), WATCH_P)
    ]
    words = _sentence(tanks, eggs, expected_pct, found[0], found[1], power)
    return Detectable(tanks, eggs, expected_pct, found[0], found[1], words)


def _points_found(critical: IntArray, eggs: int, share: FloatArray, expected_pct: float, power: float) -> float:
    """Smallest number of points by which survival must fall for the count to be critical with this power."""
    if critical.size == 0:
        return float("nan")
    shortfalls = np.arange(_STEP_POINTS, expected_pct + _STEP_POINTS, _STEP_POINTS)
    most, number = np.array(critical.max()), np.array(float(eggs))

    def reached(points: float) -> float:
        return float(binomial_cdf(most, number, np.clip(share - points / 100.0, 0.0, 1.0)) @ WEIGHTS)

    place = bisect_left(shortfalls, power, key=reached)  # a larger shortfall is found more often
    return float(shortfalls[place]) if place < len(shortfalls) else float("nan")


def _sentence(
    tanks: int, eggs: int, expected_pct: float, flagged_points: float, watched_points: float, power: float
) -> str:
    tank = f"a tank of {eggs} eggs expected at {expected_pct:.0f} %"
    odds = f"{100 * power:.0f} times in 100"
    if np.isnan(watched_points):
        return f"With {tanks} tanks judged, this screen could not find even the loss of every fish in {tank}."
    watch = f"put on watch {odds} only when it falls short by {watched_points:.0f} points or more"
    if np.isnan(flagged_points):
        return f"With {tanks} tanks judged, {tank} would be {watch}, and never be called below expected."
    flag = f"called below expected {odds} only from {flagged_points:.0f} points"
    return f"With {tanks} tanks judged, {tank} would be {watch}, and {flag}; a smaller shortfall can go unseen."


def detectable_by_season(judged: pd.DataFrame) -> pd.DataFrame:
    """One row per season and outcome of judged rows: outcome, season, and the fields of Detectable.

    judged needs season, outcome, eggs, expected_log_odds, spread, p_value.
    """
    rows = []
    for (outcome, season), tanks in judged[judged["p_value"].notna()].groupby(["outcome", "season"], sort=True):
        eggs, centre, spread = map(float, tanks[["eggs", "expected_log_odds", "spread"]].median())
        if np.isfinite([eggs, centre, spread]).all():
            found = smallest_detectable_shortfall(
                eggs=round(eggs), tanks=len(tanks), expected_log_odds=centre, spread=spread
            )
            rows.append({"outcome": outcome, "season": season, **vars(found)})
    return pd.DataFrame(rows, columns=["outcome", "season", *Detectable.__dataclass_fields__])


def funnel_limits(rows: pd.DataFrame, points: int = 40) -> pd.DataFrame:
    """FUNNEL_COLUMNS for every season and outcome of a screen's rows: between which shares 95 % and 99.8 % of
    ordinary tanks with that many eggs lie, at the season's median expectation and spread between tanks.

    rows: SetupScreen.rows. Limits are interpolated between whole counts by mid-p, and lie within 0-100.
    """
    judged = rows[rows["expected_log_odds"].notna() & (rows["eggs"] > 0)]
    parts = []
    for (season, outcome), tanks in judged.groupby(["season", "outcome"], sort=True):
        eggs = tanks["eggs"].astype(float)
        grid = np.unique(np.geomspace(max(eggs.min(), 5.0), max(eggs.max(), 6.0), points).round())
        centre, spread = float(tanks["expected_log_odds"].median()), float(tanks["spread"].median())
        table = pd.DataFrame({"season": season, "outcome": outcome, "eggs": grid.astype(int)})
        table["expected_pct"] = 100.0 * float(mean_survival(np.array([centre]), np.array([spread]))[0])
        # Percentages at which the mid-p reaches each tail, a row per number of eggs.
        tails = [every_mid_p(int(number), centre, spread) for number in grid]
        limits = [np.interp(list(TAILS.values()), tail, np.arange(len(tail))) for tail in tails]
        table[FUNNEL_COLUMNS[4:]] = 100.0 * np.array(limits) / grid[:, None]
        parts.append(table)
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=FUNNEL_COLUMNS)
