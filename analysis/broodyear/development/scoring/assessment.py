"""The whole validation of thermal-unit models in one call: what a report on development shows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from broodyear.claims import Claim
from broodyear.development.likelihood.fit_result import DevelopmentFit, best_fit
from broodyear.development.models.disagreements import published_disagreements
from broodyear.development.models.own_models import DevelopmentModel
from broodyear.development.models.published import default_model
from broodyear.development.scoring.comparisons import first_seen_pitfall, model_comparisons
from broodyear.development.scoring.cross_validation import MAIN_SCHEME, HeldOut
from broodyear.development.scoring.held_out_scores import (
    DEFAULT_SEED,
    DevelopmentScores,
    score_everything,
)
from broodyear.development.scoring.model_claims import development_claims
from broodyear.development.scoring.stage_data import StageData
from broodyear.development.scoring.statements import StageFindings, all_statements, findings_for
from broodyear.development.scoring.thermometers import bias_by_thermometer

SUSPECT_COLUMNS = (
    "species", "stage", "season", "tank_id", "last_absent_on", "first_seen_on", "model", "days_off",
)  # fmt: skip
# Published values within this of each other agree as well as their rounding allows.
LISTED_DISAGREEMENT_PCT = 3.0

PREDICTION_COLUMNS = (
    "species", "stage", "model", "season", "tank_id", "batch_id", "mean_temp_c", "absent_day", "seen_day",
    "predicted_day", "log_sd", "is_tested", "equivalent_low_days", "equivalent_high_days",
)  # fmt: skip


@dataclass(frozen=True)
class DevelopmentAssessment:
    """Everything a report on development needs, as frames and fits.

    scores: rows of scores.csv; claims: what they show; statements: topic, species, stage, sentence; comparisons,
    thermometers, first_seen: see ``comparisons`` and ``thermometers``; left_out: species, stage, reason, rows;
    gaps: stages left out for days not read, and what would have kept them;
    copied_sheets: sheets found; suspects: dates that are probably wrong; predictions: one row per held-out tank
    of the shown models; disagreements: published pairs against published models, by size; coefficients: own fits'
    constants; fits: by (species, stage) and form; given: models of one's own by name; shown: the models to show by
    (species, stage), own first.
    """

    scores: pd.DataFrame
    claims: tuple[Claim, ...]
    statements: pd.DataFrame
    comparisons: pd.DataFrame
    thermometers: pd.DataFrame
    first_seen: pd.DataFrame
    left_out: pd.DataFrame
    gaps: pd.DataFrame
    copied_sheets: pd.DataFrame
    suspects: pd.DataFrame
    predictions: pd.DataFrame
    disagreements: pd.DataFrame
    coefficients: pd.DataFrame
    fits: Mapping[tuple[str, str], Mapping[str, DevelopmentFit]]
    given: Mapping[str, DevelopmentModel]
    shown: Mapping[tuple[str, str], tuple[str, ...]]


def assess_development(source: Any, *, seed: int = DEFAULT_SEED, **options: Any) -> DevelopmentAssessment:
    """Score, compare and put into words. source and options as in ``score_everything``.

    Raises NothingToAnalyse when no stage of any species can be scored.
    """
    scored = score_everything(source, seed=seed, **options)
    shown = shown_models(scored)
    comparisons = model_comparisons(scored)
    thermometers = bias_by_thermometer(scored, shown)
    first_seen = first_seen_pitfall(scored, {key: models[0] for key, models in shown.items() if models})
    findings = [
        StageFindings(
            *key,
            models,
            scores=findings_for(scored.scores, *key),
            comparisons=findings_for(comparisons, *key),
            first_seen=findings_for(first_seen, *key),
            left_out=findings_for(scored.left_out, *key),
            gaps=findings_for(scored.gaps, *key),
            carried=pd.Series(scored.data[key].records.gap_se_days),
        )
        for key, models in shown.items()
    ]
    return DevelopmentAssessment(
        scores=scored.scores,
        claims=development_claims(scored.scores, comparisons, thermometers),
        statements=all_statements(scored, findings),
        comparisons=comparisons,
        thermometers=thermometers,
        first_seen=first_seen,
        left_out=scored.left_out,
        gaps=scored.gaps,
        copied_sheets=scored.copied.sheets,
        suspects=_suspects(scored, shown),
        predictions=_predictions(scored, shown),
        disagreements=published_disagreements(LISTED_DISAGREEMENT_PCT),
        coefficients=_coefficients(scored),
        fits={key: dict(one.fits) for key, one in scored.data.items()},
        given={
            name: model
            for one in scored.data.values()
            for name, model in one.models.items()
            if isinstance(model, DevelopmentModel)
        },
        shown=shown,
    )


def shown_models(scored: DevelopmentScores) -> dict[tuple[str, str], tuple[str, ...]]:
    """By (species, stage): the best own form, then models given, then the published default, as scored."""
    table = scored.scores
    is_main = (table["scheme"] == MAIN_SCHEME) & (table["band"] == "all") & table["log_score"].notna()
    shown = {}
    for key, one in scored.data.items():
        is_key = (table["species"] == key[0]) & (table["stage"] == key[1])
        known = set(table.loc[is_main & is_key, "model"])
        fit = best_fit(one.fits)
        given = [name for name, model in one.models.items() if not isinstance(model, str)]
        wanted = ("" if fit is None else f"own_{fit.form}", *given, default_model(*key) or "")
        shown[key] = tuple(name for name in wanted if name in known)
    return shown


def _suspects(scored: DevelopmentScores, shown: Mapping[tuple[str, str], tuple[str, ...]]) -> pd.DataFrame:
    """Dates that are probably wrong, one row each, with the day on which the shown model expected the stage."""
    parts = []
    for key, one in scored.data.items():
        model = next(iter(shown[key]), None)
        held = None if model is None else scored.held_out[(*key, model, MAIN_SCHEME)]
        predicted = np.full(len(one.rows), np.nan) if held is None else held.predicted_day
        off = np.maximum(one.records.absent_day - predicted, np.minimum(one.records.seen_day - predicted, 0.0))
        columns = {"tank_id": one.rows.get("tank_label", one.rows["tank_id"]), "model": model, "days_off": off}
        kept = one.rows[["species", "stage", "season", "last_absent_on", "first_seen_on"]].assign(**columns)
        parts.append(kept[one.is_suspect].loc[:, list(SUSPECT_COLUMNS)])
    return pd.concat(parts, ignore_index=True)


def _predictions(scored: DevelopmentScores, shown: Mapping[tuple[str, str], tuple[str, ...]]) -> pd.DataFrame:
    """Held-out predictions of the shown models, one row per tank and model.

    Days count after delivery on the axis of the records; equivalent_low_days, equivalent_high_days: the observed
    interval as days from fertilisation at the tank's mean temperature, by the model's own curve.
    """
    parts = [
        _predicted(scored.data[key], model, scored.held_out[(*key, model, MAIN_SCHEME)])
        for key, models in shown.items()
        for model in models
    ]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=list(PREDICTION_COLUMNS))


def _predicted(one: StageData, model: str, held: HeldOut) -> pd.DataFrame:
    records = one.records
    drawn = one.curve(model)
    at_mean = drawn.days(records.mean_temp_c)
    is_seen = np.isfinite(records.seen_day)
    return pd.DataFrame(
        {
            "species": one.species,
            "stage": one.stage,
            "model": model,
            "season": one.rows["season"].to_numpy(),
            "tank_id": one.rows.get("tank_label", one.rows["tank_id"]).to_numpy(),
            "batch_id": [records.batches[code] for code in records.batch],
            "mean_temp_c": records.mean_temp_c,
            "absent_day": records.absent_day,
            "seen_day": np.where(is_seen, records.seen_day, np.nan),
            "predicted_day": held.predicted_day,
            "log_sd": held.log_sd,
            "is_tested": held.is_tested,
            "equivalent_low_days": at_mean * np.exp(held.lower),
            "equivalent_high_days": np.where(
                is_seen, at_mean * np.exp(np.where(is_seen, held.upper, 0.0)), np.nan
            ),
        }
    )


def _coefficients(scored: DevelopmentScores) -> pd.DataFrame:
    """Constants of every own fit, with its tanks, batches, spreads, tested temperatures and notes."""
    parts = []
    for (species, stage), one in scored.data.items():
        for form, fit in one.fits.items():
            parts.append(
                fit.coefficients.reset_index().assign(
                    species=species,
                    stage=stage,
                    model=f"own_{form}",
                    tanks=fit.tanks,
                    batches=fit.batches,
                    spread_log_sd=fit.spread_log_sd,
                    batch_log_sd=fit.batch_log_sd,
                    tested_low_c=fit.curve.valid_low_c,
                    tested_high_c=fit.curve.valid_high_c,
                    collinearity=fit.collinearity,
                    note="; ".join(fit.notes),
                )
            )
    columns = [
        "species", "stage", "model", "constant", "estimate", "std_error", "tanks", "batches", "spread_log_sd",
        "batch_log_sd", "tested_low_c", "tested_high_c", "collinearity", "note",
    ]  # fmt: skip
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)
