"""Rows of scores.csv: bias, error, coverage and calibration of models in cells, from censored dates.

A cell is the tanks of a band of temperature, or of a donor stock, that a model was not fitted to. A probability
transform is where an event lay in its predicted distribution, 0 the earliest and 1 the latest end.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import ndtr, ndtri

from broodyear.claims import Reason
from broodyear.development.arrays import Floats, Masks
from broodyear.development.likelihood.censored import (
    WRONG_LOG_SD,
    Intervals,
    common_part,
    mean_absolute_within,
    mixed_terms,
    probability_inside,
)
from broodyear.development.likelihood.crossed import CrossedMean, Work
from broodyear.development.likelihood.crossed_posterior import MeanWanted
from broodyear.development.likelihood.fitting import FEWEST_BATCHES
from broodyear.development.likelihood.tank_records import TankRecords
from broodyear.development.scoring.cross_validation import MAIN_SCHEME, HeldOut, is_fair
from broodyear.development.scoring.stage_data import StageData

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
    thermometers cannot be separated from the model; p_value: against the nearest bias from −hour_days (see
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
    """Scores in days of the tanks used, by their mean error, and notes on its limits."""
    scores, notes = bias_of(error, hour=hour_days(records, is_used)), []
    if "site" not in records.labels:
        notes.append("sites not known: limits by batch alone")
    elif sites_of(records, is_used) < FEWEST_SITES:
        scores |= dict.fromkeys(("bias_low", "bias_high", "p_value"), float("nan"))
        notes.append(FEW_SITES)
    intervals = error_intervals(records, held, is_used)
    outside = np.maximum(np.maximum(intervals.lower, -intervals.upper), 0.0)
    scores["mae_days"] = mean_absolute(records, held, is_used, error)
    scores["interval_distance_days"] = float(outside.mean())
    return scores, notes


def bias_of(error: CrossedMean, position: int = 0, hour: float = 0.0) -> dict[str, Any]:
    """The bias in days, predicted − actual, by a mean error at an index of its estimates, with its limits.

    hour: days early that the hour of looking can make, which the p-value allows for.
    """
    low, high = error.interval(position)
    return {
        "bias_days": -float(error.estimate[position]),
        "bias_se": error.std_error(position),
        "bias_low": -high,
        "bias_high": -low,
        "p_value": error.p_value(position, hour),
        "hour_days": hour,
    }


def mean_absolute(records: TankRecords, held: HeldOut, is_used: Masks, error: CrossedMean) -> float:
    """Mean of E|predicted − actual| (days) given each tank's interval; NaN where no mean error is known."""
    mean, known = float(error.estimate[0]), error_intervals(records, held, is_used)
    if np.isnan(mean):
        return float("nan")
    return float(np.mean(mean_absolute_within(known.lower, known.upper, mean, error.total_sd)))


def _note(
    shift: tuple[float, float] | None, found: tuple[CrossedMean, CrossedMean], calibration: Mapping[str, float]
) -> str:
    """Why some scores of a cell are blank; empty when none is. shift: days later that fit every tank."""
    if shift is not None:
        ends = [f"{end:+.1f}" if np.isfinite(end) else "any number" for end in shift]
        return (
            f"cannot be told: one shift of the predictions by {ends[0]} to {ends[1]} days fits all that was seen"
        )
    if not found[0].is_settled:
        return UNSETTLED
    if not found[1].is_settled:
        return "coverage cannot be told: the spread of the errors could not be estimated"
    return (
        "coverage cannot be told: one error fits all that was seen" if np.isnan(calibration["coverage_50"]) else ""
    )


def calibration_scores(
    held: HeldOut, is_used: Masks, rng: np.random.Generator, spread: CrossedMean
) -> dict[str, float]:
    """Coverage of 50, 80 and 95 % intervals, log score and probability transforms of the tanks used."""
    lower, upper, start = held.in_sds(is_used)
    scores = dict.fromkeys((f"coverage_{level}" for level in LEVELS), float("nan"))
    for level in LEVELS if np.isfinite(spread.estimate[0]) else ():
        half_width = np.full(len(lower), float(ndtri(0.5 + level / 200.0)))
        inside = probability_inside(lower, upper, half_width, float(spread.estimate[0]), spread.total_sd)
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
    lower, upper, start, sd, share = (
        one[is_known] for one in (held.lower, held.upper, held.start, held.log_sd, held.wrong_share)
    )
    known = Intervals(lower, upper, start, np.zeros(len(sd), dtype=np.intp), 1)
    scores[is_known] = mixed_terms(known, np.zeros(len(sd)), sd, share).log_probability
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


Rows = list[dict[str, Any]]

# One batch of a stock is not separated from the stock; the spread between batches comes from all stocks together.
FEWEST_BATCHES_OF_STOCK = 2
_STOCK_NOTES = {
    Reason.TOO_FEW_SITES: FEW_SITES,
    Reason.SPREADS_UNKNOWN: UNSETTLED,
    Reason.TOO_FEW_BATCHES: "one batch: a stock cannot be told from it",
}


@dataclass(frozen=True)
class _Scored:
    """A model of a stage to score in one scheme. base: own constant units in it, if fitted; is_fit: (n,) tanks it
    may be judged on; rng: of the randomised probability transforms."""

    stage: StageData
    model: str
    scheme: str
    held: HeldOut
    base: HeldOut | None
    is_fit: Masks
    rng: np.random.Generator

    def key(self, band: str, stock: str = "") -> dict[str, Any]:
        """Whose scores a row holds."""
        return {
            "species": self.stage.species, "stage": self.stage.stage, "model": self.model, "scheme": self.scheme,
            "band": band, "donor_stock": stock,
        }  # fmt: skip


def rows_wanted(
    stage: StageData, by_scheme: Mapping[str, Mapping[str, HeldOut]], rng: np.random.Generator
) -> list[Work[Rows]]:
    """The rows of one species and stage: one per scheme and model over all temperatures; in the main scheme also
    by band and by stock.

    by_scheme: predictions by scheme and model.
    """
    works = []
    for scheme, predicted in by_scheme.items():
        for model, held in predicted.items():
            base = predicted.get("own_constant_units")
            one = _Scored(stage, model, scheme, held, base, is_fair(model, held), rng)
            works += [_row(one, band) for band in (BAND_NAMES if scheme == MAIN_SCHEME else BAND_NAMES[:1])]
            works += [_stock_rows(one)] if scheme == MAIN_SCHEME else []
    return works


def _row(one: _Scored, band: str) -> Work[Rows]:
    """The row of a band of temperature, or of all; that of all in the main scheme is the one pages speak of."""
    records, held, base = one.stage.records, one.held, one.base
    is_band = in_band(records.mean_temp_c, band)
    is_in = is_band & one.is_fit
    is_main = band == "all" and one.scheme == MAIN_SCHEME
    is_sure = is_in & ~one.stage.is_suspect
    is_both = is_in if base is None else is_in & np.isfinite(base.predicted_day)
    wanted = {}
    if can_be_scored(records, is_in):
        wanted = {"error": mean_error(records, held, is_in), "spread": spread_of_errors(held, is_in)}
        if is_main and (is_sure != is_in).any():
            sure = mean_error(records, held, is_sure), spread_of_errors(held, is_sure)
            wanted |= dict(zip(("sure_error", "sure_spread"), sure, strict=True))
        if base is not None and is_both.any():
            wanted["base"] = mean_error(records, base, is_both)
    found = dict(zip(wanted, (yield list(wanted.values())), strict=True))
    cell = score_cell(records, held, is_in, one.rng, (found["error"], found["spread"]) if found else None)
    note = "; ".join(part for part in (cell.pop("note"), held.note if band == "all" else "") if part)
    outside = int((is_band & ~held.is_tested & np.isfinite(held.predicted_day)).sum())
    if not cell["tanks"] and outside:
        cell["unscored"] = str(Reason.OUTSIDE_TESTED)
    extra: dict[str, Any] = {"skill_vs_constant": np.nan}
    if np.isfinite(cell["mae_days"]):
        extra = first_seen_scores(records, held, is_in)
        extra |= _without_suspects(one, is_in, is_sure, found) if is_main else {}
        extra["skill_vs_constant"] = _skill(one, cell["mae_days"], is_both, found.get("base"))
    return [
        {**one.key(band), **cell, **extra, "blocks": held.blocks, "tanks_outside_tested": outside, "note": note}
    ]


def _skill(one: _Scored, mae_days: float, is_both: Masks, base: CrossedMean | None) -> float:
    """1 − MAE / MAE of own constant units on the same tanks; 0 for these, NaN without them."""
    if one.base is one.held:
        return 0.0
    if one.base is None or base is None:
        return float("nan")
    constant = mean_absolute(one.stage.records, one.base, is_both, base)
    return float(1.0 - mae_days / constant) if constant > 0 else float("nan")


def _without_suspects(
    one: _Scored, is_in: Masks, is_sure: Masks, found: Mapping[str, CrossedMean]
) -> dict[str, Any]:
    """The same scores with the dates left out that are probably wrong."""
    suspects = int((is_in & ~is_sure).sum())
    if not suspects:
        return {"suspects": 0}
    days, _ = days_scores(one.stage.records, one.held, is_sure, found["sure_error"])
    calibration = calibration_scores(one.held, is_sure, one.rng, found["sure_spread"])
    return {
        "suspects": suspects,
        "bias_without_suspects": days["bias_days"],
        "mae_without_suspects": days["mae_days"],
        "coverage_95_without_suspects": calibration["coverage_95"],
    }


def _stock_rows(one: _Scored) -> Work[Rows]:
    """The bias for each stock where two were predicted or more, from one fit with stocks as fixed effects and the
    other spreads in common."""
    records, is_fit = one.stage.records, one.is_fit
    stocks = records.labels.get("stock", np.array([], dtype=str))
    named = np.unique(stocks[is_fit]) if len(stocks) else stocks
    if len(named) < 2:
        return []
    design = (stocks[is_fit][:, None] == named[None, :]).astype(float)
    (error,) = yield [mean_error(records, one.held, is_fit, design)]
    has_few_sites, hour = sites_of(records, is_fit) < FEWEST_SITES, hour_days(records, is_fit)
    rows = []
    for position, stock in enumerate(named):
        own = is_fit & (stocks == stock)
        batches = len(np.unique(records.batch[own]))
        why = _why_unsure(has_few_sites, batches, error.is_settled)
        scores = bias_of(error, position, hour) | {"unscored": str(why or ""), "note": ""}
        if why:
            scores |= dict.fromkeys(("bias_se", "bias_low", "bias_high", "p_value"), np.nan)
            scores["note"] = _STOCK_NOTES.get(why, "")
        counts = {"tanks": int(own.sum()), "batches": batches, "sites": sites_of(records, own)}
        rows.append({**one.key("all", str(stock)), **counts, **scores})
    return rows


def _why_unsure(has_few_sites: bool, batches: int, is_settled: bool) -> Reason | None:
    """Why the bias for a stock has no limits; None where it has."""
    if batches < FEWEST_BATCHES_OF_STOCK:
        return Reason.TOO_FEW_BATCHES
    if has_few_sites:
        return Reason.TOO_FEW_SITES
    return None if is_settled else Reason.SPREADS_UNKNOWN
