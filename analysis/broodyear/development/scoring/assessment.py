"""The whole validation of thermal-unit models in one call, with every table that a report on development shows.

Calibrated predictions put events evenly over their distributions (Dawid 1984, J R Stat Soc A 147:278); too many at
the ends means intervals too narrow, too many on one side a bias.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import bdtr, bdtrik

from broodyear.claims import Claim
from broodyear.development.arrays import Floats
from broodyear.development.likelihood.fit_result import DevelopmentFit, Fits
from broodyear.development.models.forms import COEFFICIENTS
from broodyear.development.models.own_models import DevelopmentModel
from broodyear.development.models.published import model_row, published_disagreements
from broodyear.development.models.sources import OWN_SOURCE
from broodyear.development.scoring.comparisons import compared, comparison_tables, shown_models
from broodyear.development.scoring.cross_validation import MAIN_SCHEME, HeldOut
from broodyear.development.scoring.held_out_scores import (
    DEFAULT_SEED,
    DevelopmentScores,
    Scoring,
    score_everything,
)
from broodyear.development.scoring.model_claims import development_claims
from broodyear.development.scoring.score_cells import LEVELS, randomised_pit
from broodyear.development.scoring.stage_data import StageData

Shown = Mapping[tuple[str, str], tuple[str, ...]]

CONSTANT_COLUMNS = (
    "species", "stage", "model", "form", "constant", "estimate", "std_error", "tanks", "batches", "spread_log_sd",
    "batch_log_sd", "tested_low_c", "tested_high_c", "collinearity", "source", "note",
)  # fmt: skip
COVARIANCE_COLUMNS = ("species", "stage", "model", "constant", "with_constant", "covariance")
SUSPECT_COLUMNS = (
    "species", "stage", "season", "tank_id", "last_absent_on", "first_seen_on", "model", "days_off",
)  # fmt: skip
PREDICTION_COLUMNS = (
    "species", "stage", "model", "season", "tank_id", "batch_id", "mean_temp_c", "absent_day", "seen_day",
    "predicted_day", "log_sd", "is_tested", "equivalent_low_days", "equivalent_high_days", "donor_stock",
    "error_low_days", "error_high_days", "pit",
)  # fmt: skip
PIT_COLUMNS = (
    "species", "stage", "model", "pit_low", "pit_high", "tanks", "expected", "likely_low", "likely_high",
)  # fmt: skip
CALIBRATION_COLUMNS = ("species", "stage", "model", "band", "tanks", "stated_pct", "held_pct")
# Eight bars of a histogram hold five tanks or more each where forty were scored.
PIT_BARS = 8
# Published values within this of each other agree as well as their rounding allows.
LISTED_DISAGREEMENT_PCT = 3.0


@dataclass(frozen=True)
class DevelopmentAssessment(DevelopmentScores):
    """Everything a report on development needs, as frames and fits.

    scores: rows of scores.csv; claims: what they show; comparisons, thermometers, site_offsets, stocks,
    first_seen: see ``comparisons``; left_out: species, stage, reason, rows; gaps: stages left out for days
    not read, and what would have kept them; copied_sheets: sheets found; suspects: dates that are probably wrong;
    predictions: one row per held-out tank of the shown models; pit, calibration, coefficients, covariance: see
    below; disagreements: published pairs against published models, by size; fits: by (species, stage) and
    form; given: models of one's own by name; shown: the models to show by (species, stage), own first.
    """

    claims: tuple[Claim, ...]
    comparisons: pd.DataFrame
    thermometers: pd.DataFrame
    site_offsets: pd.DataFrame
    stocks: pd.DataFrame
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
    return score_everything(source, how, beside=compared, **given)


def assessed(scored: DevelopmentScores, seed: int = DEFAULT_SEED) -> DevelopmentAssessment:
    """The assessment of scores that were compared; seed: of the randomised probability transforms."""
    shown = shown_models(scored)
    tables: dict[str, Any] = comparison_tables(scored, shown)
    judged = (tables[name] for name in ("comparisons", "thermometers", "site_offsets", "stocks"))
    predictions = predictions_table(scored, shown, seed)
    disagreements = published_disagreements(LISTED_DISAGREEMENT_PCT)
    is_on_record = disagreements["species"].isin([species for species, _ in scored.data])
    return DevelopmentAssessment(
        **vars(scored),
        claims=development_claims(scored.scores, *judged),
        **tables,
        suspects=suspects_table(scored, shown),
        predictions=predictions,
        pit=pit_histogram(predictions),
        calibration=calibration_by_band(scored.scores),
        disagreements=disagreements[is_on_record].reset_index(drop=True),
        coefficients=constants_table(scored),
        covariance=covariance_table(scored),
        shown=shown,
    )


def constants_table(scored: DevelopmentScores) -> pd.DataFrame:
    """Constants of every own fit, given model and published model, one row each: CONSTANT_COLUMNS.

    std_error is blank where no covariance is known, as of all published models; tanks, batches and spreads are
    those of own fits; tested temperatures in °C.
    """
    rows = []
    for one in scored.data.values():
        for name, model in one.everything.items():
            drawn, matrix = one.curve(name), _covariance_of(model)
            shared = {
                "species": one.species, "stage": one.stage, "model": name, "form": drawn.form,
                "tested_low_c": drawn.valid_low_c, "tested_high_c": drawn.valid_high_c, **_about(model),
            }  # fmt: skip
            names = COEFFICIENTS[drawn.form]
            errors = np.full(len(names), np.nan) if matrix is None else np.sqrt(np.maximum(np.diag(matrix), 0.0))
            rows += [
                {**shared, "constant": constant, "estimate": drawn.coefficients[constant], "std_error": error}
                for constant, error in zip(names, errors.tolist(), strict=True)
            ]
    return pd.DataFrame(rows, columns=list(CONSTANT_COLUMNS))


def covariance_table(scored: DevelopmentScores) -> pd.DataFrame:
    """Covariances of the constants of each model that has them, each pair once: COVARIANCE_COLUMNS."""
    rows = []
    for one in scored.data.values():
        for name, model in one.everything.items():
            matrix = _covariance_of(model)
            if matrix is not None:
                names = COEFFICIENTS[one.curve(name).form]
                pairs = zip(*np.tril_indices(len(names)), strict=True)
                rows += [(one.species, one.stage, name, names[i], names[j], float(matrix[i, j])) for i, j in pairs]
    return pd.DataFrame(rows, columns=list(COVARIANCE_COLUMNS))


def _covariance_of(model: DevelopmentFit | DevelopmentModel | str) -> Floats | None:
    """The covariance of a model's constants in the order of its form, where it is known."""
    if isinstance(model, DevelopmentFit):
        return model.covariance if model.coefficients["std_error"].notna().all() else None
    return model.covariance if isinstance(model, DevelopmentModel) else None


def _about(model: DevelopmentFit | DevelopmentModel | str) -> dict[str, Any]:
    """Where the constants of a model come from."""
    if isinstance(model, DevelopmentFit):
        kept = ("tanks", "batches", "spread_log_sd", "batch_log_sd", "collinearity")
        about = {name: getattr(model, name) for name in kept}
        return about | {"source": OWN_SOURCE, "note": "; ".join(model.notes)}
    if isinstance(model, DevelopmentModel):
        return {"source": model.source, "note": "given"}
    row = model_row(model)
    return {"source": str(row["source"]), "note": str(row["trust_note"])}


def suspects_table(scored: DevelopmentScores, shown: Shown) -> pd.DataFrame:
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


def predictions_table(scored: DevelopmentScores, shown: Shown, seed: int) -> pd.DataFrame:
    """Held-out predictions of the shown models, one row per tank and model: PREDICTION_COLUMNS.

    Days count from delivery, as in the table observed_stages; equivalent_low_days, equivalent_high_days: the
    observed interval as days from fertilisation at the tank's mean temperature, by the model's own curve;
    error_low_days, error_high_days: predicted − last and first day the event can have come (positive: the model
    is late), low blank where the tank ended first; pit: randomised probability transform, 0 to 1. seed: of these.
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
        "pit": randomised_pit(*held.in_sds(), rng),
    }  # fmt: skip
    return pd.DataFrame(columns, columns=list(PREDICTION_COLUMNS))


def pit_histogram(predictions: pd.DataFrame) -> pd.DataFrame:
    """Tanks by where the event lay in its prediction, in PIT_BARS equal bars: PIT_COLUMNS.

    predictions: species, stage, model, pit (0–1; NaN is not counted). expected: tanks a bar would hold by
    calibrated predictions; likely_low, likely_high: what 95 of 100 bars would (binomial).
    """
    edges = np.linspace(0.0, 1.0, PIT_BARS + 1)
    parts = [pd.DataFrame(columns=list(PIT_COLUMNS))] if predictions.empty else []
    for (species, stage, model), rows in predictions.groupby(["species", "stage", "model"], sort=False):
        known = rows["pit"].dropna().to_numpy(dtype=float)
        low, high = (_binomial_quantile(p, len(known), 1.0 / PIT_BARS) for p in (0.025, 0.975))
        bars = {
            "species": species, "stage": stage, "model": model, "pit_low": edges[:-1], "pit_high": edges[1:],
            "tanks": np.histogram(known, edges)[0], "expected": len(known) / PIT_BARS, "likely_low": low,
            "likely_high": high,
        }  # fmt: skip
        parts.append(pd.DataFrame(bars, columns=list(PIT_COLUMNS)))
    return pd.concat(parts, ignore_index=True)


def _binomial_quantile(p: float, n: int, chance: float) -> float:
    """The least count that p of all binomial ones do not pass; scipy.stats has it too, and loads slowly."""
    if n == 0:
        return 0.0
    above = float(np.ceil(bdtrik(p, n, chance)))
    return above - 1.0 if above > 0 and bdtr(above - 1.0, n, chance) >= p else above


def calibration_by_band(scores: pd.DataFrame) -> pd.DataFrame:
    """Stated and held shares (%) of the 50, 80 and 95 % intervals by band of temperature: CALIBRATION_COLUMNS.

    scores: rows of scores.csv; those of the main scheme over all stocks that could be scored are used.
    """
    is_used = (scores["scheme"] == MAIN_SCHEME) & (scores["donor_stock"].fillna("") == "")
    chosen = scores[is_used & scores["coverage_50"].notna()]
    about = chosen[["species", "stage", "model", "band", "tanks"]]
    parts = [
        about.assign(stated_pct=float(level), held_pct=chosen[f"coverage_{level}"].astype(float))
        for level in LEVELS
    ]
    return pd.concat(parts).sort_index(kind="stable").reset_index(drop=True).loc[:, list(CALIBRATION_COLUMNS)]
