"""Published models of incubation time, each with its source, its trust mark and its measured error.

The coefficients lie in published_models.csv and the published days to a stage in published_pairs.csv, each row
with its citation. Trust marks: SEEN = read in the source or its abstract; SEEN-2 = read in an open data set that
cites the source; DERIVED = fitted here to published pairs; MEMORY = recalled; MEMORY-LOW = recalled and unsure.
No default rests on a MEMORY-LOW row, nor on a MEMORY row that no pair supports,
seen where there is one: the default is the model with the smallest error on the pairs at hand.
"""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from broodyear.development.models.forms import Curve, curve
from broodyear.errors import UsageError

_HERE = Path(__file__).resolve().parent
# Least spread (SD of log development) of tanks about a curve: single families differ by about ±10 % (Debowski et
# al.
# 2006), pooled batches by less; common practice, no source for the pooled value.
LEAST_SPREAD_LOG_SD = 0.05
# A species with this many published pairs of a stage tells its own spread between studies; others share the
# rest's.
FEWEST_PAIRS_OF_STAGE = 8
# Coefficients from memory that miss the seen pairs by more are shown for comparison only.
MOST_ERROR_OFFERED_PCT = 15.0


def published_models() -> pd.DataFrame:
    """Every published model at hand, one row each.

    Columns: model, title (as people call it), species, stage (values of the record set), event (the event as
    published), counted_from ("fertilisation" or "hatch"), form, coefficients (dict), valid_low_c, valid_high_c
    (°C tested; NaN where the
    source does not say), source, trust, is_default (at most one per species and stage), pairs_checked,
    worst_error_pct (largest error against seen pairs of the same event at constant temperatures inside the tested
    ones; NaN when there is none), worst_disagreement_pct (against every pair of the same stage), spread_log_sd
    (SD of log development to assume when predicting), trust_note (a sentence) and note.

    >>> models = published_models()
    >>> models.loc[models["is_default"] & (models["species"] == "chinook"), "model"].iloc[0]
    'fit_Heming1982_chinook_hatch'
    """
    return _models().copy()


def published_pairs() -> pd.DataFrame:
    """Published days to a stage by temperature, one row per pair.

    Columns: pair_set, species, stage, event, counted_from, temp_c, days, days_low, days_high (the same as days
    where the source gives one number), temperature ("constant", or "mean" of a varying one), trust, is_flagged
    (True: probably a slip in the source, used for nothing but shown), source, note.
    """
    return _pairs().copy()


def default_model(species: str, stage: str) -> str | None:
    """Name of the default model for a species and stage, or None when no published model earns it."""
    models = _as_published()
    rows = models[(models["species"] == species) & (models["stage"] == stage) & models["is_default"]]
    return str(rows["model"].iloc[0]) if len(rows) else None


def scored_models(species: str, stage: str) -> tuple[str, ...]:
    """Published models of a species and stage that records are scored against: all but those in doubt.

    Models recalled without certainty (MEMORY-LOW) are listed by ``published_models`` and never scored.
    """
    models = _models()
    is_wanted = (models["species"] == species) & (models["stage"] == stage) & (models["trust"] != "MEMORY-LOW")
    return tuple(models.loc[is_wanted & (models["counted_from"] == "fertilisation"), "model"])


def constant_units_model(species: str, stage: str) -> str | None:
    """Name of a published constant-units model for a species and stage that is not from memory, or None."""
    models = _models()
    rows = models[
        (models["species"] == species)
        & (models["stage"] == stage)
        & (models["form"] == "constant_units")
        & ~models["trust"].str.startswith("MEMORY")
    ]
    return str(rows["model"].iloc[0]) if len(rows) else None


def model_row(name: str) -> pd.Series:
    """The row of one model. Raises UsageError for an unknown name, with the nearest ones."""
    return _row_of(_models(), name)


def _row_of(models: pd.DataFrame, name: str) -> pd.Series:
    by_name = models.set_index("model", drop=False)
    if name not in by_name.index:
        raise UsageError(_unknown(name, list(by_name.index)))
    row = by_name.loc[name]
    assert isinstance(row, pd.Series)  # names are unique
    return row


def as_curve(model: Any) -> Curve:
    """The curve of a model given by name, as a row of ``published_models()``, as a fit or as a curve.

    Raises UsageError when it is none of these.
    """
    if isinstance(model, Curve):
        return model
    if isinstance(model, str):
        return _curve_of_row(_row_of(_as_published(), model))
    if isinstance(model, pd.DataFrame) and len(model) == 1:
        return _curve_of_row(model.iloc[0])
    if isinstance(model, pd.Series) or (isinstance(model, dict) and "coefficients" in model):
        return _curve_of_row(model)
    drawn = getattr(model, "curve", None)
    if isinstance(drawn, Curve):
        return drawn
    raise UsageError(
        f"a model is the name of a published model, one row of published_models(), or a fit, "
        f"but {type(model).__name__} was given"
    )


def _unknown(name: str, names: list[str]) -> str:
    near = [known for known in names if known.lower().startswith(name.lower())]
    near = near or difflib.get_close_matches(name, names, n=3, cutoff=0.5)
    hint = f"did you mean {' or '.join(near)}?" if near else "published_models() lists them"
    return f"unknown model {name!r}; {hint}"


def _curve_of_row(row: Any) -> Curve:
    missing = [key for key in ("form", "coefficients") if key not in row]
    if missing:
        raise UsageError(f"a row of published_models() has {' and '.join(missing)}; the row given does not")
    return curve(
        str(row.get("model", "model")),
        str(row["form"]),
        dict(row["coefficients"]),
        row.get("valid_low_c", np.nan),
        row.get("valid_high_c", np.nan),
    )


def _coefficients(text: str) -> dict[str, float]:
    return {name: float(value) for name, value in (part.split("=") for part in text.split("; "))}


@lru_cache(maxsize=1)
def _pairs() -> pd.DataFrame:
    pairs: pd.DataFrame = pd.read_csv(
        _HERE / "published_pairs.csv", keep_default_na=False, na_values={"days_low": "", "days_high": ""}
    )
    pairs["is_flagged"] = pairs["is_flagged"] == "yes"
    for edge in ("days_low", "days_high"):
        pairs[edge] = pairs[edge].fillna(pairs["days"])
    return pairs


@lru_cache(maxsize=1)
def _as_published() -> pd.DataFrame:
    """The models as they stand in the file, before they are held against published pairs."""
    models = pd.read_csv(
        _HERE / "published_models.csv",
        keep_default_na=False,
        na_values={"valid_low_c": "", "valid_high_c": ""},
    )
    models["coefficients"] = models["coefficients"].map(_coefficients)
    models["is_default"] = models["is_default"] == "yes"
    return models


@lru_cache(maxsize=1)
def _models() -> pd.DataFrame:
    models = _as_published()
    errors = [errors_against_pairs(row) for _, row in models.iterrows()]
    rows = [_measured(row, found) for (_, row), found in zip(models.iterrows(), errors, strict=True)]
    measured = pd.DataFrame(rows, index=models.index)
    table: pd.DataFrame = pd.concat([models, measured], axis=1)
    table["spread_log_sd"] = spread_between_studies(table, errors=errors)
    return table


def log_errors(row: Any, errors: pd.DataFrame | None = None) -> pd.DataFrame:
    """pair_set, log_error (ln predicted − ln published) and is_own (its own source) for the pairs of its stage.

    errors: of ``errors_against_pairs(row)``, where they are at hand.
    """
    errors = errors_against_pairs(row) if errors is None else errors
    sound = errors[~errors["is_flagged"] & errors["is_in_range"] & (errors["stage"] == row["stage"])]
    found = pd.DataFrame({"pair_set": sound["pair_set"], "log_error": np.log1p(sound["error_pct"] / 100.0)})
    found["is_own"] = [source in str(row["source"]) for source in sound["source"]]
    return found


def spread_between_studies(
    models: pd.DataFrame, without: str = "", errors: Sequence[pd.DataFrame] | None = None
) -> pd.Series:
    """SD of log days of a study a model was not made from, about each model, by published pairs of the same stage.

    The root mean square of a model's log errors over the other studies of its stage, each counting once whatever
    its pairs, at least that of all defaults with FEWEST_PAIRS_OF_STAGE pairs or more. without: a pair_set left
    out.
    """
    size, count = np.full(len(models), np.nan), np.zeros(len(models))
    for position, (_, row) in enumerate(models.iterrows()):
        found = log_errors(row, None if errors is None else errors[position])
        found = found[~found["is_own"] & (found["pair_set"] != without)]
        by_study = (found["log_error"] ** 2).groupby(found["pair_set"]).mean()
        size[position], count[position] = float(np.sqrt(by_study.mean())), len(found)
    is_counted = models["is_default"].to_numpy(dtype=bool) & (count >= FEWEST_PAIRS_OF_STAGE)
    pooled = float(np.sqrt(np.mean(size[is_counted] ** 2))) if is_counted.any() else 0.0
    return pd.Series(np.nan_to_num(size), models.index).clip(lower=max(pooled, LEAST_SPREAD_LOG_SD))


def errors_against_pairs(row: Any) -> pd.DataFrame:
    """The published pairs of a model's species and stage, with the model's error on each.

    Added columns: predicted_days, error_days, error_pct (positive: the model is late; 0 inside a published
    range), is_in_range (pair inside the tested temperatures), is_same_event.
    """
    drawn = _curve_of_row(row)
    pairs = _pairs()
    is_alike = (pairs["species"] == row["species"]) & (pairs["counted_from"] == row["counted_from"])
    is_alike &= (pairs["stage"] == row["stage"]) | (pairs["event"] == row["event"])
    found: pd.DataFrame = pairs[is_alike].copy()
    found["predicted_days"] = drawn.days(found["temp_c"].to_numpy())
    nearest = found["predicted_days"].clip(found["days_low"], found["days_high"])
    found["error_days"] = found["predicted_days"] - nearest
    found["error_pct"] = 100.0 * found["error_days"] / nearest
    found["is_in_range"] = drawn.is_tested_at(found["temp_c"].to_numpy()) | np.isnan(drawn.valid_low_c)
    found["is_same_event"] = found["event"] == row["event"]
    return found


def _measured(row: pd.Series, errors: pd.DataFrame) -> dict[str, Any]:
    sound = errors[~errors["is_flagged"] & errors["is_in_range"]]
    alike = sound[sound["is_same_event"]]
    steady = alike[alike["temperature"] == "constant"]
    seen = steady[steady["trust"].str.startswith("SEEN")]
    worst = _largest(seen["error_pct"])
    return {
        "standing": _standing(row, worst),
        "pairs_checked": len(seen),
        "worst_error_pct": worst,
        "worst_disagreement_pct": _largest(sound["error_pct"]),
        "trust_note": _trust_note(str(row["trust"]), seen["error_pct"], steady["error_pct"]),
    }


def _standing(row: pd.Series, worst_pct: float) -> str:
    if row["is_default"]:
        return "default"
    is_supported = worst_pct <= MOST_ERROR_OFFERED_PCT  # False for NaN: nothing was seen
    return "for comparison" if row["trust"].startswith("MEMORY") and not is_supported else "offered"


def _largest(values: pd.Series) -> float:
    return float(values.abs().max()) if len(values) else float("nan")


def _trust_note(trust: str, seen_pct: pd.Series, all_pct: pd.Series) -> str:
    """Where coefficients come from and how large their error is against pairs seen, else against recalled ones."""
    origin = {
        "SEEN": "coefficients read in the source or its abstract",
        "SEEN-2": "value read in an open data set that cites the source",
        "DERIVED": "coefficients fitted here to published pairs",
        "MEMORY": "coefficients from memory",
        "MEMORY-LOW": "coefficients from memory, unsure",
    }[trust]
    if not len(all_pct):
        return f"{origin}; no published pair of the same event at a constant temperature is at hand to check them"
    kind, errors = ("published", seen_pct) if len(seen_pct) else ("recalled", all_pct)
    plural = "pair" if len(errors) == 1 else "pairs"
    return f"{origin}; reproduces {len(errors)} {kind} {plural} within {_largest(errors):.1f} %"
