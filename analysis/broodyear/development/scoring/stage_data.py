"""Records of one species and stage made ready to score: what is used, what is left out, and the fits to it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from broodyear.development.likelihood.fit_result import DevelopmentFit, best_fit
from broodyear.development.likelihood.fitting import fit_tank_forms
from broodyear.development.likelihood.tank_records import TankRecords, tank_records
from broodyear.development.models.forms import Curve
from broodyear.development.models.own_models import DevelopmentModel
from broodyear.development.models.published import as_curve, scored_models
from broodyear.development.scoring.record_checks import (
    UNITS_REASON,
    CopiedDates,
    find_copied_dates,
    has_implausible_units,
    is_far_off,
)
from broodyear.errors import NothingToAnalyse, Refused

# The power form is the log_inverse form in other symbols and would only repeat its row.
SCORED_FORMS = ("constant_units", "exponential", "log_inverse")


@dataclass(frozen=True)
class StageRecords:
    """One species and stage before anything is fitted.

    rows, records: what is used, as it came and as tank records; models: published and given ones to score.
    """

    species: str
    stage: str
    rows: pd.DataFrame
    records: TankRecords
    models: Mapping[str, str | DevelopmentModel]


@dataclass(frozen=True)
class StageData(StageRecords):
    """One species and stage ready to score.

    fits: to all tanks, by form; refused: form → why there is none; is_suspect: (n,) True where the date of a tank
    is probably a wrong one.
    """

    fits: Mapping[str, DevelopmentFit]
    refused: Mapping[str, str]
    is_suspect: NDArray[np.bool_]

    @property
    def everything(self) -> dict[str, DevelopmentFit | DevelopmentModel | str]:
        """Every model that can be scored by its name: own fits, those given, published ones."""
        return {**{f"own_{form}": fit for form, fit in self.fits.items()}, **self.models}

    def curve(self, model: str) -> Curve:
        """The curve of a scored model."""
        return as_curve(self.everything[model])


_OPTIONAL: Mapping[str, Any] = {
    "species": "other", "stage": "hatch_half", "season": 0, "site_id": None, "donor_stock": None, "dating": "seen",
    "set_point_c": np.nan, "last_absent_on": pd.NaT, "first_seen_on": pd.NaT, "delivered_on": pd.NaT,
    "units_at_delivery_c_days": np.nan, "stage_at_delivery": "green", "lot_id": None,
    "usable": True, "why_not": None,
}  # fmt: skip


def completed(rows: pd.DataFrame) -> pd.DataFrame:
    """The frame with every column the scoring reads, under defaults where it has none."""
    absent = {name: value for name, value in _OPTIONAL.items() if name not in rows.columns}
    if "fraction_at_start" not in rows.columns and "units_at_delivery_c_days" in absent:
        absent["fraction_at_start"] = 0.0
    return rows.assign(**absent).reset_index(drop=True)


def stage_records(
    rows: pd.DataFrame,
    copied: CopiedDates,
    daily: Any,
    stages: Sequence[str],
    models: Sequence[DevelopmentModel] = (),
) -> tuple[list[StageRecords], pd.DataFrame]:
    """Records of every species and stage that can be used, and what is left out: species, stage, reason, rows."""
    data: list[StageRecords] = []
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
            used = kept.iloc[records.rows].reset_index(drop=True)
            data.append(StageRecords(*key, used, records, _models_of(*key, models)))
    return data, pd.DataFrame(left_out, columns=["species", "stage", "reason", "rows"])


def fits_by_stage(
    rows: pd.DataFrame, stages: Sequence[str]
) -> tuple[dict[tuple[str, str], dict[str, DevelopmentFit]], dict[tuple[str, str], str]]:
    """Own fits by (species, stage) and form to stage rows (see ``stage_rows``), copied dates left out, and why a
    form was refused where none was fitted."""
    rows = completed(rows)
    data, _ = stage_records(rows, find_copied_dates(rows), None, stages)
    fitted = {(one.species, one.stage): one for one in fitted_stages(data, SCORED_FORMS)}
    refused = {key: next(iter(one.refused.values())) for key, one in fitted.items() if not one.fits}
    return {key: dict(one.fits) for key, one in fitted.items()}, refused


def fitted_stages(stages: Sequence[StageRecords], forms: Sequence[str]) -> list[StageData]:
    """The same with own fits of some forms, and the dates that are probably wrong ones."""
    found = iter(fit_tank_forms([(one.records, form) for one in stages for form in forms]))
    data = []
    for one in stages:
        fits: dict[str, DevelopmentFit] = {}
        refused: dict[str, str] = {}
        for form, fit in zip(forms, found, strict=False):
            if isinstance(fit, Refused):
                refused[form] = str(fit)
            else:
                fits[form] = fit
        data.append(StageData(**vars(one), fits=fits, refused=refused, is_suspect=_suspects(one.records, fits)))
    return data


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
