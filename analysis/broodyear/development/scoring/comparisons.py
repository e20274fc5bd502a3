"""Which of two models misses by fewer days, whether the thermometer is to blame, and what first-seen dates do.

A site whose thermometer reads half a degree warm puts every prediction of its tanks days too early, and no model
can mend that. Loggers are nearer the truth, so a bias that shows in hand-read tanks only is the thermometers'.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import stdtr, stdtrit

from broodyear.claims import excludes_zero
from broodyear.development.arrays import Floats, Masks
from broodyear.development.likelihood.censored import Intervals
from broodyear.development.likelihood.crossed import CrossedMean, Work
from broodyear.development.likelihood.crossed_posterior import MeanWanted
from broodyear.development.likelihood.fit_result import DevelopmentFit, best_fit
from broodyear.development.likelihood.fitting import FEWEST_BATCHES
from broodyear.development.models.forms import NOMINAL
from broodyear.development.models.published import default_model
from broodyear.development.scoring.cross_validation import (
    MAIN_SCHEME,
    HeldOut,
    is_fair,
    is_own,
    matrix_of,
    predicted_days,
)
from broodyear.development.scoring.held_out_scores import DevelopmentScores, Predicted, Works, in_order
from broodyear.development.scoring.score_cells import (
    FEWEST_SITES,
    UNSETTLED,
    Rows,
    bias_of,
    can_be_scored,
    hour_days,
    mean_error,
    sites_of,
    tank_log_scores,
)
from broodyear.development.scoring.stage_data import StageData
from broodyear.development.scoring.stocks import STOCK_COLUMNS, stock_pairs
from broodyear.statistics.multiplicity import holm

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


Shown = Mapping[tuple[str, str], tuple[str, ...]]


def shown_models(predicted: Predicted) -> dict[tuple[str, str], tuple[str, ...]]:
    """The models to show by (species, stage): the best own form, then models given (nominal units of the settings
    last), then the published default, as far as they can be scored. Where no model of the stage can, those that
    predict some tank."""
    shown = {}
    for key, one in predicted.data.items():
        held = {name: _held(predicted, key, name) for name in one.everything}
        known = {name for name in held if can_be_scored(one.records, is_fair(name, held[name]))}
        known = known or {name for name in held if np.isfinite(held[name].predicted_day).any()}
        fit = best_fit(one.fits)
        given = [name for name, model in one.models.items() if not isinstance(model, str)]
        given.sort(key=lambda name: name.startswith(NOMINAL))  # stable: drawings hold the first of them
        wanted = ("" if fit is None else f"own_{fit.form}", *given, default_model(*key) or "")
        shown[key] = tuple(name for name in wanted if name in known)
    return shown


def _held(predicted: Predicted, key: tuple[str, str], model: str) -> HeldOut:
    return predicted.held_out[(*key, model, MAIN_SCHEME)]


def compared(predicted: Predicted) -> Works:
    """What is worked out beside the scores, by the table whose rows it gives (see ``comparison_tables``)."""
    data, shown = predicted.data, shown_models(predicted)
    held = {key: [(name, _held(predicted, key, name)) for name in names] for key, names in shown.items()}
    return {
        "comparisons": [work for one in data.values() for work in _pairs(one, predicted)],
        "thermometers": [_by_reader(data[key], *each) for key, models in held.items() for each in models],
        "site_offsets": [_site_offsets(data[key], *models[0]) for key, models in held.items() if models],
        "stocks": [stock_pairs(data[key], *models) for key, models in held.items()],
    }


def comparison_tables(scored: DevelopmentScores, shown: Shown) -> dict[str, pd.DataFrame]:
    """Frames of what ``compared`` worked out, and the pitfall of first-seen dates. shown: ``shown_models``.

    comparisons, paired differences of models on the same held-out tanks, COMPARISON_COLUMNS: every published or
    given model against every other, and every model against own constant units; an own fit that is another of them
    under another name, once. mae_gain_days: by how many days
    the model misses less (positive: better), on tanks looked at within a fortnight; log_score_gain: mean gain of
    log score per tank. Limits (95 %) and p_value carry batch and site as crossed groups. band: 10th and 90th per
    cent of the tanks' means (°C); is_told_apart: the limits of days leave out 0. A look of unknown hour may have
    been at the start of its day, and a model that stays is then off by up to a day more or less: what the looks
    tell apart must hold there too. earlier_gain_days: the gain there, blank where there was nothing to lose;
    p_value: the larger of both, 1 where the other model is the better one there.

    thermometers, bias of each model shown in logger-read and hand-read tanks and the difference of the two,
    THERMOMETER_COLUMNS. read_by: logger, hand, or hand_less_logger; all three come from one fit with batch and
    site as crossed groups. site_sd_days: spread of the bias between sites; days_per_c: days by which one °C of
    thermometer error moves a prediction (negative: earlier when it reads warm); implied_offset_c: the reading
    error that would make the bias by itself. Blank under 3 batches or 3 sites.

    site_offsets, how far the predictions of each site's tanks lie from those of the others, SITE_COLUMNS: by the
    first of the models shown, from one fit with batch and site as crossed groups. offset_days: shrunken effect of
    the site (negative: predicted early, as a thermometer that reads warm makes it) with 95 % limits by Student's
    t; p_value: against the nearest offset that looks at another hour of the day than elsewhere can make; p_family:
    over the sites (Holm); both NaN for a site with one tank, of which one wrong date makes as much;
    implied_offset_c: reading error that would make it. No row where the sites do not differ, or there are under 3
    batches or sites.

    stocks, by how much the first model that was not fitted here is later for one donor stock than for another,
    STOCK_COLUMNS, see ``stock_pairs``.

    first_seen, what taking first-seen dates for the events would have made of the first model shown,
    FIRST_SEEN_COLUMNS. shift_days: bias by first-seen dates minus bias by intervals; negative, because an event is
    seen after it happened and every model then looks early.
    """
    found = {name: in_order(scored.beside[name], columns) for name, columns in _COLUMNS.items()}
    readers = found["thermometers"]
    readers["implied_offset_c"] = readers["bias_days"] / readers["days_per_c"].where(readers["days_per_c"] != 0)
    first = [(*key, models[0]) for key, models in shown.items() if models]
    return {**found, "first_seen": _first_seen(scored.scores, first)}


@dataclass(frozen=True)
class _Judged:
    """A model on the tanks of a stage: which it may be judged on, errors in days, the same if the looks were as
    early in their day as they can have been, log scores."""

    model: str
    is_fair: Masks
    errors: Floats
    earlier: Floats
    log_scores: Floats


def _pairs(one: StageData, predicted: Predicted) -> list[Work[Rows]]:
    hour = hour_days(one.records, np.ones(len(one.rows), dtype=bool))  # own fits would move with the looks
    known: dict[str, _Judged] = {}
    for name in (*one.models, *(f"own_{form}" for form, fit in one.fits.items() if not _is_another(one, fit))):
        held = _held(predicted, (one.species, one.stage), name)
        errors, earlier = (_absolute(one, held, early) for early in (0.0, 0.0 if is_own(name) else hour))
        known[name] = _Judged(name, is_fair(name, held), errors, earlier, tank_log_scores(held))
    pairs = [*combinations([name for name in known if not is_own(name)], 2)]
    pairs += [(name, BASE) for name in known if name != BASE and BASE in known]
    return [_compared(one, known[model], known[against]) for model, against in pairs]


def _is_another(one: StageData, fit: DevelopmentFit) -> bool:
    """Whether a fit of three constants ended at its limit, where it is the exponential under another name."""
    return fit.is_curvature_at_limit and "exponential" in one.fits


def _compared(one: StageData, model: _Judged, against: _Judged) -> Work[Rows]:
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
    return [row]


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


def _first_seen(scores: pd.DataFrame, wanted: Sequence[tuple[str, str, str]]) -> pd.DataFrame:
    main = scores[(scores["scheme"] == MAIN_SCHEME) & (scores["band"] == "all") & scores["mae_days"].notna()]
    chosen = main[pd.MultiIndex.from_frame(main[["species", "stage", "model"]]).isin(wanted)]
    shift = chosen["bias_first_seen_days"] - chosen["bias_days"]
    return chosen.assign(shift_days=shift).loc[:, list(FIRST_SEEN_COLUMNS)].reset_index(drop=True)


# A tank is a logger's when a logger read this share of its days up to the event.
LEAST_LOGGER_PCT = 50.0
HAND_LESS_LOGGER = "hand_less_logger"
# Half a degree is what a household thermometer may be off; its effect on a date is found by adding it.
_NUDGE_C = 0.5
# Logger-read, hand-read, and the second less the first.
_WITH_DIFFERENCE = np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, 1.0]])
FEWEST_TANKS_OF_A_SITE = 2
"""A single tank cannot tell its site's thermometer from a wrong date of its own."""
SITE_COLUMNS = (
    "species", "stage", "model", "site_id", "tanks", "batches", "offset_days", "offset_low", "offset_high",
    "p_value", "p_family", "days_per_c", "implied_offset_c",
)  # fmt: skip
THERMOMETER_COLUMNS = (
    "species", "stage", "model", "read_by", "tanks", "batches", "sites", "bias_days", "bias_low", "bias_high",
    "p_value", "site_sd_days", "days_per_c", "implied_offset_c", "note",
)  # fmt: skip


_COLUMNS = {
    "comparisons": COMPARISON_COLUMNS, "thermometers": THERMOMETER_COLUMNS, "site_offsets": SITE_COLUMNS,
    "stocks": STOCK_COLUMNS,
}  # fmt: skip


def _site_offsets(one: StageData, model: str, held: HeldOut) -> Work[Rows]:
    is_in = is_fair(model, held)
    if _too_few(_counts(one, is_in)):
        return []
    (error,) = yield [mean_error(one.records, held, is_in)]
    if not error.group_sd.get("site", 0.0) > 0.0:
        return []
    batch = one.records.batch[is_in]
    names, codes, tanks = np.unique(one.records.labels["site"][is_in], return_inverse=True, return_counts=True)
    batches = [len(np.unique(batch[codes == code])) for code in range(len(names))]
    offset = -error.effects["site"]
    std_error = np.sqrt(np.diag(error.posterior)[error.blocks["site"]])
    df = max(len(batch) - len(names) - len(np.unique(batch)), 1)
    half = stdtrit(df, 0.975) * std_error
    beyond = np.maximum(np.abs(offset) - hour_days(one.records, is_in), 0.0)
    p_value = np.where(tanks < FEWEST_TANKS_OF_A_SITE, np.nan, 2.0 * stdtr(df, -beyond / std_error))
    days_per_c = _days_per_c(one, is_in)
    columns = {
        "species": one.species, "stage": one.stage, "model": model, "site_id": names, "tanks": tanks,
        "batches": batches, "offset_days": offset, "offset_low": offset - half, "offset_high": offset + half,
        "p_value": p_value, "p_family": holm(p_value), "days_per_c": days_per_c,
        "implied_offset_c": offset / days_per_c if days_per_c else np.nan,
    }  # fmt: skip
    return [dict(zip(columns, row, strict=True)) for row in pd.DataFrame(columns).itertuples(index=False)]


def _is_read_by_hand(one: StageData) -> Masks:
    """True for the tanks that no logger read for long enough."""
    share = one.rows.get("logger_pct", pd.Series(0.0, one.rows.index)).astype(float).fillna(0.0)
    return (share < LEAST_LOGGER_PCT).to_numpy(dtype=bool)


def _by_reader(one: StageData, model: str, held: HeldOut) -> Work[Rows]:
    """One model's logger-read tanks, hand-read tanks, and the difference, from one fit with batch and site.

    Where there are too few of one kind the other is fitted by itself.
    """
    is_in, is_hand = is_fair(model, held), _is_read_by_hand(one)
    masks = {"logger": is_in & ~is_hand, "hand": is_in & is_hand}
    rows: dict[str, dict[str, Any]] = {name: _counts(one, mask) for name, mask in masks.items()}
    few = {name: why for name, counts in rows.items() if (why := _too_few(counts))}
    if few:
        found = iter((yield [mean_error(one.records, held, masks[name]) for name in masks if name not in few]))
        for name in masks:
            rows[name] |= {"note": few[name]} if name in few else _bias(one, next(found), 0, masks[name])
    else:
        by_hand = is_hand[is_in].astype(float)
        wanted = mean_error(one.records, held, is_in, np.column_stack([1.0 - by_hand, by_hand]))
        (error,) = yield [replace(wanted, sums=_WITH_DIFFERENCE)]
        for position, (name, mask) in enumerate(masks.items()):
            rows[name] |= _bias(one, error, position, mask)
        rows[HAND_LESS_LOGGER] = {**_counts(one, is_in), **_limits(error, len(masks))}
    key = {"species": one.species, "stage": one.stage, "model": model}
    return [{**key, "read_by": name, **row} for name, row in rows.items()]


def _bias(one: StageData, error: CrossedMean, position: int, is_in: Masks) -> dict[str, Any]:
    return {
        **_limits(error, position, hour_days(one.records, is_in)),
        "site_sd_days": error.group_sd.get("site", float("nan")),
        "days_per_c": _days_per_c(one, is_in),
    }


def _counts(one: StageData, is_in: Masks) -> dict[str, int]:
    records = one.records
    sites = sites_of(records, is_in)
    return {
        "tanks": int(is_in.sum()),
        "batches": len(np.unique(records.batch[is_in])),
        "sites": 0 if np.isnan(sites) else int(sites),
    }


def _too_few(counts: Mapping[str, int]) -> str:
    """Why nothing is estimated; empty when there is enough."""
    for what, least in (("batches", FEWEST_BATCHES), ("sites", FEWEST_SITES)):
        if counts[what] < least:
            return f"fewer than {least} {what} ({counts[what]}): not estimated"
    return ""


def _limits(error: CrossedMean, position: int, hour: float = 0.0) -> dict[str, Any]:
    """The bias at an index of the estimates, or their difference, in which the hour of looking cancels."""
    why_not = "cannot be told: the looks are too far apart" if error.is_settled else UNSETTLED
    return bias_of(error, position, hour) | {"note": why_not if np.isnan(error.estimate[position]) else ""}


def _days_per_c(one: StageData, is_in: Masks) -> float:
    """Mean change of the predicted day per °C added to every reading, by the best own fit."""
    fit = next(iter(sorted(one.fits.values(), key=lambda fit: -fit.log_likelihood)), None)
    if fit is None:
        return float("nan")
    matrix = matrix_of(one.records).subset(is_in)
    start = one.records.start_fraction[is_in] + one.records.to_start[is_in] @ fit.curve.rate(one.records.grid_c)
    plain = predicted_days(fit.curve.rate, matrix, start)
    warm = predicted_days(lambda temp_c: fit.curve.rate(temp_c + _NUDGE_C), matrix, start)
    return float(np.nanmean(warm - plain) / _NUDGE_C)
