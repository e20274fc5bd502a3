"""Constants of every scored model with their errors and covariances: own fits, given models and published ones."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from broodyear.development.likelihood.fit_result import DevelopmentFit
from broodyear.development.models.forms import COEFFICIENTS
from broodyear.development.models.own_models import DevelopmentModel
from broodyear.development.models.published import as_curve, model_row
from broodyear.development.models.sources import OWN_SOURCE
from broodyear.development.scoring.held_out_scores import DevelopmentScores

CONSTANT_COLUMNS = (
    "species", "stage", "model", "form", "constant", "estimate", "std_error", "tanks", "batches", "spread_log_sd",
    "batch_log_sd", "tested_low_c", "tested_high_c", "collinearity", "source", "note",
)  # fmt: skip
COVARIANCE_COLUMNS = ("species", "stage", "model", "constant", "with_constant", "covariance")


def constants_table(scored: DevelopmentScores) -> pd.DataFrame:
    """Constants of every own fit, given model and published model, one row each: CONSTANT_COLUMNS.

    std_error is blank where no covariance is known, as of all published models; tanks, batches and spreads are
    those of own fits; tested temperatures in °C.
    """
    rows: list[dict[str, Any]] = []
    for (species, stage), one in scored.data.items():
        place = {"species": species, "stage": stage}
        for form, fit in one.fits.items():
            rows += [{**place, "model": f"own_{form}", **row} for row in _of_fit(fit)]
        for name, model in one.models.items():
            rows += [{**place, "model": name, **row} for row in _of_model(model)]
    return pd.DataFrame(rows, columns=list(CONSTANT_COLUMNS))


def covariance_table(scored: DevelopmentScores) -> pd.DataFrame:
    """Covariances of the constants of each model that has them, each pair once: COVARIANCE_COLUMNS."""
    rows = []
    for (species, stage), one in scored.data.items():
        known: list[tuple[str, str, Any]] = [
            (f"own_{form}", form, fit.constants_covariance)
            for form, fit in one.fits.items()
            if fit.coefficients["std_error"].notna().all()
        ]
        known += [
            (name, model.form, model.covariance)
            for name, model in one.models.items()
            if isinstance(model, DevelopmentModel) and model.covariance is not None
        ]
        for name, form, matrix in known:
            constants = COEFFICIENTS[form]
            rows += [
                (species, stage, name, constants[i], constants[j], float(matrix[i, j]))
                for i in range(len(constants))
                for j in range(i + 1)
            ]
    return pd.DataFrame(rows, columns=list(COVARIANCE_COLUMNS))


def _of_fit(fit: DevelopmentFit) -> list[dict[str, Any]]:
    shared = {
        "form": fit.form, "tanks": fit.tanks, "batches": fit.batches, "spread_log_sd": fit.spread_log_sd,
        "batch_log_sd": fit.batch_log_sd, "tested_low_c": fit.curve.valid_low_c,
        "tested_high_c": fit.curve.valid_high_c, "collinearity": fit.collinearity, "source": OWN_SOURCE,
        "note": "; ".join(fit.notes),
    }  # fmt: skip
    return [
        shared | {"constant": name, "estimate": row["estimate"], "std_error": row["std_error"]}
        for name, row in fit.coefficients.iterrows()
    ]


def _of_model(model: str | DevelopmentModel) -> list[dict[str, Any]]:
    drawn = as_curve(model)
    constants = COEFFICIENTS[drawn.form]
    errors = np.full(len(constants), np.nan)
    if isinstance(model, DevelopmentModel):
        source, note = model.source, "given"
        if model.covariance is not None:
            errors = np.sqrt(np.maximum(np.diag(model.covariance), 0.0))
    else:
        row = model_row(model)
        source, note = str(row["source"]), str(row["trust_note"])
    shared = {
        "form": drawn.form, "tested_low_c": drawn.valid_low_c, "tested_high_c": drawn.valid_high_c,
        "source": source, "note": note,
    }  # fmt: skip
    return [
        shared | {"constant": name, "estimate": drawn.coefficients[name], "std_error": float(error)}
        for name, error in zip(constants, errors, strict=True)
    ]
