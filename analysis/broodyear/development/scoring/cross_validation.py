"""Predicting tanks that a model was not fitted to: one batch, site or season left out at a time; days of many
tanks come from matrices of daily temperatures."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from broodyear.development.arrays import Floats, Masks, Whole
from broodyear.development.likelihood.censored import WRONG_LOG_SD
from broodyear.development.likelihood.crossed import CrossedMean, crossed_means
from broodyear.development.likelihood.crossed_posterior import MeanWanted
from broodyear.development.likelihood.curve_fits import FoldFit, fit_folds, theta_of, unbiased_batch_variance
from broodyear.development.likelihood.curve_likelihood import between, edges
from broodyear.development.likelihood.fit_result import DevelopmentFit
from broodyear.development.likelihood.fitting import FEWEST_BATCHES
from broodyear.development.likelihood.tank_records import TankRecords
from broodyear.development.models.forms import Curve
from broodyear.development.models.own_models import DevelopmentModel
from broodyear.development.models.published import LEAST_SPREAD_LOG_SD, as_curve
from broodyear.errors import Refused

# Days past delivery over which a prediction is sought: at 2 °C chinook emerge after 327 days.
MOST_DAYS = 360
# Days of a tank's last readings that stand for the days after them.
RECENT_DAYS = 7
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
    tested: Callable[[Floats], Masks]
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
    is_tested: Masks
    blocks: int
    note: str

    def in_sds(self, is_in: Masks | slice = slice(None)) -> tuple[Floats, Floats, Floats]:
        """lower, upper and start of some tanks in multiples of the SD predicted."""
        sd = self.log_sd[is_in]
        return self.lower[is_in] / sd, self.upper[is_in] / sd, self.start[is_in] / sd


def blocks_of(labels: pd.Series, scheme: str) -> Whole:
    """Number of each row's block: one per label, or whole labels dealt to MOST_BLOCKS groups in sorted order."""
    codes, _ = pd.factorize(labels.astype(str), sort=True)
    return np.asarray(codes % MOST_BLOCKS[scheme], dtype=np.intp)


def folds_of(block: Whole, scheme: str) -> Masks:
    """(folds, n) which tanks a model is fitted to when blocks are left out one by one; none for one block.

    A single batch is left out all the same: models that need no fit predict it.
    """
    names = np.unique(block)
    folds: Masks = block[None, :] != names[:, None]
    return folds if len(names) > 1 or scheme == MAIN_SCHEME else folds[:0]


def hold_out(
    records: TankRecords, matrix: DailyMatrix, folds: Masks, predictors: Sequence[Predictor | Refused]
) -> HeldOut:
    """Predict the tanks that each fold leaves out by what a model says that was fitted to the others."""
    n = len(records.tank_id)
    day, lower, upper, start, sd, share = (np.full(n, np.nan) for _ in range(6))
    is_tested = np.zeros(n, dtype=bool)
    notes: dict[str, int] = {} if len(folds) else {"only one block: nothing is left to fit to": n}
    for fold, predictor in zip(folds, predictors, strict=True):
        left_out = np.flatnonzero(~fold)
        if isinstance(predictor, Refused):
            notes[str(predictor)] = notes.get(str(predictor), 0) + len(left_out)
            continue
        rate, mean_temp_c = predictor.rate(records.grid_c), records.mean_temp_c[left_out]
        at_start = records.start_fraction[left_out] + records.to_start[left_out] @ rate
        absent, seen = (at_start + until[left_out] @ rate for until in (records.to_absent, records.to_seen))
        known = between(records, at_start, absent, seen, left_out, records.batch[left_out], len(records.batches))
        lower[left_out], upper[left_out], start[left_out] = known.lower, known.upper, known.start
        day[left_out] = predicted_days(predictor.rate, matrix.subset(~fold), at_start)
        sd[left_out] = np.hypot(predictor.log_sd(mean_temp_c), records.gap_log_sd[left_out])
        share[left_out] = predictor.wrong_share
        is_tested[left_out] = predictor.tested(mean_temp_c)
    note = "; ".join(
        f"{count} {'tank' if count == 1 else 'tanks'} not predicted: {reason}" for reason, count in notes.items()
    )
    return HeldOut(day, lower, upper, start, sd, share, is_tested, max(len(folds), 1), note)


def is_own(model: str) -> bool:
    """Whether a scored model was fitted to these records, by its name."""
    return model.startswith("own_")


def is_fair(model: str, held: HeldOut) -> Masks:
    """Tanks a model may be judged on: predicted, and inside its tested temperatures unless it was fitted here."""
    return np.asarray(np.isfinite(held.predicted_day) & (held.is_tested | is_own(model)))


@dataclass(frozen=True)
class DailyMatrix:
    """Daily temperatures of n tanks over the same number of days after delivery.

    temps_c: (n, days), each tank's record continued at the mean of its last week; length: (n, days) part of each
    day that counts (the delivery day may be short).
    """

    temps_c: Floats
    length: Floats

    def subset(self, keep: Masks) -> DailyMatrix:
        """The tanks for which ``keep`` is true."""
        return DailyMatrix(self.temps_c[keep], self.length[keep])


def matrix_of(records: TankRecords) -> DailyMatrix:
    """The tanks' temperatures as one matrix."""
    temps_c, length = np.empty((len(records.temps), MOST_DAYS)), np.ones((len(records.temps), MOST_DAYS))
    for row, one in zip(temps_c, records.temps, strict=True):
        row[: len(one)] = one[:MOST_DAYS]
        row[len(one) :] = one[-RECENT_DAYS:].mean()
    length[:, 0] = records.first_day_share
    return DailyMatrix(temps_c, length)


def predicted_days(rate: Callable[[Floats], Floats], matrix: DailyMatrix, start: Floats) -> Floats:
    """Days after delivery at which each tank's development fraction reaches 1; 0 when it has on delivery, NaN when
    it never does."""
    done = np.cumsum(rate(matrix.temps_c) * matrix.length, axis=1) + start[:, None]
    missing = np.column_stack([start, done]) - 1.0
    is_over = missing >= 0.0
    column = is_over.argmax(axis=1)
    rows, before = np.arange(len(missing)), np.maximum(column - 1, 0)
    low, high = missing[rows, before], missing[rows, column]
    with np.errstate(invalid="ignore", divide="ignore"):
        part = np.where(high > low, -low / (high - low), 0.0)
    return np.where(is_over.any(axis=1), np.where(column == 0, 0.0, before + part), np.nan)


def own_predictors(records: TankRecords, fit: DevelopmentFit, folds: Masks) -> list[Predictor | Refused]:
    """One form fitted anew to each fold, beginning at the fit to all tanks.

    The curve's own error is taken from the fit to all tanks and widened to the fold's number of batches.
    """
    batches = [len(np.unique(records.batch[fold])) for fold in folds]
    is_enough = np.array([count >= FEWEST_BATCHES for count in batches], dtype=bool)
    begin = theta_of(fit.free, (fit.spread_log_sd, fit.batch_log_sd), fit.wrong_share)
    found = iter(fit_folds(records, fit.shape, begin, folds[is_enough]) if is_enough.any() else ())
    too_few = Refused(f"fewer than {FEWEST_BATCHES} batches are left to fit to")
    fitted = [next(found) if enough else too_few for enough in is_enough]
    return [
        one if isinstance(one, Refused) else _own_predictor(fit, one, records.mean_temp_c[fold], count)
        for one, fold, count in zip(fitted, folds, batches, strict=True)
    ]


def _own_predictor(whole: DevelopmentFit, fit: FoldFit, mean_temp_c: Floats, batches: int) -> Predictor:
    widened = whole.batches / max(batches - 1, 1)
    variance = fit.spread_sd**2 + unbiased_batch_variance(fit.batch_sd, batches)

    def log_sd(temp_c: Floats) -> Floats:
        gradient = whole.shape.gradient(fit.free, temp_c)
        own = np.einsum("ij,jk,ik->i", gradient, whole.free_covariance, gradient)
        return np.asarray(np.sqrt(variance + own * widened), dtype=float)

    low, high = np.quantile(mean_temp_c, [0.02, 0.98])
    return Predictor(
        rate=lambda temp_c: np.exp(-whole.shape.log_days(fit.free, temp_c)),
        log_sd=log_sd,
        tested=lambda temp_c: (temp_c >= low) & (temp_c <= high),
        wrong_share=fit.wrong_share,
    )


def published_predictors(
    records: TankRecords, models: Mapping[str, str | DevelopmentModel], folds: Masks
) -> dict[str, list[Predictor | Refused]]:
    """Curves as they are, with the spread about each taken from every fold.

    A model of one's own brings its spread where it states one, and its covariance widens it.
    """
    drawn = {name: as_curve(model) for name, model in models.items()}
    known = [edges(records, one.rate(records.grid_c))[0] for one in drawn.values()]
    spreads = iter(
        crossed_means([MeanWanted(one.subset(fold), {}, WRONG_LOG_SD) for one in known for fold in folds])
    )
    return {
        name: [_published_predictor(model, drawn[name], next(spreads)) for _ in folds]
        for name, model in models.items()
    }


def _published_predictor(model: str | DevelopmentModel, drawn: Curve, about: CrossedMean) -> Predictor:
    own = model if isinstance(model, DevelopmentModel) else None
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
