"""Predicting tanks that a model was not fitted to: one batch, site or season left out at a time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from broodyear.development.likelihood.censored import WRONG_LOG_SD
from broodyear.development.likelihood.crossed import crossed_mean
from broodyear.development.likelihood.curve_likelihood import (
    TankFit,
    edges,
    fit_curve,
    theta_of,
    unbiased_batch_variance,
)
from broodyear.development.likelihood.tank_records import TankRecords
from broodyear.development.models.own_models import DevelopmentModel
from broodyear.development.models.published import LEAST_SPREAD_LOG_SD, as_curve
from broodyear.development.models.shapes import Shape
from broodyear.development.scoring.predictions import (
    DailyMatrix,
    cumulative_fraction,
    daily_matrix,
    first_crossing,
)
from broodyear.errors import Refused

Floats = NDArray[np.float64]

# Days past delivery over which a prediction is sought: at 2 °C chinook emerge after 327 days.
MOST_DAYS = 360
# More sites (batches, seasons) than this are left out in this many groups of them, each of them whole.
MOST_BLOCKS = {"batch_out": 40, "site_out": 12, "season_out": 40}
# The scheme that pages speak of; the others are in the table.
MAIN_SCHEME = "batch_out"
SCHEMES = {"batch_out": "batch_id", "site_out": "site_id", "season_out": "season"}


@dataclass(frozen=True)
class Predictor:
    """What a model says of a tank it has not seen: a curve, the SD of log development, and wrong dates' share."""

    rate: Callable[[Floats], Floats]
    log_sd: Callable[[Floats], Floats]
    tested: Callable[[Floats], NDArray[np.bool_]]
    wrong_share: float


@dataclass(frozen=True)
class HeldOut:
    """Predictions of n tanks, each by a model fitted without its block; NaN where none could be made.

    predicted_day: days after delivery; lower, upper, start: log development at the edges of what is known, by the
    predicting curve; log_sd: predicted SD, with that of days not read; wrong_share: of the dates, as predicted;
    is_tested: the tank's mean temperature lies inside the model's tested ones; blocks: how many were left out;
    note: why some could not be predicted.
    """

    predicted_day: Floats
    lower: Floats
    upper: Floats
    start: Floats
    log_sd: Floats
    wrong_share: Floats
    is_tested: NDArray[np.bool_]
    blocks: int
    note: str


def blocks_of(labels: pd.Series, scheme: str) -> NDArray[np.intp]:
    """Number of each row's block: one per label, or whole labels dealt to MOST_BLOCKS groups in sorted order."""
    codes, _ = pd.factorize(labels.astype(str), sort=True)
    return np.asarray(codes % MOST_BLOCKS[scheme], dtype=np.intp)


def hold_out(
    records: TankRecords,
    matrix: DailyMatrix,
    block: NDArray[np.intp],
    trained: Callable[[TankRecords], Predictor],
) -> HeldOut:
    """Predict every tank by ``trained`` on the tanks of the other blocks."""
    n = len(records.tank_id)
    day, lower, upper, start, sd, share = (np.full(n, np.nan) for _ in range(6))
    is_tested = np.zeros(n, dtype=bool)
    notes: dict[str, int] = {}
    names = np.unique(block)
    for name in names:
        is_test = block == name
        if is_test.all():
            notes["only one block: nothing is left to fit to"] = n
            break
        try:
            predictor = trained(records.subset(~is_test))
        except Refused as refusal:
            notes[str(refusal)] = notes.get(str(refusal), 0) + int(is_test.sum())
            continue
        test = records.subset(is_test)
        intervals, at_start, _, _ = edges(test, predictor.rate(test.grid_c))
        lower[is_test], upper[is_test], start[is_test] = intervals.lower, intervals.upper, intervals.start
        day[is_test] = predicted_days(predictor.rate, matrix.subset(is_test), at_start)
        sd[is_test] = np.hypot(predictor.log_sd(test.mean_temp_c), test.gap_log_sd)
        share[is_test] = predictor.wrong_share
        is_tested[is_test] = predictor.tested(test.mean_temp_c)
    note = "; ".join(f"{count} tanks not predicted: {reason}" for reason, count in notes.items())
    return HeldOut(day, lower, upper, start, sd, share, is_tested, len(names), note)


def predicted_days(rate: Callable[[Floats], Floats], matrix: DailyMatrix, start: Floats) -> Floats:
    """Days after delivery at which each tank's development fraction reaches 1; 0 when it has on delivery."""
    return first_crossing(cumulative_fraction(rate(matrix.temps_c), matrix.length, start) - 1.0)


def matrix_of(records: TankRecords, first_share: Floats) -> DailyMatrix:
    """The tanks' temperatures as one matrix, continued beyond the record."""
    return daily_matrix(records.temps, first_share, MOST_DAYS)


def own_model(form: str, whole: TankFit, shape: Shape, batches: int) -> Callable[[TankRecords], Predictor]:
    """Trains one form anew on each fold, beginning at the fit to all tanks.

    The curve's own error is taken from the fit to all tanks and widened to the fold's number of batches.
    """
    begin = theta_of(whole)

    def trained(records: TankRecords) -> Predictor:
        if len(records.batches) < 3:
            raise Refused("fewer than 3 batches are left to fit to")
        fit = fit_curve(records, shape, start=begin, with_errors=False)
        widened = batches / max(len(records.batches) - 1, 1)
        variance = fit.spread_sd**2 + unbiased_batch_variance(fit.batch_sd, len(records.batches))

        def log_sd(temp_c: Floats) -> Floats:
            gradient = shape.gradient(fit.free, temp_c)
            own = np.einsum("ij,jk,ik->i", gradient, whole.covariance, gradient)
            return np.asarray(np.sqrt(variance + own * widened), dtype=float)

        low, high = np.quantile(records.mean_temp_c, [0.02, 0.98])
        return Predictor(
            rate=lambda temp_c: np.exp(-shape.log_days(fit.free, temp_c)),
            log_sd=log_sd,
            tested=lambda temp_c: (temp_c >= low) & (temp_c <= high),
            wrong_share=fit.wrong_share,
        )

    return trained


def published_model(model: str | DevelopmentModel) -> Callable[[TankRecords], Predictor]:
    """Leaves a curve as it is and takes only the spread about it from each fold.

    A model of one's own brings its spread where it states one, and its covariance widens it.
    """
    drawn = as_curve(model)
    own = model if isinstance(model, DevelopmentModel) else None

    def trained(records: TankRecords) -> Predictor:
        intervals, _, _, _ = edges(records, drawn.rate(records.grid_c))
        about = crossed_mean(intervals, {}, wrong_sd=WRONG_LOG_SD)
        spread = float(np.hypot(about.estimate[0], about.total_sd))
        if own is not None and own.spread_log_sd is not None:
            spread = own.spread_log_sd
        elif np.isnan(spread):  # looked at too seldom to tell
            spread = LEAST_SPREAD_LOG_SD

        def log_sd(temp_c: Floats) -> Floats:
            doubt = np.zeros(len(temp_c)) if own is None else own.log_days_se(temp_c)
            return np.hypot(spread, doubt)

        return Predictor(
            rate=drawn.rate,
            log_sd=log_sd,
            tested=lambda temp_c: drawn.is_tested_at(temp_c) | np.isnan(drawn.valid_low_c),
            wrong_share=0.0 if np.isnan(about.wrong_share) else about.wrong_share,
        )

    return trained
