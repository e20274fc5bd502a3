"""Limits for drawing a season's tanks against their number of eggs."""

from __future__ import annotations

import numpy as np
import pandas as pd

from broodyear.setups.predictive import every_mid_p, mean_survival
from broodyear.statistics.numbers import FloatArray

#: Tail areas of the limits drawn.
TAILS = {"low_998": 0.001, "low_95": 0.025, "high_95": 0.975, "high_998": 0.999}

FUNNEL_COLUMNS = ["season", "outcome", "eggs", "expected_pct", *(f"{name}_pct" for name in TAILS)]


def funnel_limits(rows: pd.DataFrame, points: int = 40) -> pd.DataFrame:
    """FUNNEL_COLUMNS for every season and outcome of a screen's rows: between which shares 95 % and 99.8 % of
    ordinary tanks with that many eggs lie, at the season's median expectation and spread between tanks.

    rows: SetupScreen.rows. Limits are interpolated between whole counts by mid-p, and lie within 0-100.
    """
    judged = rows[rows["expected_log_odds"].notna() & (rows["eggs"] > 0)]
    parts = [_season_limits(tanks, points) for _, tanks in judged.groupby(["season", "outcome"], sort=True)]
    return pd.concat(parts, ignore_index=True)[FUNNEL_COLUMNS] if parts else pd.DataFrame(columns=FUNNEL_COLUMNS)


def _season_limits(tanks: pd.DataFrame, points: int) -> pd.DataFrame:
    eggs = tanks["eggs"].astype(float)
    grid = np.unique(np.geomspace(max(eggs.min(), 5.0), max(eggs.max(), 6.0), points).round())
    centre, spread = float(tanks["expected_log_odds"].median()), float(tanks["spread"].median())
    limits = np.array([_limits(number, centre, spread) for number in grid])
    expected = 100.0 * float(mean_survival(np.array([centre]), np.array([spread]))[0])
    table = pd.DataFrame({"eggs": grid.astype(int), "expected_pct": expected})
    table["season"], table["outcome"] = tanks["season"].iloc[0], tanks["outcome"].iloc[0]
    for place, name in enumerate(TAILS):
        table[f"{name}_pct"] = limits[:, place]
    return table


def _limits(eggs: float, centre: float, spread: float) -> FloatArray:
    """Percentages at which the mid-p reaches each tail, for one number of eggs."""
    tail = every_mid_p(int(eggs), centre, spread)
    return np.asarray(100.0 * np.interp(list(TAILS.values()), tail, np.arange(eggs + 1.0)) / eggs, dtype=float)
