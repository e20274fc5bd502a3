"""Two models on the same tanks: which misses by fewer days; and the pitfall of first-seen dates."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from broodyear.claims import excludes_zero
from broodyear.development.arrays import Floats, Masks
from broodyear.development.likelihood.censored import Intervals
from broodyear.development.likelihood.crossed import Work, worked_out
from broodyear.development.likelihood.crossed_posterior import MeanWanted
from broodyear.development.likelihood.fitting import FEWEST_BATCHES
from broodyear.development.scoring.cross_validation import MAIN_SCHEME, HeldOut, is_fair, is_own
from broodyear.development.scoring.held_out_scores import StageScores
from broodyear.development.scoring.score_cells import hour_days, tank_log_scores
from broodyear.development.scoring.stage_data import StageData

BASE = "own_constant_units"
# Wider looks say too little of a day to compare two errors by it.
MOST_BETWEEN_LOOKS_DAYS = 14.0
# The middle 80 % of the tanks' mean temperatures must spread this wide before curvature can show: within 7–9 °C
# published curves and constant units differ by under a day (Crisp 1981 against units tuned at 8 °C).
NARROW_BAND_C = 3.0
COMPARISON_COLUMNS = (
    "species", "stage", "model", "against", "tanks", "batches", "mae_gain_days", "mae_gain_low", "mae_gain_high",
    "p_value", "log_score_gain", "gain_low", "gain_high", "band_low_c", "band_high_c", "is_told_apart",
    "earlier_gain_days",
)  # fmt: skip
FIRST_SEEN_COLUMNS = (
    "species", "stage", "model", "tanks", "batches", "bias_days", "bias_low", "bias_high", "bias_first_seen_days",
    "mae_days", "mae_first_seen_days", "shift_days",
)  # fmt: skip


def model_comparisons(scores: StageScores) -> pd.DataFrame:
    """Paired differences of models on the same held-out tanks: COMPARISON_COLUMNS.

    Every published or given model against every other, and every model against own constant units. mae_gain_days:
    by how many days the model misses less (positive: better), on tanks looked at within a fortnight;
    log_score_gain: mean gain of log score per tank. Limits (95 %) and p_value carry batch and site as crossed
    groups. band: 10th and 90th per cent of the tanks' means (°C); is_told_apart: the limits of days leave out 0.
    A look of unknown hour may have been at the start of its day, and a model that stays is then off by up to a day
    more or less: what the looks tell apart must hold there too. earlier_gain_days: the gain there, blank where
    there was nothing to lose; p_value: the larger of both, 1 where the other model is the better one there.
    """
    works = [work for one in scores.data.values() for work in _pairs(one, scores)]
    return pd.DataFrame(worked_out(works), columns=list(COMPARISON_COLUMNS))


@dataclass(frozen=True)
class _Judged:
    """A model on the tanks of a stage: which it may be judged on, errors in days, the same if the looks were as
    early in their day as they can have been, log scores."""

    model: str
    is_fair: Masks
    errors: Floats
    earlier: Floats
    log_scores: Floats


def _pairs(one: StageData, scores: StageScores) -> list[Work[dict[str, Any]]]:
    hour = hour_days(one.records, np.ones(len(one.rows), dtype=bool))  # own fits would move with the looks
    known: dict[str, _Judged] = {}
    for name in (*one.models, *(f"own_{form}" for form in one.fits)):
        held = scores.held_out.get((one.species, one.stage, name, MAIN_SCHEME))
        if held is not None:
            errors, earlier = (_absolute(one, held, early) for early in (0.0, 0.0 if is_own(name) else hour))
            known[name] = _Judged(name, is_fair(name, held), errors, earlier, tank_log_scores(held))
    pairs = [*combinations([name for name in known if not is_own(name)], 2)]
    pairs += [(name, BASE) for name in known if name != BASE and BASE in known]
    return [_compared(one, known[model], known[against]) for model, against in pairs]


def _compared(one: StageData, model: _Judged, against: _Judged) -> Work[dict[str, Any]]:
    records, is_both = one.records, model.is_fair & against.is_fair
    is_close = is_both & (records.seen_day - records.absent_day <= MOST_BETWEEN_LOOKS_DAYS)
    gain = model.log_scores - against.log_scores
    by_days, by_score = yield [
        _paired(one, against.errors - model.errors, is_close),
        _paired(one, gain, is_both & np.isfinite(gain)),
    ]
    mae_gain, (low, high), (gain_low, gain_high) = by_days.estimate[0], by_days.interval(), by_score.interval()
    low_c, high_c = np.quantile(records.mean_temp_c, [0.1, 0.9])
    row: dict[str, Any] = {
        "species": one.species, "stage": one.stage, "model": model.model, "against": against.model,
        "tanks": int(is_close.sum()), "batches": len(np.unique(records.batch[is_close])),
        "mae_gain_days": float(mae_gain), "mae_gain_low": low, "mae_gain_high": high,
        "p_value": by_days.p_value(), "log_score_gain": float(by_score.estimate[0]), "gain_low": gain_low,
        "gain_high": gain_high, "band_low_c": float(low_c), "band_high_c": float(high_c),
        "is_told_apart": excludes_zero(low, high), "earlier_gain_days": np.nan,
    }  # fmt: skip
    if row["is_told_apart"]:
        (earlier,) = yield [_paired(one, against.earlier - model.earlier, is_close)]
        is_same = np.sign(earlier.estimate[0]) == np.sign(mae_gain)
        row["earlier_gain_days"] = float(earlier.estimate[0])
        row["p_value"] = max(row["p_value"], earlier.p_value()) if is_same else 1.0
        row["is_told_apart"] = bool(is_same and excludes_zero(*earlier.interval()))
    return row


def _absolute(one: StageData, held: HeldOut, earlier_days: float = 0.0) -> Floats:
    """Mean absolute error of each prediction where the event is as likely on any day between the looks.

    earlier_days: by which both looks came before the end of their days.
    """
    predicted = held.predicted_day + earlier_days
    low, high = one.records.absent_day - predicted, one.records.seen_day - predicted
    with np.errstate(invalid="ignore"):
        inside = (low**2 + high**2) / (2.0 * (high - low))
        return np.where((low < 0) & (high > 0), inside, np.abs(0.5 * (low + high)))


def _paired(one: StageData, difference: Floats, is_in: Masks) -> MeanWanted:
    """Mean difference over tanks, every tank counting, with batch and site as crossed groups."""
    values = difference[is_in]
    batches = len(np.unique(one.records.batch[is_in]))
    size = float(np.std(values)) if batches >= FEWEST_BATCHES else 0.0
    start, none = np.full(len(values), -np.inf), np.zeros(len(values), dtype=np.intp)
    groups = {name: one.records.labels[name][is_in] for name in ("batch", "site") if name in one.records.labels}
    if size == 0.0:  # too few, or no difference anywhere
        values = np.full(len(values), np.inf)
    half = 1e-3 * size
    exact = Intervals(values - half, values + half, start, none, 1)
    return MeanWanted(exact, groups, max(10.0 * size, 1.0), wrong_share=0.0)


def shows_no_curve(row: Mapping[Any, Any]) -> bool:
    """Whether a row of comparisons says nothing of curvature, for its tanks lie in too narrow a band."""
    return bool(row["band_high_c"] - row["band_low_c"] < NARROW_BAND_C and not row["is_told_apart"])


def first_seen_pitfall(scores: StageScores, models: Mapping[tuple[str, str], str]) -> pd.DataFrame:
    """What taking first-seen dates for the events would have said, beside the interval likelihood.

    models: the model to show by (species, stage). shift_days: bias by first-seen dates minus bias by intervals;
    negative, because an event is seen after it happened and every model then looks early.
    """
    table = scores.scores
    main = table[(table["scheme"] == MAIN_SCHEME) & (table["band"] == "all") & table["mae_days"].notna()]
    wanted = [(*key, model) for key, model in models.items()]
    is_wanted = pd.MultiIndex.from_frame(main[["species", "stage", "model"]]).isin(wanted)
    chosen = main[is_wanted]
    shift = chosen["bias_first_seen_days"] - chosen["bias_days"]
    return chosen.assign(shift_days=shift).loc[:, list(FIRST_SEEN_COLUMNS)].reset_index(drop=True)
