"""Whether intervals of published models hold the pairs of a study that is left out whole."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtri

from broodyear.development.likelihood.constant_fits import fit_constant_temperatures
from broodyear.development.models.published import (
    FEWEST_PAIRS_OF_STAGE,
    errors_against_pairs,
    known_models,
    log_errors,
    spread_between_studies,
)


def held_out_studies() -> pd.DataFrame:
    """How often intervals of defaults hold the pairs of a study that is left out whole, its spread with it.

    Columns: model, species, stage, pairs (of other studies than the model's own, or, of a curve fitted here to
    several, all, each predicted by the curve fitted anew without their study; FEWEST_PAIRS_OF_STAGE or more),
    studies, is_refitted, held_50, held_80, held_95 (% of the pairs inside). With one study, the spread without it
    is that of other species alone.
    """
    models = known_models()
    everything = log_errors(models)
    rows = []
    for number, row in enumerate(models.to_dict("records")):
        errors = everything[everything["number"] == number]
        own = errors.loc[errors["is_own"], "study"].unique()
        is_refitted = row["trust"] == "DERIVED" and len(own) > 1
        anew = [_errors_without(models.iloc[[number]], study) for study in own if is_refitted]
        errors = pd.concat([errors[~errors["is_own"]], *anew])
        if not row["is_default"] or len(errors) < FEWEST_PAIRS_OF_STAGE:
            continue
        studies = errors["study"].unique()
        spread = {study: spread_between_studies(models, everything, study).iloc[number] for study in studies}
        off = errors["log_error"].abs() / errors["study"].map(spread)
        held = {f"held_{level}": 100.0 * (off <= ndtri(0.5 + level / 200)).mean() for level in (50, 80, 95)}
        about: dict[str, Any] = {name: row[name] for name in ("model", "species", "stage")}
        counts = {"pairs": len(errors), "studies": len(studies), "is_refitted": is_refitted}
        rows.append({**about, **counts, **held})
    return pd.DataFrame(rows)


def _errors_without(model: pd.DataFrame, study: str) -> pd.DataFrame:
    """Errors on the pairs of a study by a curve fitted to the model's other studies. model: its row."""
    fitted = pd.Series([fitted_to_pairs(model, without=study)], index=model.index)
    errors = log_errors(model.assign(coefficients=fitted))
    return errors[errors["study"] == study]


def fitted_to_pairs(model: pd.DataFrame, without: str = "") -> dict[str, float]:
    """Constants of a model's form by least squares in log days to the sound pairs of its own event and sources.

    model: its row of ``published_models``; without: the source of a study left out.
    """
    pairs = errors_against_pairs(model)
    cited = str(model["source"].iloc[0])
    is_own = np.array([source in cited and source != without for source in pairs["source"]], dtype=bool)
    used = pairs[is_own & ~pairs["is_flagged"] & pairs["is_same_event"]]
    return dict(fit_constant_temperatures(used[["temp_c", "days"]], str(model["form"].iloc[0])).curve.coefficients)
