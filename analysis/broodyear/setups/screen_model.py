"""Expected survival of tanks that nobody judges yet: a robust binomial mixed model, fast enough for a screen.

On the logit scale a tank's survival is common part + season + batch + the tank's own departure. The departure
is what is being judged, so it must not teach the model what to expect: each tank's score is winsorised before
it enters (pseudo-observations, Huber PJ 1981, Robust Statistics, section 7.8), the spread between tanks
solves the winsorised moment equation made consistent for the normal distribution (Huber's proposal 2;
Spiegelhalter 2005, doi:10.1136/qshc.2005.013755, winsorises likewise), and tanks beyond the 99.5 % limits are
set aside for the estimates. Scores are Anscombe's (1948) arcsine scores, moved by the difference to exact
mid-p normal scores, so small counts stay honest.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from broodyear.setups.predictive import normal_scores
from broodyear.statistics.crossed import Grouping, Layout, Precision, factorise, lay_out, precision_of
from broodyear.statistics.numbers import BoolArray, FloatArray, IntArray, expit

#: Scores are winsorised at the normal distribution's 10 % and 90 % points.
CLIP = 1.2815515655446004
#: Scores beyond this (99.5 % limits) are set aside: they neither move the expectation nor widen the spread.
SET_ASIDE = 2.8070337683438042
#: Mean derivative and mean square of a winsorised standard normal score that was not set aside.
SLOPE = 0.8040201
_SQUARE = 0.6738117
#: Mean square of a winsorised standard normal score where none is set aside.
SQUARE_OF_ALL = 0.6786546
#: Efficiency of the winsorised spread against the plain standard deviation, on normal scores.
EFFICIENCY = 0.7

#: Spreads between batches and between seasons where the search begins.
START_SDS = 0.4, 0.2
#: Weight, as a share of its own, of a tank that teaches nothing: as good as none, so that one formula says what is
#: expected of every tank.
NEXT_TO_NONE = 1e-8

_STEPS = 60
_NEARLY_SETTLED = 1e-3
_SETTLED = 1e-6
_SMALLEST_SD = 1e-3
_LARGEST_SD = 3.0


@dataclass(frozen=True, eq=False)
class ScreenData:
    """survivors, eggs: counts, one per tank-season; dense: design columns (the first is 1), shape (rows, columns);
    precision: prior precision of the coefficient of each; groupings: batch, and season where seasons differ;
    is_fitted: False for rows that are only to be expected of, and teach nothing.
    """

    survivors: FloatArray
    eggs: FloatArray
    dense: FloatArray
    precision: FloatArray
    groupings: tuple[Grouping, ...]
    is_fitted: BoolArray

    @cached_property
    def layout(self) -> Layout:
        """The groupings as the mixed model lays them out."""
        return lay_out(self.groupings)

    @cached_property
    def levels(self) -> IntArray:
        """Of each grouping."""
        return np.array([len(grouping.levels) for grouping in self.groupings])

    @cached_property
    def observed(self) -> FloatArray:
        """Anscombe's arcsine transform of the observed shares."""
        return np.asarray(np.arcsin(np.sqrt((self.survivors + 0.375) / (self.eggs + 0.75))), dtype=float)


@dataclass(frozen=True, eq=False)
class ScreenFit:
    """Logit scale throughout. expected, expected_se: without the tank's own count, one per row; tank_sd:
    between-tank spread (site and tank-season together); batch_sd, season_sd: nan when there is only one; freedom:
    tank-seasons behind the spread, in terms of a plain variance estimate.
    """

    expected: FloatArray
    expected_se: FloatArray
    tank_sd: float
    batch_sd: float
    season_sd: float
    freedom: float
    set_aside: int


@dataclass(frozen=True, eq=False)
class _State:
    """Where the fit stands; correction: of arcsine scores to exact ones; kept: tanks that are not set aside; sds:
    between levels of each grouping."""

    data: ScreenData
    start: float
    log_odds: FloatArray
    correction: FloatArray
    kept: BoolArray
    leverage: FloatArray
    sds: FloatArray
    tank_sd: float = 0.4

    @cached_property
    def information(self) -> FloatArray:
        """Binomial information on a tank's log-odds: eggs x probability x (1 - probability)."""
        probability = expit(self.log_odds)
        return np.asarray(self.data.eggs * np.maximum(probability * (1.0 - probability), 1e-6), dtype=float)

    @cached_property
    def raw_scores(self) -> FloatArray:
        """Anscombe's arcsine departure, unit variance when tanks do not differ."""
        departure = self.data.observed - np.arcsin(np.sqrt(expit(self.log_odds)))
        return np.asarray(departure * np.sqrt(4.0 * self.data.eggs + 2.0), dtype=float)

    @property
    def plain_scores(self) -> FloatArray:
        """Arcsine scores of tanks that differ."""
        return np.asarray(self.raw_scores / np.sqrt(1.0 + self.information * self.tank_sd**2), dtype=float)

    @property
    def effective(self) -> float:
        """Tank-seasons behind the spread between tanks, less what their expectations took."""
        return float(self.kept.sum()) - float(self.leverage[self.kept].sum())

    @cached_property
    def solved(self) -> Precision:
        """The mixed-model equations solved for winsorised pseudo-observations (from the start)."""
        data, score = self.data, np.clip(self.plain_scores + self.correction, -CLIP, CLIP)
        error = np.sqrt(1.0 / self.information + self.tank_sd**2)
        pseudo = self.log_odds - self.start + score / SLOPE * error
        weight = np.where(self.kept, 1.0, NEXT_TO_NONE) * SLOPE**2 / _SQUARE / error**2
        return precision_of(factorise(data.layout, self.sds, weight), data.dense, pseudo, prior=data.precision)


def fit_screen(data: ScreenData) -> ScreenFit:
    """Fit by winsorised mixed-model equations; counts must not be all alive or all dead."""
    fitted = data.is_fitted
    pooled = (data.survivors[fitted].sum() + 0.5) / (data.eggs[fitted].sum() + 1.0)
    start, rows = float(np.log(pooled / (1.0 - pooled))), len(data.eggs)
    none, sds = np.zeros(rows), np.where(data.levels > 1, START_SDS[: len(data.levels)], 0.0)
    state = _State(data, start, np.full(rows, start), none, fitted, none, sds)
    for _ in range(2):
        state = _settle(state, _NEARLY_SETTLED)
        # The difference between exact and arcsine scores, and which tanks are set aside, are worked out anew.
        spread = np.full(rows, state.tank_sd)
        exact = normal_scores(data.survivors, data.eggs, state.log_odds, spread, coarse=True)
        state = replace(state, correction=exact - state.plain_scores, kept=fitted & (np.abs(exact) <= SET_ASIDE))
    state = _settle(state, _SETTLED)
    state = replace(state, tank_sd=max(state.tank_sd, _told_from_zero(state)))
    # What is expected of each tank: the same with its own pseudo-observation left out.
    solved = state.solved
    batch_sd, season_sd = [*np.where(data.levels > 1, state.sds, np.nan), np.nan][:2]
    return ScreenFit(
        expected=start + solved.response - solved.left / solved.alone,
        expected_se=np.sqrt(np.maximum(1.0 / solved.alone - 1.0 / solved.factor.weight, 0.0)),
        tank_sd=state.tank_sd,
        batch_sd=float(batch_sd),
        season_sd=float(season_sd),
        freedom=max(EFFICIENCY * state.effective, 2.0),
        set_aside=int((fitted & ~state.kept).sum()),
    )


def _told_from_zero(state: _State) -> float:
    """The spread between tanks whose square is one standard error of such a square where tanks do not differ.

    A spread estimated nearer zero cannot be told from this one; taken as it is, chance would explain no difference
    between tanks and everything that is left of one.
    """
    sampling = float(np.mean(1.0 / state.information[state.kept]))
    return float(np.sqrt(sampling * np.sqrt(2.0 / max(EFFICIENCY * state.effective, 2.0))))


def _settle(state: _State, tolerance: float) -> _State:
    """Repeat the mixed-model equations, and new spreads after each, until the log-odds no longer move."""
    for _ in range(_STEPS):
        last, solved = state, state.solved
        weight = solved.factor.weight
        log_odds = state.start + solved.response - solved.left / weight
        moved = replace(state, log_odds=log_odds, leverage=1.0 - solved.alone / weight)
        state = replace(moved, sds=_spreads(state), tank_sd=_winsorised_spread(moved))
        change = float(np.max(np.abs(state.log_odds - last.log_odds)))
        change += abs(state.tank_sd - last.tank_sd) + abs(state.sds[0] - last.sds[0])
        if change < tolerance:
            break
    return state


def _spreads(state: _State) -> FloatArray:
    """Squared effects of each grouping over the effective number of its levels; unmoved with fewer than two."""
    layout, solved = state.data.layout, state.solved
    squares = layout.by_grouping((state.sds[layout.owner] * layout.gather_to_levels(solved.left)) ** 2)
    levels = solved.levels_left(state.sds**2)
    sds = np.where(levels > 1e-6, state.sds * np.sqrt(squares / np.maximum(levels, 1e-6)), _SMALLEST_SD)
    return np.where(state.data.levels > 1, np.clip(sds, _SMALLEST_SD, _LARGEST_SD), state.sds)


def _winsorised_spread(state: _State) -> float:
    """The tank spread at which the mean squared winsorised score is that of a standard normal."""
    raw, information, correction = (
        one[state.kept] for one in (state.raw_scores, state.information, state.correction)
    )
    wanted = _SQUARE * max(state.effective, 1.0)

    def excess(sd: float) -> float:
        score = np.clip(raw / np.sqrt(1.0 + information * sd**2) + correction, -CLIP, CLIP)
        return float(score @ score) - wanted

    if excess(_SMALLEST_SD) <= 0.0:
        return _SMALLEST_SD
    low, high = _SMALLEST_SD, _LARGEST_SD
    for _ in range(28):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if excess(middle) > 0.0 else (low, middle)
    return 0.5 * (low + high)
