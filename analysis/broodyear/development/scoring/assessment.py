"""The whole validation of thermal-unit models in one call: what a report on development shows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from broodyear.claims import Claim
from broodyear.development.likelihood.fit_result import DevelopmentFit, best_fit
from broodyear.development.models.own_models import DevelopmentModel
from broodyear.development.models.published import default_model, published_disagreements
from broodyear.development.scoring.comparisons import first_seen_pitfall, model_comparisons
from broodyear.development.scoring.constants import constants_table, covariance_table
from broodyear.development.scoring.cross_validation import MAIN_SCHEME, HeldOut
from broodyear.development.scoring.held_out_scores import (
    DEFAULT_SEED,
    DevelopmentScores,
    Scoring,
    StageScores,
    TellsScores,
    in_order,
    score_everything,
)
from broodyear.development.scoring.model_claims import development_claims
from broodyear.development.scoring.score_cells import calibration_by_band, pit_histogram, randomised_pit
from broodyear.development.scoring.stage_data import StageData
from broodyear.development.scoring.statements import StageFindings, all_statements, findings_for
from broodyear.development.scoring.thermometers import bias_by_thermometer, offsets_by_site

SUSPECT_COLUMNS = (
    "species", "stage", "season", "tank_id", "last_absent_on", "first_seen_on", "model", "days_off",
)  # fmt: skip
# Published values within this of each other agree as well as their rounding allows.
LISTED_DISAGREEMENT_PCT = 3.0

PREDICTION_COLUMNS = (
    "species", "stage", "model", "season", "tank_id", "batch_id", "mean_temp_c", "absent_day", "seen_day",
    "predicted_day", "log_sd", "is_tested", "equivalent_low_days", "equivalent_high_days", "donor_stock",
    "error_low_days", "error_high_days", "pit",
)  # fmt: skip


@dataclass(frozen=True)
class DevelopmentAssessment(TellsScores):
    """Everything a report on development needs, as frames and fits.

    scores: rows of scores.csv; claims: what they show; statements: topic, species, stage, sentence; comparisons,
    thermometers, site_offsets, first_seen: see ``comparisons`` and ``thermometers``; left_out: species, stage,
    reason, rows;
    gaps: stages left out for days not read, and what would have kept them;
    copied_sheets: sheets found; suspects: dates that are probably wrong; predictions: one row per held-out tank
    of the shown models; pit, calibration: see ``calibration``; disagreements: published pairs against published
    models, by size; coefficients, covariance: see ``constants``; fits: by (species, stage) and form; given: models
    of one's own by name; shown: the models to show by (species, stage), own first.
    """

    scores: pd.DataFrame
    claims: tuple[Claim, ...]
    statements: pd.DataFrame
    comparisons: pd.DataFrame
    thermometers: pd.DataFrame
    site_offsets: pd.DataFrame
    first_seen: pd.DataFrame
    left_out: pd.DataFrame
    gaps: pd.DataFrame
    copied_sheets: pd.DataFrame
    suspects: pd.DataFrame
    predictions: pd.DataFrame
    pit: pd.DataFrame
    calibration: pd.DataFrame
    disagreements: pd.DataFrame
    coefficients: pd.DataFrame
    covariance: pd.DataFrame
    fits: Mapping[tuple[str, str], Mapping[str, DevelopmentFit]]
    given: Mapping[str, DevelopmentModel]
    shown: Mapping[tuple[str, str], tuple[str, ...]]


def assess_development(
    source: Any, *, daily: Any = None, models: Sequence[Any] = (), **how: Any
) -> DevelopmentAssessment:
    """Score, compare and put into words. source, daily and models as in ``score_everything``; how: fields of
    ``Scoring``.

    Raises NothingToAnalyse when no stage of any species can be scored.
    """
    scoring = Scoring(**how)
    return assessed(compared_scores(source, scoring, daily=daily, models=models), scoring.seed)


def compared_scores(source: Any, how: Scoring, **given: Any) -> DevelopmentScores:
    """The scores, with what is compared where they are worked out: what ``assessed`` puts into words."""
    return score_everything(source, how, then=_compared, **given)


def assessed(scored: DevelopmentScores, seed: int = DEFAULT_SEED) -> DevelopmentAssessment:
    """The assessment of scores that were compared; seed: of the randomised probability transforms."""
    found = {key: models for one in scored.beside for key, models in one[0].items()}
    shown: dict[tuple[str, str], tuple[str, ...]] = {key: found[key] for key in scored.data}
    comparisons, thermometers, first_seen, site_offsets = (
        in_order([one[at] for one in scored.beside]) for at in (1, 2, 3, 4)
    )
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
    predictions = _predictions(scored, shown, seed)
    return DevelopmentAssessment(
        scores=scored.scores,
        claims=development_claims(scored.scores, comparisons, thermometers, site_offsets),
        statements=all_statements(scored, findings),
        comparisons=comparisons,
        thermometers=thermometers,
        site_offsets=site_offsets,
        first_seen=first_seen,
        left_out=scored.left_out,
        gaps=scored.gaps,
        copied_sheets=scored.copied.sheets,
        suspects=_suspects(scored, shown),
        predictions=predictions,
        pit=pit_histogram(predictions),
        calibration=calibration_by_band(scored.scores),
        disagreements=_disagreements({species for species, _ in scored.data}),
        coefficients=constants_table(scored),
        covariance=covariance_table(scored),
        fits={key: dict(one.fits) for key, one in scored.data.items()},
        given={
            name: model
            for one in scored.data.values()
            for name, model in one.models.items()
            if isinstance(model, DevelopmentModel)
        },
        shown=shown,
    )


def _compared(scored: StageScores) -> tuple[Any, ...]:
    """The models to show of some stages, comparisons, bias by thermometer, the pitfall of first-seen dates, and
    how far sites lie from the others."""
    shown = shown_models(scored)
    first = {key: models[0] for key, models in shown.items() if models}
    return (
        shown,
        model_comparisons(scored),
        bias_by_thermometer(scored, shown),
        first_seen_pitfall(scored, first),
        offsets_by_site(scored, shown),
    )


def shown_models(scored: StageScores) -> dict[tuple[str, str], tuple[str, ...]]:
    """By (species, stage): the best own form, then models given, then the published default, as scored.

    Where none could be scored, those that predict some tank.
    """
    table = scored.scores
    is_main = (table["scheme"] == MAIN_SCHEME) & (table["band"] == "all") & table["log_score"].notna()
    shown = {}
    for key, one in scored.data.items():
        is_key = (table["species"] == key[0]) & (table["stage"] == key[1])
        known = set(table.loc[is_main & is_key, "model"]) or _predicting(scored, key)
        fit = best_fit(one.fits)
        given = [name for name, model in one.models.items() if not isinstance(model, str)]
        wanted = ("" if fit is None else f"own_{fit.form}", *given, default_model(*key) or "")
        shown[key] = tuple(name for name in wanted if name in known)
    return shown


def _predicting(scored: StageScores, key: tuple[str, str]) -> set[str]:
    return {
        name
        for name in scored.data[key].models
        if np.isfinite(scored.held_out[(*key, name, MAIN_SCHEME)].predicted_day).any()
    }


def _disagreements(species: set[str]) -> pd.DataFrame:
    """Published values against published models, of the species on record only."""
    table = published_disagreements(LISTED_DISAGREEMENT_PCT)
    return table[table["species"].isin(species)].reset_index(drop=True)


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


def _predictions(
    scored: DevelopmentScores, shown: Mapping[tuple[str, str], tuple[str, ...]], seed: int
) -> pd.DataFrame:
    """Held-out predictions of the shown models, one row per tank and model.

    Days count from delivery, as in the table observed_stages; equivalent_low_days, equivalent_high_days: the
    observed interval as days from fertilisation at the tank's mean temperature, by the model's own curve;
    error_low_days, error_high_days: predicted − last and first day the event can have come (positive: the model
    is late), low blank where the tank ended first; pit: randomised probability transform, 0 to 1.
    """
    rng = np.random.default_rng([seed, 1])
    parts = [
        _predicted(scored.data[key], model, scored.held_out[(*key, model, MAIN_SCHEME)], rng)
        for key, models in shown.items()
        for model in models
    ]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=list(PREDICTION_COLUMNS))


def _predicted(one: StageData, model: str, held: HeldOut, rng: np.random.Generator) -> pd.DataFrame:
    records = one.records
    at_mean = one.curve(model).days(records.mean_temp_c)
    is_seen = np.isfinite(records.seen_day)
    last = np.where(is_seen, records.seen_day, np.nan)
    before = 1.0 - records.first_day_share  # part of the delivery day, which the records count whole
    edges = (held.lower / held.log_sd, held.upper / held.log_sd, held.start / held.log_sd)
    columns = {
        "species": one.species, "stage": one.stage, "model": model, "season": one.rows["season"].to_numpy(),
        "tank_id": one.rows.get("tank_label", one.rows["tank_id"]).to_numpy(),
        "batch_id": [records.batches[code] for code in records.batch],
        "mean_temp_c": records.mean_temp_c, "absent_day": np.maximum(records.absent_day - before, 0.0),
        "seen_day": last - before, "predicted_day": np.maximum(held.predicted_day - before, 0.0),
        "log_sd": held.log_sd, "is_tested": held.is_tested,
        "equivalent_low_days": at_mean * np.exp(held.lower),
        "equivalent_high_days": np.where(is_seen, at_mean * np.exp(np.where(is_seen, held.upper, 0.0)), np.nan),
        "donor_stock": one.rows["donor_stock"].to_numpy(),
        "error_low_days": held.predicted_day - last,
        "error_high_days": held.predicted_day - records.absent_day,
        "pit": randomised_pit(*edges, rng),
    }  # fmt: skip
    return pd.DataFrame(columns, columns=list(PREDICTION_COLUMNS))
