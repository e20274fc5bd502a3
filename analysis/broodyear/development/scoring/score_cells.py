"""The scores of one model in one cell: bias, error, coverage, calibration, from censored dates.

A probability transform is where an event lay in its predicted distribution, 0 the earliest and 1 the latest end.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from scipy.special import ndtr, ndtri

from broodyear.claims import Reason
from broodyear.development.arrays import Floats, Masks
from broodyear.development.likelihood.censored import (
    WRONG_LOG_SD,
    Intervals,
    common_part,
    log_interval_score,
    mean_absolute_within,
    probability_inside,
)
from broodyear.development.likelihood.crossed import CrossedMean
from broodyear.development.likelihood.crossed_posterior import MeanWanted
from broodyear.development.likelihood.fitting import FEWEST_BATCHES
from broodyear.development.likelihood.tank_records import TankRecords
from broodyear.development.scoring.cross_validation import HeldOut

FEWEST_SITES = 3
FEW_SITES = f"under {FEWEST_SITES} sites: their thermometers cannot be told from the model"
UNSETTLED = f"cannot be told: {Reason.SPREADS_UNKNOWN.meaning}"
# A date says no hour and counts to the end of its day (``observed_stages``): a look at midnight of the morning
# dates an event one day late, and a right model then seems a day early. No look is further from its day's end.
HOUR_OF_LOOKING_DAYS = 1.0
# SD (days) of the error of a wrong date: day and month swapped, another week or month.
WRONG_DAYS_SD = 30.0
LEVELS = (50, 80, 95)
BANDS = (("<5", -np.inf, 5.0), ("5-7", 5.0, 7.0), ("7-9", 7.0, 9.0), ("9-11", 9.0, 11.0), (">11", 11.0, np.inf))
# Normal quantile of a two-sided 5 % shared by three levels (Bonferroni).
_FAR = 2.394
BAND_NAMES = ("all", *(name for name, _, _ in BANDS))
MEASURES = (
    "bias_days", "bias_se", "bias_low", "bias_high", "p_value", "mae_days", "interval_distance_days",
    *(f"coverage_{level}" for level in LEVELS), "log_score", "pit_mean", "pit_sd",
)  # fmt: skip


def in_band(mean_temp_c: Floats, band: str) -> Masks:
    """True for the tanks of a temperature band, by their mean from delivery to the event (°C)."""
    if band == "all":
        return np.ones(len(mean_temp_c), dtype=bool)
    low, high = next((low, high) for name, low, high in BANDS if name == band)
    return np.asarray((mean_temp_c >= low) & (mean_temp_c < high))


def error_intervals(records: TankRecords, held: HeldOut, is_in: Masks) -> Intervals:
    """Intervals of (event − predicted day) of some tanks, truncated at delivery."""
    predicted, gap_days = held.predicted_day[is_in], records.gap_se_days[is_in]
    return Intervals(
        lower=records.absent_day[is_in] - predicted,
        upper=records.seen_day[is_in] - predicted,
        start=-predicted,
        group=np.zeros(int(is_in.sum()), dtype=np.intp),
        groups=1,
        own_sd=gap_days if gap_days.any() else None,
    )


def mean_error(records: TankRecords, held: HeldOut, is_in: Masks, design: Floats | None = None) -> MeanWanted:
    """Mean of (event − predicted day) of some tanks, with batch and site as crossed groups and heavy tails."""
    groups = {name: records.labels[name][is_in] for name in ("batch", "site") if name in records.labels}
    return MeanWanted(error_intervals(records, held, is_in), groups, WRONG_DAYS_SD, design)


def hour_days(records: TankRecords, is_in: Masks) -> float:
    """Days by which unknown hours of looking can make the mean error of some tanks seem early.

    HOUR_OF_LOOKING_DAYS for those whose looks count to the end of a day, none for those whose looks have an hour.
    """
    looks = np.where(np.isfinite(records.seen_day), records.seen_day, records.absent_day)[is_in]
    is_of_a_day = np.isclose(looks, np.round(looks), atol=1e-6)
    return HOUR_OF_LOOKING_DAYS * float(is_of_a_day.mean()) if len(looks) else 0.0


def spread_of_errors(held: HeldOut, is_in: Masks) -> MeanWanted:
    """Mean and spread of the errors of some tanks in log development, in multiples of the SD predicted."""
    alone = Intervals(*held.in_sds(is_in), np.zeros(int(is_in.sum()), dtype=np.intp), 1)
    return MeanWanted(alone, {}, WRONG_LOG_SD / float(np.median(held.log_sd[is_in])))


def can_be_scored(records: TankRecords, is_used: Masks) -> bool:
    """Whether enough batches are behind some tanks for a score."""
    return len(np.unique(records.batch[is_used])) >= FEWEST_BATCHES


def score_cell(
    records: TankRecords,
    held: HeldOut,
    is_used: Masks,
    rng: np.random.Generator,
    found: tuple[CrossedMean, CrossedMean] | None,
) -> dict[str, Any]:
    """Scores of the tanks in a cell; blank (NaN) with a note when fewer than 3 batches are behind it, when the
    stages were looked for so seldom that one shift of the predictions fits all that was seen, or when the spreads
    between batches and sites cannot be estimated.

    found: ``mean_error`` and ``spread_of_errors`` as worked out, None where the cell cannot be scored.

    bias_days: predicted − actual by the interval likelihood with effects of batch and site, positive when the
    model is late, and wrong dates allowed for; bias_low, bias_high and p_value blank under 3 sites, whose
    thermometers cannot be told from the model; p_value: against the nearest bias from −hour_days (see
    ``hour_days``) to 0; unscored: the reason of a claim where the bias or its limits are
    blank, empty otherwise; mae_days: mean of E|predicted − actual| given each interval; coverage (%): mean
    probability that the event lies in the predicted interval given what is known; log_score: mean ln of the
    probability given to what was seen, nearer 0 is better; pit_mean, pit_sd: of randomised probability integral
    transforms, 0.5 and 0.289 when the predictions are calibrated.
    """
    batches = len(np.unique(records.batch[is_used]))
    cell: dict[str, Any] = {"tanks": int(is_used.sum()), "batches": batches, "sites": sites_of(records, is_used)}
    if found is None:
        few = f"suppressed: fewer than {FEWEST_BATCHES} batches ({batches})"
        note, why = (few, Reason.TOO_FEW_BATCHES) if is_used.any() else ("no tank", Reason.NO_TANKS)
        return {**cell, **dict.fromkeys(MEASURES, np.nan), "unscored": str(why), "note": note}
    days, notes = days_scores(records, held, is_used, found[0])
    calibration = calibration_scores(held, is_used, rng, found[1])
    shift = common_part(error_intervals(records, held, is_used))
    notes = [_note(shift, found, calibration), *notes]
    why_not = "" if shift is None else str(Reason.LOOKS_TOO_FAR_APART)
    if not found[0].is_settled:
        why_not = str(Reason.SPREADS_UNKNOWN)
    if cell["sites"] < FEWEST_SITES:
        why_not = str(Reason.TOO_FEW_SITES)
    return {
        **cell, **days, **calibration, "unscored": why_not, "note": "; ".join(note for note in notes if note),
    }  # fmt: skip


def sites_of(records: TankRecords, is_in: Masks) -> float:
    """How many sites some tanks are at; NaN where sites are not known."""
    known = records.labels.get("site")
    return float("nan") if known is None else float(len(np.unique(known[is_in])))


def days_scores(
    records: TankRecords, held: HeldOut, is_used: Masks, error: CrossedMean
) -> tuple[dict[str, float], list[str]]:
    """Scores in days of the tanks used, by their mean error, and what is to be said of its limits."""
    low, high = error.interval()
    hour = hour_days(records, is_used)
    p_value, notes = error.p_value(up_to=hour), []
    if "site" not in records.labels:
        notes.append("sites not known: limits by batch alone")
    elif sites_of(records, is_used) < FEWEST_SITES:
        low = high = p_value = float("nan")
        notes.append(FEW_SITES)
    intervals = error_intervals(records, held, is_used)
    outside = np.maximum(np.maximum(intervals.lower, -intervals.upper), 0.0)
    scores = {
        "bias_days": -float(error.estimate[0]),
        "bias_se": error.std_error(),
        "bias_low": -high,
        "bias_high": -low,
        "p_value": p_value,
        "hour_days": hour,
        "mae_days": mean_absolute(records, held, is_used, error),
        "interval_distance_days": float(outside.mean()),
    }
    return scores, notes


def mean_absolute(records: TankRecords, held: HeldOut, is_used: Masks, error: CrossedMean) -> float:
    """Mean of E|predicted − actual| (days) given each tank's interval; NaN where no mean error is known."""
    mean, known = float(error.estimate[0]), error_intervals(records, held, is_used)
    if np.isnan(mean):
        return float("nan")
    return float(np.mean(mean_absolute_within(known.lower, known.upper, mean, error.total_sd)))


def _note(
    shift: tuple[float, float] | None, found: tuple[CrossedMean, CrossedMean], calibration: Mapping[str, float]
) -> str:
    """Why some scores of a cell are blank; empty when none is."""
    if shift is not None:
        return too_seldom(*shift)
    if not found[0].is_settled:
        return UNSETTLED
    if not found[1].is_settled:
        return "coverage cannot be told: the spread of the errors could not be estimated"
    return (
        "coverage cannot be told: one error fits all that was seen" if np.isnan(calibration["coverage_50"]) else ""
    )


def too_seldom(low: float, high: float) -> str:
    """Note: why nothing is said of the errors of a cell. low, high: shifts (days later) that fit every tank."""
    ends = [f"{end:+.1f}" if np.isfinite(end) else "any number" for end in (low, high)]
    return f"cannot be told: one shift of the predictions by {ends[0]} to {ends[1]} days fits all that was seen"


def calibration_scores(
    held: HeldOut, is_used: Masks, rng: np.random.Generator, spread: CrossedMean
) -> dict[str, float]:
    """Coverage of 50, 80 and 95 % intervals, log score and probability transforms of the tanks used."""
    lower, upper, start = held.in_sds(is_used)
    scores = dict.fromkeys((f"coverage_{level}" for level in LEVELS), float("nan"))
    for level in LEVELS if np.isfinite(spread.estimate[0]) else ():
        reach = np.full(len(lower), float(ndtri(0.5 + level / 200.0)))
        inside = probability_inside(lower, upper, reach, float(spread.estimate[0]), spread.total_sd)
        scores[f"coverage_{level}"] = 100.0 * float(inside.mean())
    transforms = randomised_pit(lower, upper, start, rng)
    scores["log_score"] = float(np.mean(tank_log_scores(held)[is_used]))
    scores["pit_mean"], scores["pit_sd"] = float(transforms.mean()), float(transforms.std(ddof=1))
    return scores


def covers_otherwise(cell: Mapping[Any, Any]) -> bool:
    """Whether a level of a row of scores covers further off than chance has it; tanks of a batch share a fate, so
    that batches count."""
    off = {level: abs(cell[f"coverage_{level}"] - level) for level in LEVELS}
    return any(far > _FAR * np.sqrt(level * (100.0 - level) / cell["batches"]) for level, far in off.items())


def tank_log_scores(held: HeldOut) -> Floats:
    """Log score of each tank; NaN where it was not predicted."""
    is_known = np.isfinite(held.log_sd)
    scores = np.full(len(held.log_sd), np.nan)
    edges = (values[is_known] for values in (held.lower, held.upper, held.start, held.log_sd, held.wrong_share))
    scores[is_known] = log_interval_score(*edges)
    return scores


def randomised_pit(lower: Floats, upper: Floats, start: Floats, rng: np.random.Generator) -> Floats:
    """A uniform draw between the predicted probabilities at the two ends of what is known (normal scale)."""
    cut = ndtr(start)
    left = np.maximum(1.0 - cut, 1e-300)  # nothing is left where delivery lies beyond the whole prediction
    low, high = np.clip((ndtr(lower) - cut) / left, 0, 1), np.clip((ndtr(upper) - cut) / left, 0, 1)
    return np.asarray(low + rng.uniform(size=len(lower)) * (high - low), dtype=float)


def first_seen_scores(records: TankRecords, held: HeldOut, is_in: Masks) -> dict[str, float]:
    """Bias and mean absolute error when the first date it was seen is taken for the event: the pitfall."""
    is_used = is_in & np.isfinite(held.predicted_day) & np.isfinite(records.seen_day)
    error = held.predicted_day[is_used] - records.seen_day[is_used]
    return {"bias_first_seen_days": float(error.mean()), "mae_first_seen_days": float(np.abs(error).mean())}
