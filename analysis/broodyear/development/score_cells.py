"""The scores of one model in one cell: bias, error, coverage, calibration, from censored dates."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from broodyear.development.censored import Intervals
from broodyear.development.cross_validation import HeldOut
from broodyear.development.interval_mean import (
    common_part,
    interval_mean,
    log_interval_score,
    mean_absolute_within,
    probability_inside,
    ungrouped,
)
from broodyear.development.tank_records import TankRecords

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

FEWEST_BATCHES = 3
LEVELS = (50, 80, 95)
LOOKED_TOO_SELDOM = "cannot be told"
"""How the note of a cell begins in which the looks are too far apart for the error to be estimated."""
BANDS = (("<5", -np.inf, 5.0), ("5-7", 5.0, 7.0), ("7-9", 7.0, 9.0), ("9-11", 9.0, 11.0), (">11", 11.0, np.inf))
BAND_NAMES = ("all", *(name for name, _, _ in BANDS))
MEASURES = (
    "bias_days", "bias_se", "bias_low", "bias_high", "mae_days", "interval_distance_days",
    *(f"coverage_{level}" for level in LEVELS), "log_score", "pit_mean", "pit_sd",
)  # fmt: skip


@dataclass(frozen=True)
class Known:
    """What is known of n predicted tanks, in days after delivery; upper is infinite where the tank ended first."""

    absent_day: Floats
    seen_day: Floats
    predicted_day: Floats
    batch: NDArray[np.str_]


def in_band(mean_temp_c: Floats, band: str) -> Mask:
    """True for the tanks of a temperature band, by their mean from delivery to the event (°C)."""
    if band == "all":
        return np.ones(len(mean_temp_c), dtype=bool)
    low, high = next((low, high) for name, low, high in BANDS if name == band)
    return np.asarray((mean_temp_c >= low) & (mean_temp_c < high))


def error_intervals(known: Known, is_in: Mask) -> Intervals:
    """Intervals of (event − predicted day) of some tanks, truncated at delivery, batches as groups."""
    predicted = known.predicted_day[is_in]
    groups, group = np.unique(known.batch[is_in], return_inverse=True)
    return Intervals(
        lower=known.absent_day[is_in] - predicted,
        upper=known.seen_day[is_in] - predicted,
        start=-predicted,
        group=group.astype(np.intp),
        groups=len(groups),
    )


def score_cell(records: TankRecords, held: HeldOut, is_in: Mask, rng: np.random.Generator) -> dict[str, Any]:
    """Scores of the tanks in a cell; blank (NaN) with a note when fewer than 3 batches are behind it, or when the
    stages were looked for so seldom that one shift of the predictions fits all that was seen.

    bias_days: predicted − actual by the interval likelihood with an effect per batch, positive when the model is
    late; mae_days: mean of E|predicted − actual| given each interval; coverage (%): mean probability that the
    event lies in the predicted interval given what is known; log_score: mean ln of the probability given to what
    was seen, nearer 0 is better; pit_mean, pit_sd: of randomised probability integral transforms, 0.5 and 0.289
    when the predictions are calibrated.
    """
    is_used = is_in & np.isfinite(held.predicted_day)
    batches = len(np.unique(records.batch[is_used]))
    cell: dict[str, Any] = {"tanks": int(is_used.sum()), "batches": batches}
    if batches < FEWEST_BATCHES:
        note = f"suppressed: {batches} batches, fewer than {FEWEST_BATCHES}" if is_used.any() else "no tank"
        return {**cell, **dict.fromkeys(MEASURES, np.nan), "note": note}
    known = _known(records, held)
    days, calibration = _days_scores(known, is_used), _calibration(records, held, is_used, rng)
    return {
        **cell,
        **days,
        **calibration,
        "note": _note(common_part(error_intervals(known, is_used)), calibration),
    }


def _note(shift: tuple[float, float] | None, calibration: Mapping[str, float]) -> str:
    """Why some scores of a cell are blank; empty when none is."""
    if shift is not None:
        return too_seldom(*shift)
    return (
        "coverage cannot be told: one error fits all that was seen" if np.isnan(calibration["coverage_50"]) else ""
    )


def too_seldom(low: float, high: float) -> str:
    """Note: why nothing is said of the errors of a cell. low, high: shifts (days later) that fit every tank."""
    ends = [f"{end:+.1f}" if np.isfinite(end) else "any number" for end in (low, high)]
    return (
        f"{LOOKED_TOO_SELDOM}: one shift of the predictions by {ends[0]} to {ends[1]} days fits all that was seen"
    )


def _days_scores(known: Known, is_used: Mask) -> dict[str, float]:
    intervals = error_intervals(known, is_used)
    error = interval_mean(intervals)
    outside = np.maximum(np.maximum(intervals.lower, -intervals.upper), 0.0)
    return {
        "bias_days": -error.mean,
        "bias_se": error.std_error,
        "bias_low": -error.high,
        "bias_high": -error.low,
        "mae_days": _mean_absolute(intervals),
        "interval_distance_days": float(outside.mean()),
    }


def mean_absolute_error(records: TankRecords, held: HeldOut, is_in: Mask) -> float:
    """Mean of E|predicted − actual| over the tanks of a cell that were predicted, given what is known of each."""
    return _mean_absolute(error_intervals(_known(records, held), is_in & np.isfinite(held.predicted_day)))


def _mean_absolute(intervals: Intervals) -> float:
    # Mean and total spread of the errors are all that is needed of them: no effect per batch.
    error = interval_mean(ungrouped(intervals), with_error=False)
    if np.isnan(error.mean):
        return float("nan")
    return float(mean_absolute_within(intervals.lower, intervals.upper, error.mean, error.total_sd).mean())


def _known(records: TankRecords, held: HeldOut) -> Known:
    return Known(records.absent_day, records.seen_day, held.predicted_day, records.batch.astype(str))


def _calibration(records: TankRecords, held: HeldOut, is_used: Mask, rng: np.random.Generator) -> dict[str, float]:
    sd = held.log_sd[is_used]
    lower, upper, start = held.lower[is_used] / sd, held.upper[is_used] / sd, held.start[is_used] / sd
    alone = np.zeros(len(sd), dtype=np.intp)
    spread = interval_mean(Intervals(lower, upper, start, alone, 1), with_error=False)
    scores = dict.fromkeys((f"coverage_{level}" for level in LEVELS), float("nan"))
    for level in LEVELS if np.isfinite(spread.mean) else ():
        reach = np.full(len(sd), float(ndtri(0.5 + level / 200.0)))
        inside = probability_inside(lower, upper, reach, spread.mean, spread.total_sd)
        scores[f"coverage_{level}"] = 100.0 * float(inside.mean())
    transforms = randomised_pit(lower, upper, start, rng)
    scores["log_score"] = float(log_interval_score(lower, upper, start, np.ones(len(sd))).mean())
    scores["pit_mean"], scores["pit_sd"] = float(transforms.mean()), float(transforms.std(ddof=1))
    return scores


def randomised_pit(lower: Floats, upper: Floats, start: Floats, rng: np.random.Generator) -> Floats:
    """A uniform draw between the predicted probabilities at the two ends of what is known (normal scale)."""
    cut = ndtr(start)
    left = np.maximum(1.0 - cut, 1e-300)  # nothing is left where delivery lies beyond the whole prediction
    low, high = np.clip((ndtr(lower) - cut) / left, 0, 1), np.clip((ndtr(upper) - cut) / left, 0, 1)
    return np.asarray(low + rng.uniform(size=len(lower)) * (high - low), dtype=float)


def first_seen_scores(records: TankRecords, held: HeldOut, is_in: Mask) -> dict[str, float]:
    """Bias and mean absolute error when the first date it was seen is taken for the event: the pitfall."""
    is_used = is_in & np.isfinite(held.predicted_day) & np.isfinite(records.seen_day)
    error = held.predicted_day[is_used] - records.seen_day[is_used]
    return {"bias_first_seen_days": float(error.mean()), "mae_first_seen_days": float(np.abs(error).mean())}
