"""Models of development scored on tanks they were not fitted to."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from broodyear.claims import Reason
from broodyear.development.likelihood.curve_likelihood import TankFit
from broodyear.development.likelihood.fit_result import DevelopmentFit, best_fit
from broodyear.development.likelihood.fitting import fit_tank_records
from broodyear.development.likelihood.tank_records import TankRecords, tank_records
from broodyear.development.models.forms import Curve
from broodyear.development.models.own_models import DevelopmentModel, name_problems, nominal_models
from broodyear.development.models.published import as_curve, model_row, scored_models
from broodyear.development.scoring.copied_dates import CopiedDates, find_copied_dates
from broodyear.development.scoring.cross_validation import (
    SCHEMES,
    HeldOut,
    blocks_of,
    hold_out,
    matrix_of,
    own_model,
    published_model,
)
from broodyear.development.scoring.record_checks import UNITS_REASON, has_implausible_units, is_far_off
from broodyear.development.scoring.score_cells import MEASURES
from broodyear.development.scoring.stage_cells import StageCells
from broodyear.development.scoring.stage_rows import stage_rows
from broodyear.errors import NothingToAnalyse, Refused, UsageError
from broodyear.settings import Settings

Floats = NDArray[np.float64]

# The power form is the log_inverse form in other symbols and would only repeat its row.
SCORED_FORMS = ("constant_units", "exponential", "log_inverse")
# A tank may not have reached the model's events otherwise: eyed eggs are delivered eyed, feeding is an action.
SCORED_STAGES = ("hatch_half", "button_up")
DEFAULT_SEED = 20240801
SCORE_COLUMNS = (
    "species", "stage", "model", "scheme", "band", "tanks", "batches", "bias_days", "bias_low", "bias_high",
    "mae_days", "coverage_50", "coverage_80", "coverage_95", "log_score", "skill_vs_constant", "bias_se",
    "p_value", "donor_stock", "suspects", "bias_without_suspects", "mae_without_suspects",
    "coverage_95_without_suspects", "interval_distance_days", "bias_first_seen_days", "mae_first_seen_days",
    "pit_mean", "pit_sd", "blocks", "tanks_outside_tested", "sites", "unscored", "note",
)  # fmt: skip


@dataclass(frozen=True)
class StageData:
    """One species and stage ready to score: its rows, its tank records, and its fits to all tanks.

    fits: by form; refused: form → why there is none; models: published and given ones to score, by name;
    is_suspect: (n,) True where the date of a tank is probably a wrong one.
    """

    species: str
    stage: str
    rows: pd.DataFrame
    records: TankRecords
    fits: Mapping[str, DevelopmentFit]
    refused: Mapping[str, str]
    models: Mapping[str, str | DevelopmentModel]
    is_suspect: NDArray[np.bool_]

    def curve(self, model: str) -> Curve:
        """The curve of a scored model."""
        if model.startswith("own_"):
            return self.fits[model.removeprefix("own_")].curve
        return as_curve(self.models[model])


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
    models: Sequence[Any] = (),
    seed: int = DEFAULT_SEED,
) -> DevelopmentScores:
    """Scores with the fits, predictions and exclusions behind them.

    daily: the tanks' temperatures, where source is one frame; models: DevelopmentModel of one's own, or names of
    published models, scored beside every published model of their species and stage; seed: of the randomised
    probability transforms. Raises NothingToAnalyse when no stage of any species can be scored, UsageError for
    models that are neither or share a name.
    """
    chosen = (*nominal_models(getattr(source, "settings", Settings())), *_checked_models(models))
    rows = source if isinstance(source, pd.DataFrame) else stage_rows(source)
    rows = _completed(rows)
    copied = find_copied_dates(rows)
    data, left_out = _stage_data(rows, copied, daily, stages, forms, chosen)
    if not data:
        raise NothingToAnalyse("no stage has a tank that can be scored; see left_out for the reasons")
    held_out: dict[tuple[str, str, str, str], HeldOut] = {}
    scored: list[dict[str, Any]] = []
    for key, one in data.items():
        rng = np.random.default_rng([seed, len(scored)])
        cells = StageCells(one, rng)
        for scheme in schemes:
            predicted = _predict(one, scheme)
            held_out.update({(*key, model, scheme): held for model, held in predicted.items()})
            scored += cells.rows(scheme, predicted)
        scored += [_refused_row(one, form) for form in one.refused]
    table = pd.DataFrame(scored, columns=list(SCORE_COLUMNS))
    return DevelopmentScores(table, data, held_out, copied, left_out)


_OPTIONAL: Mapping[str, Any] = {
    "species": "other", "stage": "hatch_half", "season": 0, "site_id": None, "donor_stock": None, "dating": "seen",
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
    rows: pd.DataFrame,
    copied: CopiedDates,
    daily: Any,
    stages: Sequence[str],
    forms: Sequence[str],
    models: Sequence[DevelopmentModel] = (),
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
        left_out += [{"species": species, "stage": stage, "reason": why, "rows": n} for why, n in reasons.items()]
        if records is not None:
            key = (str(species), str(stage))
            fits, refused = _fits(records, forms)
            used = kept.iloc[records.rows].reset_index(drop=True)
            named = _models_of(*key, models)
            data[key] = StageData(*key, used, records, fits, refused, named, _suspects(records, fits))
    return data, pd.DataFrame(left_out, columns=["species", "stage", "reason", "rows"])


def fits_by_stage(rows: pd.DataFrame, stages: Sequence[str]) -> dict[tuple[str, str], dict[str, DevelopmentFit]]:
    """Own fits by (species, stage) and form to stage rows (see ``stage_rows``), copied dates left out."""
    rows = _completed(rows)
    data, _ = _stage_data(rows, find_copied_dates(rows), None, stages, SCORED_FORMS)
    return {key: dict(one.fits) for key, one in data.items()}


def _suspects(records: TankRecords, fits: Mapping[str, DevelopmentFit]) -> NDArray[np.bool_]:
    """True for dates that are probably wrong, by the best own fit or, without one, by a rough curve."""
    fit = best_fit(fits)
    if fit is None or fit.groups is None or np.isnan(fit.groups.wrong_probability).any():
        return is_far_off(records)
    return np.asarray(fit.groups.wrong_probability > 0.5)


def _models_of(species: str, stage: str, models: Sequence[DevelopmentModel]) -> dict[str, str | DevelopmentModel]:
    """Models to score for a species and stage: those given, then every published one that is not doubted."""
    own = {one.name: one for one in models if (one.species, one.stage) == (species, stage)}
    counted = {name: one for name, one in own.items() if one.counted_from == "fertilisation"}
    return {**counted, **{name: name for name in scored_models(species, stage)}}


def _checked_models(models: Sequence[Any]) -> tuple[DevelopmentModel, ...]:
    given = [models] if isinstance(models, str | DevelopmentModel) else list(models)
    problems = [
        f"a model to score is a DevelopmentModel or the name of a published model, but {one!r} was given"
        for one in given
        if not isinstance(one, str | DevelopmentModel)
    ]
    for name in given:
        if isinstance(name, str):
            model_row(name)
    own = tuple(one for one in given if isinstance(one, DevelopmentModel))
    problems += name_problems(own)
    if problems:
        raise UsageError("; ".join(problems))
    return own


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
    for name, model in one.models.items():
        predicted[name] = hold_out(records, matrix, block, published_model(model))
    return predicted


def _tank_fit(fit: DevelopmentFit) -> TankFit:
    effects = fit.batch_effects
    return TankFit(
        fit.free,
        fit.spread_log_sd,
        fit.batch_log_sd,
        fit.wrong_share,
        fit.covariance,
        fit.log_likelihood,
        effects["log_effect"].to_numpy(dtype=float),
        effects["std_error"].to_numpy(dtype=float),
        False,
    )


def _refused_row(one: StageData, form: str) -> dict[str, Any]:
    return {
        "species": one.species, "stage": one.stage, "model": f"own_{form}", "scheme": "batch_out", "band": "all",
        "donor_stock": "", "tanks": len(one.records.tank_id), "batches": len(one.records.batches),
        **dict.fromkeys((*MEASURES, "skill_vs_constant"), np.nan), "unscored": str(Reason.NOT_CONVERGED),
        "note": f"refused: {one.refused[form]}",
    }  # fmt: skip
