"""Models of development scored on tanks they were not fitted to."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from broodyear.development.copied_dates import CopiedDates, find_copied_dates
from broodyear.development.cross_validation import (
    SCHEMES,
    HeldOut,
    blocks_of,
    hold_out,
    matrix_of,
    own_model,
    published_model,
)
from broodyear.development.curve_likelihood import TankFit
from broodyear.development.fit_result import DevelopmentFit
from broodyear.development.fitting import fit_tank_records
from broodyear.development.published import as_curve, constant_units_model, default_model
from broodyear.development.record_checks import MISS_REASON, UNITS_REASON, has_implausible_units, is_far_off
from broodyear.development.score_cells import (
    BAND_NAMES,
    MEASURES,
    first_seen_scores,
    in_band,
    mean_absolute_error,
    score_cell,
)
from broodyear.development.stage_rows import stage_rows
from broodyear.development.tank_records import TankRecords, tank_records
from broodyear.errors import NothingToAnalyse, Refused

Floats = NDArray[np.float64]

# The power form is the log_inverse form in other symbols and would only repeat its row.
SCORED_FORMS = ("constant_units", "exponential", "log_inverse")
# A tank may not have reached the model's events otherwise: eyed eggs are delivered eyed, feeding is an action.
SCORED_STAGES = ("hatch_half", "button_up")
DEFAULT_SEED = 20240801
SCORE_COLUMNS = (
    "species", "stage", "model", "scheme", "band", "tanks", "batches", "bias_days", "bias_low", "bias_high",
    "mae_days", "coverage_50", "coverage_80", "coverage_95", "log_score", "skill_vs_constant", "bias_se",
    "interval_distance_days", "bias_first_seen_days", "mae_first_seen_days", "pit_mean", "pit_sd", "blocks",
    "tanks_outside_tested", "note",
)  # fmt: skip


@dataclass(frozen=True)
class StageData:
    """One species and stage ready to score: its rows, its tank records, and its fits to all tanks.

    fits: by form; refused: form → why there is none.
    """

    species: str
    stage: str
    rows: pd.DataFrame
    records: TankRecords
    fits: Mapping[str, DevelopmentFit]
    refused: Mapping[str, str]


@dataclass(frozen=True)
class DevelopmentScores:
    """Everything the validation found.

    scores: the rows of scores.csv; data: by (species, stage); held_out: by (species, stage, model, scheme);
    copied: dates copied from a forecast; left_out: frame species, stage, reason, rows.
    """

    scores: pd.DataFrame
    data: Mapping[tuple[str, str], StageData]
    held_out: Mapping[tuple[str, str, str, str], HeldOut]
    copied: CopiedDates
    left_out: pd.DataFrame


def score_development(source: Any, **options: Any) -> pd.DataFrame:
    """The rows of scores.csv: models scored by leaving out one batch, one site, one season at a time.

    source: an open store, a mapping of the derived tables observed_stages, daily_temperature and tank_seasons, or
    one frame of tank records (see ``tank_records``) with species, stage, and where known site_id and season.
    Options as in ``score_everything``. Own fits are named own_<form> and refitted inside each fold; published
    models stay as they are. Cells with fewer than 3 batches are blank with a note.
    """
    return score_everything(source, **options).scores


def score_everything(
    source: Any,
    *,
    daily: Any = None,
    stages: Sequence[str] = SCORED_STAGES,
    schemes: Sequence[str] = tuple(SCHEMES),
    forms: Sequence[str] = SCORED_FORMS,
    seed: int = DEFAULT_SEED,
) -> DevelopmentScores:
    """Scores with the fits, predictions and exclusions behind them.

    daily: the tanks' temperatures, where source is one frame; seed: of the randomised probability transforms.
    Raises NothingToAnalyse when no stage of any species can be scored.
    """
    rows = source if isinstance(source, pd.DataFrame) else stage_rows(source)
    rows = _completed(rows)
    copied = find_copied_dates(rows)
    data, left_out = _stage_data(rows, copied, daily, stages, forms)
    if not data:
        raise NothingToAnalyse("no stage has a tank that can be scored; see left_out for the reasons")
    held_out: dict[tuple[str, str, str, str], HeldOut] = {}
    scored: list[dict[str, Any]] = []
    for key, one in data.items():
        rng = np.random.default_rng([seed, len(scored)])
        for scheme in schemes:
            predicted = _predict(one, scheme)
            held_out.update({(*key, model, scheme): held for model, held in predicted.items()})
            scored += _scheme_rows(one, scheme, predicted, rng)
        scored += [_refused_row(one, form) for form in one.refused]
    table = pd.DataFrame(scored, columns=list(SCORE_COLUMNS))
    return DevelopmentScores(table, data, held_out, copied, left_out)


_OPTIONAL: Mapping[str, Any] = {
    "species": "other", "stage": "hatch_half", "season": 0, "site_id": "site", "dating": "seen",
    "set_point_c": np.nan, "last_absent_on": pd.NaT, "first_seen_on": pd.NaT, "delivered_on": pd.NaT,
    "units_at_delivery_c_days": np.nan, "stage_at_delivery": "green", "lot_id": None,
    "usable": True, "why_not": None,
}  # fmt: skip


def _completed(rows: pd.DataFrame) -> pd.DataFrame:
    """The frame with every column the scoring reads, under defaults where it has none."""
    absent = {name: value for name, value in _OPTIONAL.items() if name not in rows.columns}
    if "fraction_at_start" not in rows.columns and "units_at_delivery_c_days" in absent:
        absent["fraction_at_start"] = 0.0
    return rows.assign(**absent).reset_index(drop=True)


def _stage_data(
    rows: pd.DataFrame, copied: CopiedDates, daily: Any, stages: Sequence[str], forms: Sequence[str]
) -> tuple[dict[tuple[str, str], StageData], pd.DataFrame]:
    data: dict[tuple[str, str], StageData] = {}
    left_out: list[dict[str, Any]] = []
    for (species, stage), group in rows[rows["stage"].isin(list(stages))].groupby(["species", "stage"], sort=True):
        reasons, kept = _kept(group, copied)
        try:
            records = tank_records(kept, daily) if len(kept) else None
        except NothingToAnalyse as nothing:
            records, reasons[str(nothing)] = None, len(kept)
        if records is not None:
            reasons |= dict(records.left_out)
            records = _without_far_off(records, reasons)
        left_out += [{"species": species, "stage": stage, "reason": why, "rows": n} for why, n in reasons.items()]
        if records is not None:
            key = (str(species), str(stage))
            data[key] = StageData(
                *key, kept.iloc[records.rows].reset_index(drop=True), records, *_fits(records, forms)
            )
    return data, pd.DataFrame(left_out, columns=["species", "stage", "reason", "rows"])


def fits_by_stage(rows: pd.DataFrame, stages: Sequence[str]) -> dict[tuple[str, str], dict[str, DevelopmentFit]]:
    """Own fits by (species, stage) and form to stage rows (see ``stage_rows``), copied dates left out."""
    rows = _completed(rows)
    data, _ = _stage_data(rows, find_copied_dates(rows), None, stages, SCORED_FORMS)
    return {key: dict(one.fits) for key, one in data.items()}


def _without_far_off(records: TankRecords, reasons: dict[str, int]) -> TankRecords:
    """The records without those that cannot be right, which are added to the reasons."""
    is_wrong = is_far_off(records)
    if is_wrong.any():
        reasons[MISS_REASON] = int(is_wrong.sum())
    return records.subset(~is_wrong)


def _kept(group: pd.DataFrame, copied: CopiedDates) -> tuple[dict[str, int], pd.DataFrame]:
    """Rows fit to score, and the reasons for the others."""
    is_declared, is_suspected = copied.is_declared.loc[group.index], copied.is_suspected.loc[group.index]
    is_wrong = has_implausible_units(group) & ~is_declared & ~is_suspected
    is_unusable = ~group["usable"].astype(bool) & ~is_declared & ~is_suspected & ~is_wrong
    reasons = {
        "date copied from a forecast, by its own word": int(is_declared.sum()),
        "date taken for copied from a forecast sheet": int(is_suspected.sum()),
        UNITS_REASON: int(is_wrong.sum()),
        **{str(why): int(n) for why, n in group.loc[is_unusable, "why_not"].value_counts().items()},
    }
    kept = group[~is_declared & ~is_suspected & ~is_unusable & ~is_wrong]
    return {why: n for why, n in reasons.items() if n}, kept


def _fits(records: TankRecords, forms: Sequence[str]) -> tuple[dict[str, DevelopmentFit], dict[str, str]]:
    fits: dict[str, DevelopmentFit] = {}
    refused: dict[str, str] = {}
    for form in forms:
        try:
            fits[form] = fit_tank_records(records, form)
        except Refused as refusal:
            refused[form] = str(refusal)
    return fits, refused


def _predict(one: StageData, scheme: str) -> dict[str, HeldOut]:
    """Held-out predictions of every model, own and published."""
    records = one.records
    share = (
        one.rows["first_day_share"].to_numpy(dtype=float)
        if "first_day_share" in one.rows
        else np.ones(len(one.rows))
    )
    matrix = matrix_of(records, share)
    block = blocks_of(one.rows[SCHEMES[scheme]], scheme)
    predicted = {
        f"own_{form}": hold_out(records, matrix, block, own_model(form, _tank_fit(fit), fit.shape, fit.batches))
        for form, fit in one.fits.items()
    }
    names = {default_model(one.species, one.stage), constant_units_model(one.species, one.stage)} - {None}
    for name in sorted(str(name) for name in names):
        predicted[name] = hold_out(records, matrix, block, published_model(as_curve(name)))
    return predicted


def _tank_fit(fit: DevelopmentFit) -> TankFit:
    effects = fit.batch_effects
    return TankFit(
        fit.free,
        fit.spread_log_sd,
        fit.batch_log_sd,
        fit.covariance,
        fit.log_likelihood,
        effects["log_effect"].to_numpy(dtype=float),
        effects["std_error"].to_numpy(dtype=float),
        False,
    )


def _scheme_rows(
    one: StageData, scheme: str, predicted: Mapping[str, HeldOut], rng: np.random.Generator
) -> list[dict[str, Any]]:
    scored: list[dict[str, Any]] = []
    base = predicted.get("own_constant_units")
    for model, held in predicted.items():
        is_published = not model.startswith("own_")
        is_fit = held.is_tested if is_published else np.ones(len(held.predicted_day), dtype=bool)
        for band in BAND_NAMES:
            is_band = in_band(one.records.mean_temp_c, band)
            cell = score_cell(one.records, held, is_band & is_fit, rng)
            note = "; ".join(part for part in (cell.pop("note"), held.note if band == "all" else "") if part)
            is_scored = bool(np.isfinite(cell["mae_days"]))
            seen = first_seen_scores(one.records, held, is_band & is_fit) if is_scored else {}
            is_outside = is_band & ~held.is_tested & np.isfinite(held.predicted_day)
            place = {"species": one.species, "stage": one.stage, "model": model, "scheme": scheme, "band": band}
            extra = {
                "blocks": held.blocks,
                "tanks_outside_tested": int(is_outside.sum()),
                "skill_vs_constant": _skill(one, base, model, is_band & is_fit, cell) if is_scored else np.nan,
                "note": note,
            }
            scored.append({**place, **cell, **seen, **extra})
    return scored


def _skill(
    one: StageData,
    base: HeldOut | None,
    model: str,
    is_in: NDArray[np.bool_],
    cell: Mapping[str, Any],
) -> float:
    """1 − MAE / MAE of own constant units on the same tanks; 0 for these themselves, NaN where there are none."""
    if base is None:
        return float("nan")
    if model == "own_constant_units":
        return 0.0
    constant = mean_absolute_error(one.records, base, is_in)
    return float(1.0 - cell["mae_days"] / constant) if constant > 0 else float("nan")


def _refused_row(one: StageData, form: str) -> dict[str, Any]:
    return {
        "species": one.species, "stage": one.stage, "model": f"own_{form}", "scheme": "batch_out", "band": "all",
        "tanks": len(one.records.tank_id), "batches": len(one.records.batches),
        **dict.fromkeys((*MEASURES, "skill_vs_constant"), np.nan), "note": f"refused: {one.refused[form]}",
    }  # fmt: skip
