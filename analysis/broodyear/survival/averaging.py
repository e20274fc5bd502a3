"""Averages of survival over rows and random intercepts, and what a difference of two of them is told by."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from broodyear.statistics.numbers import FloatArray, IntArray, critical_value, expit, normal_nodes

NODES = (0.85, 15), (1.25, 21), (np.inf, 31)  # largest standard deviation, and the nodes that do for it


@dataclass(frozen=True, eq=False)
class GroupAverage:
    """Survival averaged over normal random intercepts, per row, with its slopes.

    share: mean survival 0–1. by_log_odds, by_sd: its derivatives over the fixed log-odds and the total sd.
    """

    share: FloatArray
    by_log_odds: FloatArray
    by_sd: FloatArray


def average_over_groups(log_odds: FloatArray, sd: float) -> GroupAverage:
    """Integrate the logistic curve over a normal intercept of this standard deviation.

    Gauss–Hermite, exact to 1e-8 for standard deviations up to 2 logits.
    """
    if sd == 0.0:
        share = expit(log_odds)
        return GroupAverage(share, share * (1.0 - share), np.zeros_like(share))
    nodes, weights = normal_nodes(next(points for most, points in NODES if sd <= most))
    share = expit(log_odds[:, None] + sd * nodes)
    steepness = share * (1.0 - share)
    return GroupAverage(share @ weights, steepness @ weights, steepness @ (weights * nodes))


@dataclass(frozen=True, eq=False)
class Average:
    """Mean survival over rows (0–1), and its gradient over (log sds above zero, coefficients); typical: the same
    with every random intercept at zero."""

    share: float
    gradient: FloatArray
    typical: float = np.nan


@dataclass(frozen=True, eq=False)
class Held:
    """Columns of a matrix that have one value in every row, whatever stands there; by default none."""

    places: IntArray = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    values: FloatArray = field(default_factory=lambda: np.empty(0))

    def times(self, matrix: FloatArray, coefficients: FloatArray) -> FloatArray:
        """The matrix times coefficients."""
        moved = (self.values - matrix[:, self.places]) @ coefficients[self.places]
        return np.asarray(matrix @ coefficients + moved, dtype=float)

    def sums(self, matrix: FloatArray, weights: FloatArray) -> FloatArray:
        """Weighted sums of its columns."""
        found = matrix.T @ weights
        found[self.places] = self.values * weights.sum()
        return np.asarray(found, dtype=float)


@dataclass(frozen=True, eq=False, kw_only=True)
class LogOdds:
    """A difference of log-odds with its standard error and degrees of freedom."""

    log_odds: float = np.nan
    error: float = np.nan
    degrees: float = np.inf

    @property
    def reach(self) -> float:
        """Standard errors to either end of the 95 % interval."""
        return critical_value(self.degrees)

    def odds_ratio(self, side: int = 0) -> float:
        """The odds ratio, or with side −1 or +1 an end of its 95 % interval."""
        with np.errstate(over="ignore"):
            return float(np.exp(self.log_odds + side * self.reach * self.error))


@dataclass(frozen=True, eq=False, kw_only=True)
class Difference(LogOdds):
    """p_value: of the log-odds; points, points_error: population-averaged difference in percentage points."""

    p_value: float = np.nan
    points: float = np.nan
    points_error: float = np.nan

    @property
    def points_low(self) -> float:
        return self.points - self.reach * self.points_error

    @property
    def points_high(self) -> float:
        return self.points + self.reach * self.points_error

    def shown(self) -> dict[str, float]:
        """The columns in which every comparison is told: odds ratio and points with 95 % limits, p value."""
        return {
            "odds_ratio": self.odds_ratio(),
            "or_low": self.odds_ratio(-1),
            "or_high": self.odds_ratio(1),
            "difference_points": self.points,
            "difference_low": self.points_low,
            "difference_high": self.points_high,
            "p_value": self.p_value,
        }
