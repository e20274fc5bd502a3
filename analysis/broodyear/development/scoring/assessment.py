"""The whole validation of thermal-unit models in one call: what a report on development shows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from broodyear.claims import Claim
from broodyear.development.likelihood.fit_result import Fits, best_fit
from broodyear.development.models.own_models import DevelopmentModel
from broodyear.development.models.published import default_model, published_disagreements
from broodyear.development.scoring.comparisons import first_seen_pitfall, model_comparisons
from broodyear.development.scoring.cross_validation import MAIN_SCHEME
from broodyear.development.scoring.held_out_scores import (
    DEFAULT_SEED,
    DevelopmentScores,
    Scoring,
    StageScores,
    in_order,
    score_everything,
)
from broodyear.development.scoring.model_claims import development_claims
from broodyear.development.scoring.tables import (
    calibration_by_band,
    constants_table,
    covariance_table,
    pit_histogram,
    predictions_table,
    suspects_table,
)
from broodyear.development.scoring.thermometers import bias_by_thermometer, offsets_by_site

# Published values within this of each other agree as well as their rounding allows.
LISTED_DISAGREEMENT_PCT = 3.0


@dataclass(frozen=True)
class DevelopmentAssessment(DevelopmentScores):
    """Everything a report on development needs, as frames and fits.

    scores: rows of scores.csv; claims: what they show; comparisons, thermometers, site_offsets, first_seen: see
    ``comparisons`` and ``thermometers``; left_out: species, stage, reason, rows; gaps: stages left out for days
    not read, and what would have kept them; copied_sheets: sheets found; suspects: dates that are probably wrong;
    predictions: one row per held-out tank of the shown models; pit, calibration, coefficients, covariance: see
    ``tables``; disagreements: published pairs against published models, by size; fits: by (species, stage) and
    form; given: models of one's own by name; shown: the models to show by (species, stage), own first.
    """

    claims: tuple[Claim, ...]
    comparisons: pd.DataFrame
    thermometers: pd.DataFrame
    site_offsets: pd.DataFrame
    first_seen: pd.DataFrame
    suspects: pd.DataFrame
    predictions: pd.DataFrame
    pit: pd.DataFrame
    calibration: pd.DataFrame
    disagreements: pd.DataFrame
    coefficients: pd.DataFrame
    covariance: pd.DataFrame
    shown: Mapping[tuple[str, str], tuple[str, ...]]

    @property
    def copied_sheets(self) -> pd.DataFrame:
        return self.copied.sheets

    @property
    def fits(self) -> Fits:
        return {key: one.fits for key, one in self.data.items()}

    @property
    def given(self) -> Mapping[str, DevelopmentModel]:
        models = {name: model for one in self.data.values() for name, model in one.models.items()}
        return {name: model for name, model in models.items() if isinstance(model, DevelopmentModel)}


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
    predictions = predictions_table(scored, shown, seed)
    disagreements = published_disagreements(LISTED_DISAGREEMENT_PCT)
    is_on_record = disagreements["species"].isin([species for species, _ in scored.data])
    return DevelopmentAssessment(
        **vars(scored),
        claims=development_claims(scored.scores, comparisons, thermometers, site_offsets),
        comparisons=comparisons,
        thermometers=thermometers,
        site_offsets=site_offsets,
        first_seen=first_seen,
        suspects=suspects_table(scored, shown),
        predictions=predictions,
        pit=pit_histogram(predictions),
        calibration=calibration_by_band(scored.scores),
        disagreements=disagreements[is_on_record].reset_index(drop=True),
        coefficients=constants_table(scored),
        covariance=covariance_table(scored),
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
