"""Is it the model or the thermometer: bias in tanks read by a logger and in tanks read by hand, and by site.

A site whose thermometer reads half a degree warm puts every prediction of its tanks days too early, and no model
can mend that. Loggers are nearer the truth, so a bias that shows in hand-read tanks only is the thermometers'.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from broodyear.development.censored import Intervals
from broodyear.development.comparisons import MAIN_SCHEME
from broodyear.development.cross_validation import HeldOut, matrix_of, predicted_days
from broodyear.development.interval_mean import common_part, interval_mean
from broodyear.development.score_cells import FEWEST_BATCHES, Known, error_intervals, too_seldom
from broodyear.development.scoring import DevelopmentScores, StageData

Mask = NDArray[np.bool_]

# A tank is a logger's when a logger read this share of its days up to the event.
LEAST_LOGGER_PCT = 50.0
# Half a degree is what a household thermometer may be off; its effect on a date is found by adding it.
_NUDGE_C = 0.5
THERMOMETER_COLUMNS = (
    "species", "stage", "model", "read_by", "tanks", "batches", "sites", "bias_days", "bias_low", "bias_high",
    "site_sd_days", "days_per_c", "implied_offset_c", "note",
)  # fmt: skip


def bias_by_thermometer(
    scores: DevelopmentScores, models: Mapping[tuple[str, str], tuple[str, ...]]
) -> pd.DataFrame:
    """Bias of each model in logger-read and hand-read tanks: THERMOMETER_COLUMNS.

    models: those to show by (species, stage). site_sd_days: spread of the bias between sites beyond that between
    tanks; days_per_c: days by which one °C of thermometer error moves a prediction (negative: earlier when it
    reads warm); implied_offset_c: the reading error that would make the bias by itself. Blank under 3 batches.
    """
    rows = []
    for key, names in models.items():
        one = scores.data[key]
        for model in names:
            held = scores.held_out.get((*key, model, MAIN_SCHEME))
            if held is not None:
                rows += [_subset(one, model, held, read_by) for read_by in ("logger", "hand")]
    return pd.DataFrame(rows, columns=list(THERMOMETER_COLUMNS))


def is_read_by(one: StageData, read_by: str) -> Mask:
    """True for the tanks read by a logger, or by hand."""
    share = one.rows.get("logger_pct")
    if share is None:
        return np.zeros(len(one.rows), dtype=bool) if read_by == "logger" else np.ones(len(one.rows), dtype=bool)
    is_logger = (share.astype(float).fillna(0.0) >= LEAST_LOGGER_PCT).to_numpy(dtype=bool)
    return is_logger if read_by == "logger" else ~is_logger


def _subset(one: StageData, model: str, held: HeldOut, read_by: str) -> dict[str, Any]:
    is_in = is_read_by(one, read_by) & np.isfinite(held.predicted_day)
    batches = len(np.unique(one.records.batch[is_in]))
    place = {"species": one.species, "stage": one.stage, "model": model, "read_by": read_by}
    sites = one.rows.loc[is_in, "site_id"].nunique()
    counts = {"tanks": int(is_in.sum()), "batches": batches, "sites": int(sites)}
    if batches < FEWEST_BATCHES:
        return {**place, **counts, "note": f"{batches} batches, fewer than {FEWEST_BATCHES}: not estimated"}
    errors = _errors(one, held, is_in, one.records.batch.astype(str))
    error, shift = interval_mean(errors), common_part(errors)
    by_site = interval_mean(_errors(one, held, is_in, one.rows["site_id"].astype(str).to_numpy(dtype=str)))
    per_c = _days_per_c(one, held, is_in)
    return {
        **place,
        **counts,
        "bias_days": -error.mean,
        "bias_low": -error.high,
        "bias_high": -error.low,
        "site_sd_days": by_site.group_sd,
        "days_per_c": per_c,
        "implied_offset_c": -error.mean / per_c if per_c else float("nan"),
        "note": "" if shift is None else too_seldom(*shift),
    }


def _errors(one: StageData, held: HeldOut, is_in: Mask, groups: NDArray[np.str_]) -> Intervals:
    known = Known(one.records.absent_day, one.records.seen_day, held.predicted_day, groups)
    return error_intervals(known, is_in)


def _days_per_c(one: StageData, held: HeldOut, is_in: Mask) -> float:
    """Mean change of the predicted day per °C added to every reading, by the best own fit."""
    fit = next(iter(sorted(one.fits.values(), key=lambda fit: -fit.log_likelihood)), None)
    if fit is None:
        return float("nan")
    matrix = matrix_of(one.records.subset(is_in), np.ones(int(is_in.sum())))
    start = one.records.start_fraction[is_in] + one.records.to_start[is_in] @ fit.curve.rate(one.records.grid_c)
    plain = predicted_days(fit.curve.rate, matrix, start)
    warm = predicted_days(lambda temp_c: fit.curve.rate(temp_c + _NUDGE_C), matrix, start)
    return float(np.nanmean(warm - plain) / _NUDGE_C)
