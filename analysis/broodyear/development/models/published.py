"""Published models of incubation time, each with its source, its trust mark and its measured error.

The coefficients lie in published_models.csv and the published days to a stage in published_pairs.csv, each row
with its citation. Trust marks: SEEN = read in the source or its abstract; SEEN-2 = read in an open data set that
cites the source; DERIVED = fitted here to published pairs; MEMORY = recalled; MEMORY-LOW = recalled and unsure.
No default rests on a MEMORY-LOW row, nor on a MEMORY row that no pair supports,
seen where there is one: the default is the model with the smallest error on the pairs at hand.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from functools import lru_cache
from numbers import Real
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from broodyear.development.arrays import Floats
from broodyear.development.models.forms import NOMINAL, Curve
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
    from broodyear.schemas.frames import checked

    return checked(known_models().copy(), "published_models")


def published_pairs() -> pd.DataFrame:
    """Published days to a stage by temperature, one row per pair.

    Columns: pair_set, species, stage, event, counted_from, temp_c, days, days_low, days_high (the same as days
    where the source gives one number), temperature ("constant", or "mean" of a varying one), trust, is_flagged
    (True: probably a slip in the source, used for nothing but shown), source, note.

    >>> pairs = published_pairs().query("species == 'atlantic_salmon' and stage == 'hatch_half'")
    >>> pairs["days"].gt(0).all()
    np.True_
    """
    return _pairs().copy()


def default_model(species: str, stage: str) -> str | None:
    """Name of the default model for a species and stage, or None when no published model earns it.

    >>> default_model("chinook", "hatch_half")
    'fit_Heming1982_chinook_hatch'
    """
    if not isinstance(species, str) or not isinstance(stage, str):
        given = next(one for one in (species, stage) if not isinstance(one, str))
        raise UsageError(f"a species and a stage are words, but this is of type {type(given).__name__}")
    rows = _of_stage(_as_published(), species, stage)
    return next(iter(rows.loc[rows["is_default"], "model"]), None)


def _of_stage(models: pd.DataFrame, species: str, stage: str) -> pd.DataFrame:
    return models[(models["species"] == species) & (models["stage"] == stage)]


def scored_models(species: str, stage: str) -> tuple[str, ...]:
    """Published models of a species and stage that records are scored against: all but those in doubt.

    Models recalled without certainty (MEMORY-LOW) are listed by ``published_models`` and never scored.
    """
    models = _of_stage(known_models(), species, stage)
    is_sure = models["trust"] != "MEMORY-LOW"
    return tuple(models.loc[is_sure & (models["counted_from"] == "fertilisation"), "model"])


def constant_units_model(species: str, stage: str) -> str | None:
    """Name of a published constant-units model for a species and stage that is not from memory, or None."""
    models = _of_stage(known_models(), species, stage)
    is_sure = ~models["trust"].str.startswith("MEMORY")
    return next(iter(models.loc[is_sure & (models["form"] == "constant_units"), "model"]), None)


def model_row(name: str) -> pd.Series:
    """The row of one model. Raises UsageError for an unknown name, with the nearest ones."""
    return _row_of(known_models(), name)


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
    tested = (float(row.get(edge, np.nan)) for edge in ("valid_low_c", "valid_high_c"))
    return Curve(str(row.get("model", "model")), str(row["form"]), dict(row["coefficients"]), *tested)


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
        _HERE / "published_models.csv", keep_default_na=False, na_values={"valid_low_c": "", "valid_high_c": ""}
    )
    models["coefficients"] = models["coefficients"].map(_coefficients)
    models["is_default"] = models["is_default"] == "yes"
    return models


@lru_cache(maxsize=1)
def known_models() -> pd.DataFrame:
    """The table of ``published_models``, to read and not to change."""
    models = _as_published()
    errors = errors_against_pairs(models)
    of_model = dict(list(errors.groupby("number")))
    rows = models.to_dict("records")
    measured = [_measured(row, of_model.get(number, errors.iloc[:0])) for number, row in enumerate(rows)]
    table: pd.DataFrame = pd.concat([models, pd.DataFrame(measured, index=models.index)], axis=1)
    table["spread_log_sd"] = spread_between_studies(table, log_errors(models, errors))
    return table


def log_errors(models: pd.DataFrame, errors: pd.DataFrame | None = None) -> pd.DataFrame:
    """number (of the model's row), study (source of the pair), log_error (ln predicted − ln published), is_own (of
    a source of the model's own) for the pairs of each model's stage.

    errors: of ``errors_against_pairs(models)``, where they are at hand.
    """
    errors = errors_against_pairs(models) if errors is None else errors
    sound = errors[~errors["is_flagged"] & errors["is_in_range"] & errors["is_same_stage"]]
    found = sound[["number"]].assign(study=sound["source"], log_error=np.log1p(sound["error_pct"] / 100.0))
    sources = models["source"].astype(str).tolist()
    is_own = [source in sources[number] for number, source in zip(sound["number"], sound["source"], strict=True)]
    return found.assign(is_own=is_own)


def spread_between_studies(models: pd.DataFrame, errors: pd.DataFrame, without: str = "") -> pd.Series:
    """SD of log days of a study a model was not made from, about each model, by published pairs of the same stage.

    The root mean square of a model's log errors over the other studies of its stage, each counting once whatever
    its pairs, at least that of all defaults with FEWEST_PAIRS_OF_STAGE pairs or more. errors: of
    ``log_errors(models)``; without: a study left out, whatever it measured.
    """
    counted = errors[~errors["is_own"] & (errors["study"] != without)]
    by_study = (counted["log_error"] ** 2).groupby([counted["number"], counted["study"]]).mean()
    numbers = range(len(models))
    size = np.sqrt(by_study.groupby(level="number").mean()).reindex(numbers).to_numpy(dtype=float)
    pairs = counted["number"].value_counts().reindex(numbers, fill_value=0).to_numpy()
    is_counted = models["is_default"].to_numpy(dtype=bool) & (pairs >= FEWEST_PAIRS_OF_STAGE)
    pooled = float(np.sqrt(np.mean(size[is_counted] ** 2))) if is_counted.any() else 0.0
    return pd.Series(np.nan_to_num(size), models.index).clip(lower=max(pooled, LEAST_SPREAD_LOG_SD))


def errors_against_pairs(models: pd.DataFrame) -> pd.DataFrame:
    """The published pairs of every model's species and stage, with the model's error on each.

    Added columns: number (of the model's row), predicted_days, error_days, error_pct (positive: the model is late;
    0 inside a published range), is_in_range (pair inside the tested temperatures), is_same_event, is_same_stage.
    """
    pairs = _pairs()
    temps = pairs["temp_c"].to_numpy(dtype=float)
    text = {name: pairs[name].to_numpy(dtype=object) for name in ("species", "counted_from", "stage", "event")}
    parts = []
    for number, row in enumerate(models.to_dict("records")):
        drawn = _curve_of_row(row)
        is_like = {name: values == row[name] for name, values in text.items()}
        is_wanted = is_like["species"] & is_like["counted_from"] & (is_like["stage"] | is_like["event"])
        at = np.flatnonzero(is_wanted)
        columns = {
            "number": number, "at": at, "predicted_days": drawn.days(temps[at]),
            "is_in_range": drawn.is_tested_at(temps[at]) | np.isnan(drawn.valid_low_c),
            "is_same_event": is_like["event"][at], "is_same_stage": is_like["stage"][at],
        }  # fmt: skip
        parts.append(pd.DataFrame(columns))
    added = pd.concat(parts, ignore_index=True)
    found = pd.concat([pairs.iloc[added.pop("at")].reset_index(drop=True), added], axis=1)
    nearest = found["predicted_days"].clip(found["days_low"], found["days_high"])
    off = found["predicted_days"] - nearest
    return found.assign(error_days=off, error_pct=100.0 * off / nearest)


def _measured(row: Mapping[Any, Any], errors: pd.DataFrame) -> dict[str, Any]:
    pct = errors["error_pct"].to_numpy(dtype=float)
    is_sound = (~errors["is_flagged"] & errors["is_in_range"]).to_numpy(dtype=bool)
    is_steady = is_sound & (errors["is_same_event"] & (errors["temperature"] == "constant")).to_numpy(dtype=bool)
    is_seen = is_steady & np.array([trust.startswith("SEEN") for trust in errors["trust"]], dtype=bool)
    worst = _largest(pct[is_seen])
    is_supported = worst <= MOST_ERROR_OFFERED_PCT  # False for NaN: nothing was seen
    standing = "for comparison" if row["trust"].startswith("MEMORY") and not is_supported else "offered"
    return {
        "standing": "default" if row["is_default"] else standing,
        "pairs_checked": int(is_seen.sum()),
        "worst_error_pct": worst,
        "worst_disagreement_pct": _largest(pct[is_sound]),
        "trust_note": _trust_note(str(row["trust"]), pct[is_seen], pct[is_steady]),
    }


def _largest(values: Floats) -> float:
    return float(np.abs(values).max()) if len(values) else float("nan")


def _trust_note(trust: str, seen_pct: Floats, all_pct: Floats) -> str:
    """Where coefficients come from and how large their error is against pairs seen, else against recalled ones."""
    origin = {
        "SEEN": "coefficients read in the source or its abstract",
        "SEEN-2": "value read in an open data set that cites the source",
        "DERIVED": "coefficients fitted here to published pairs",
        "MEMORY": "coefficients recalled, not read in the source",
        "MEMORY-LOW": "coefficients recalled, not read in the source, and unsure",
    }[trust]
    if not len(all_pct):
        return f"{origin}; no published pair of the same event at a constant temperature is at hand to check them"
    kind, errors = ("published", seen_pct) if len(seen_pct) else ("recalled", all_pct)
    plural = "pair" if len(errors) == 1 else "pairs"
    return f"{origin}; reproduces {len(errors)} {kind} {plural} within {_largest(errors):.1f} %"


_COLUMNS = [
    "species", "stage", "model", "model_event", "pair_set", "pair_event", "temp_c", "published_days",
    "published_low_days", "published_high_days", "predicted_days", "error_days", "error_pct", "is_in_range",
    "is_same_event", "is_flagged", "model_trust", "pair_trust", "pair_source", "note",
]  # fmt: skip


_OF_PAIRS = {
    "event": "pair_event", "days": "published_days", "days_low": "published_low_days",
    "days_high": "published_high_days", "trust": "pair_trust", "source": "pair_source",
}  # fmt: skip


def published_disagreements(least_pct: float = 0.0) -> pd.DataFrame:
    """Every published pair against every model of its species and stage, largest disagreement first.

    least_pct: leave out pairs that agree within this many per cent (0 keeps all). error_days and error_pct are
    predicted minus published (0 inside a published range). is_in_range: the pair lies at a temperature the model
    was tested at. is_same_event: False where, say, emergence is compared with ponding; part of such a difference
    is definition. is_flagged: the published value itself is doubtful.

    >>> (published_disagreements(10.0)["error_pct"].abs() >= 10.0).all()
    np.True_
    """
    if not isinstance(least_pct, Real):
        raise UsageError(f"a least disagreement is a number (%), but this is of type {type(least_pct).__name__}")
    models = known_models()
    of_model = models[["stage", "model", "event", "trust"]].rename(
        columns={"event": "model_event", "trust": "model_trust"}
    )
    renamed = errors_against_pairs(models).rename(columns=_OF_PAIRS).drop(columns="stage")
    table = renamed.join(of_model, on="number")
    table = table[table["error_pct"].abs() >= least_pct]
    order = table["error_pct"].abs().sort_values(ascending=False, kind="stable").index
    return table.loc[order, _COLUMNS].reset_index(drop=True)


FORM_WORDS = {
    "constant_units": "constant units",
    "power": "power",
    "log_inverse": "log-inverse",
    "exponential": "exponential",
    "linear_units": "units that change with temperature",
}


def readable_name(model: str) -> str:
    """A model in words: an own fit by its form, a published one by author, year and event, any other as named."""
    form = model.removeprefix("own_")
    if form != model and form in FORM_WORDS:
        return f"this programme's own fit, {FORM_WORDS[form]}"
    if model.startswith(NOMINAL):
        return "nominal units of the settings"
    return _titles().get(model, model)


@lru_cache(maxsize=1)
def _titles() -> Mapping[str, str]:
    models = known_models()
    return dict(zip(models["model"], models["title"].astype(str), strict=True))
