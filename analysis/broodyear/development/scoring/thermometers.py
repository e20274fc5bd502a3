"""Is it the model or the thermometer: bias in tanks read by a logger and in tanks read by hand, and by site.

A site whose thermometer reads half a degree warm puts every prediction of its tanks days too early, and no model
can mend that. Loggers are nearer the truth, so a bias that shows in hand-read tanks only is the thermometers'.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import stdtr, stdtrit

from broodyear.development.arrays import Masks
from broodyear.development.likelihood.crossed import CrossedMean, Work, worked_out
from broodyear.development.likelihood.fitting import FEWEST_BATCHES
from broodyear.development.scoring.cross_validation import MAIN_SCHEME, HeldOut, is_fair, matrix_of, predicted_days
from broodyear.development.scoring.held_out_scores import StageScores
from broodyear.development.scoring.score_cells import FEWEST_SITES, UNSETTLED, hour_days, mean_error, sites_of
from broodyear.development.scoring.stage_data import StageData
from broodyear.statistics.multiplicity import holm

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


def bias_by_thermometer(scores: StageScores, models: Mapping[tuple[str, str], tuple[str, ...]]) -> pd.DataFrame:
    """Bias of each model in logger-read and hand-read tanks and the difference of the two: THERMOMETER_COLUMNS.

    models: those to show by (species, stage). read_by: logger, hand, or hand_less_logger; all three come from one
    fit with batch and site as crossed groups. site_sd_days: spread of the bias between sites; days_per_c: days by
    which one °C of thermometer error moves a prediction (negative: earlier when it reads warm); implied_offset_c:
    the reading error that would make the bias by itself. Blank under 3 batches or 3 sites.
    """
    works = [
        _by_reader(scores.data[key], model, held)
        for key, names in models.items()
        for model in names
        if (held := scores.held_out.get((*key, model, MAIN_SCHEME))) is not None
    ]
    rows = [row for rows in worked_out(works) for row in rows]
    table = pd.DataFrame(rows, columns=list(THERMOMETER_COLUMNS))
    table["implied_offset_c"] = table["bias_days"] / table["days_per_c"].where(table["days_per_c"] != 0)
    return table


def offsets_by_site(scores: StageScores, models: Mapping[tuple[str, str], tuple[str, ...]]) -> pd.DataFrame:
    """How far the predictions of each site's tanks lie from those of the others: SITE_COLUMNS.

    By the first of the models shown, from one fit with batch and site as crossed groups. offset_days: shrunken
    effect of the site (negative: predicted early, as a thermometer that reads warm makes it) with 95 % limits by
    Student's t; p_value: against the nearest offset that looks at another hour of the day than elsewhere can make;
    p_family: over the sites (Holm); both NaN for a site with one tank, of which one wrong date makes as much;
    implied_offset_c: reading error that would make it. No row where the sites do
    not differ, or there are under 3 batches or sites.
    """
    works = [
        _site_offsets(scores.data[key], names[0], held)
        for key, names in models.items()
        if names and (held := scores.held_out.get((*key, names[0], MAIN_SCHEME))) is not None
    ]
    frames = [frame for frame in worked_out(works) if frame is not None]
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=list(SITE_COLUMNS))


def _site_offsets(one: StageData, model: str, held: HeldOut) -> Work[pd.DataFrame | None]:
    is_in = is_fair(model, held)
    if _too_few(_counts(one, is_in)):
        return None
    (error,) = yield [mean_error(one.records, held, is_in)]
    if not error.group_sd.get("site", 0.0) > 0.0:
        return None
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
    return pd.DataFrame(columns, columns=list(SITE_COLUMNS))


def _is_read_by_hand(one: StageData) -> Masks:
    """True for the tanks that no logger read for long enough."""
    share = one.rows.get("logger_pct", pd.Series(0.0, one.rows.index)).astype(float).fillna(0.0)
    return (share < LEAST_LOGGER_PCT).to_numpy(dtype=bool)


def _by_reader(one: StageData, model: str, held: HeldOut) -> Work[list[dict[str, Any]]]:
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
    place = {"species": one.species, "stage": one.stage, "model": model}
    return [{**place, "read_by": name, **row} for name, row in rows.items()]


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
    """The bias at a place of the estimates, or their difference, in which the hour of looking cancels."""
    low, high = error.interval(position)
    mean = float(error.estimate[position])
    why_not = "cannot be told: the looks are too far apart" if error.is_settled else UNSETTLED
    note = why_not if np.isnan(mean) else ""
    return {
        "bias_days": -mean,
        "bias_low": -high,
        "bias_high": -low,
        "p_value": error.p_value(position, hour),
        "note": note,
    }


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
