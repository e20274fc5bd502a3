"""The models a forecast may rest on, each with the spread that belongs to it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from broodyear.development.arrays import Floats, Whole
from broodyear.development.likelihood.curve_fits import unbiased_batch_variance
from broodyear.development.likelihood.fit_result import DevelopmentFit, Fits, best_fit, form_weights
from broodyear.development.likelihood.tank_records import ASSUMED_HATCHERY_C
from broodyear.development.models.forms import NOMINAL, Curve
from broodyear.development.models.own_models import DevelopmentModel
from broodyear.development.models.published import (
    LEAST_SPREAD_LOG_SD,
    as_curve,
    constant_units_model,
    default_model,
    model_row,
)

Spread = Callable[[Floats, pd.DataFrame], tuple[Floats, Floats]]

# Error of recorded units at delivery, °C·d (flow-through temperature, pooled takes: SD 5–10; common practice). Own
# fits already hold it in the spread of the tanks they were fitted to.
UNITS_AT_DELIVERY_SD_C_DAYS = 7.0
# Published values of the same stage that differ by more are mentioned with every date.
LARGEST_QUIET_DISAGREEMENT_PCT = 10.0
# Hatcheries run at about 5 to 11 °C; half that range over root three is the SD of a flat guess.
_HATCHERY_RANGE_C = (5.0, 11.0)


@dataclass(frozen=True)
class ForecastModel:
    """One model of one species and stage.

    curve; is_own; spread: by mean temperature (°C) and tanks, the variance of log development about ``level`` and
    the degrees of freedom behind it; level: of tanks (batch_id, and where known site_id and donor_stock), the log
    effects of their groups that are known; note.
    """

    curve: Curve
    is_own: bool
    spread: Spread
    level: Callable[[pd.DataFrame], Floats]
    note: str


def candidate_models(
    species: str, stage: str, fits: Fits, given: Sequence[DevelopmentModel] = ()
) -> list[ForecastModel]:
    """Models for a species and stage in the order in which they are trusted: own fits, models of one's own,
    published, constant units.

    given: models of one's own, and the constant units that the settings declare. One of which the spread is not
    known has a date without an interval; one that counts from hatch has none.
    """
    of_stage = [one for one in given if (one.species, one.stage) == (species, stage) and not counts_otherwise(one)]
    declared = [one for one in of_stage if one.name.startswith(NOMINAL)]
    own = own_forecast_model(fits.get((species, stage), {}))
    models = [own] if own is not None else []
    models += [_of_ones_own(one) for one in of_stage if one not in declared]
    for name in dict.fromkeys([default_model(species, stage), constant_units_model(species, stage)]):
        if name is not None:
            row = model_row(name)
            models.append(_as_given(as_curve(name), float(row["spread_log_sd"]), _published_note(row)))
    note = "nominal thermal units, as the settings declare them for this species"
    return [*models, *(_as_given(one.curve, LEAST_SPREAD_LOG_SD, note) for one in declared)]


def counts_otherwise(model: DevelopmentModel) -> bool:
    """Whether a model counts days from elsewhere than fertilisation, so that no forecast can be made by it."""
    return model.counted_from != "fertilisation"


def _of_ones_own(one: DevelopmentModel) -> ForecastModel:
    if one.spread_log_sd is None:
        return _as_given(one.curve, np.nan, "a model given; how tanks vary about it is not, so no interval")
    return _as_given(one.curve, float(one.spread_log_sd), "a model given")


def _as_given(drawn: Curve, log_sd: float, note: str) -> ForecastModel:
    """A forecast by a curve as it is, with a spread that is taken as known; nan where it is not."""
    return ForecastModel(
        drawn, False, lambda _, tanks: (np.full(len(tanks), log_sd**2), np.full(len(tanks), np.inf)),
        lambda tanks: np.zeros(len(tanks)), note,
    )  # fmt: skip


def own_forecast_model(fits: Mapping[str, DevelopmentFit]) -> ForecastModel | None:
    """A forecast by the programme's own fit of the likeliest form: stocks, batches and sites seen early or late
    before go on so; None without a fit.

    The curve is that of all groups together. A new batch of a known stock begins at its stock. What the forms
    differ by, each as likely as it is (Akaike weights; Buckland, Burnham & Augustin 1997, Biometrics 53:603, cited
    from memory), is part of the variance: few tanks choose a form, and the curvature of the curve, by what one
    thermometer reads.
    """
    best = best_fit(fits)
    if best is None:
        return None
    weights = form_weights(fits)
    likeliest, *others = (
        _Predicted.by(fit, weights[form]) for form, fit in sorted(fits.items(), key=lambda one: one[1] is not best)
    )

    def spread(mean_temp_c: Floats, tanks: pd.DataFrame) -> tuple[Floats, Floats]:
        variance, degrees = likeliest.spread(mean_temp_c, tanks)
        here = likeliest.log_days(mean_temp_c, tanks)
        for other in others:
            off = other.log_days(mean_temp_c, tanks) - here
            variance = variance + other.weight * np.where(np.isfinite(off), off, 0.0) ** 2
        return variance, degrees

    drawn = best.shape.curve(f"own_{best.form}", likeliest.free, best.curve.valid_low_c, best.curve.valid_high_c)
    note = f"fitted to {best.tanks} tanks of {best.batches} batches"
    return ForecastModel(drawn, True, spread, likeliest.level, note)


@dataclass(frozen=True)
class _Predicted:
    """What a fit says of tanks. free: of the curve of all groups; level, spread: as in ``ForecastModel``."""

    fit: DevelopmentFit
    weight: float
    free: Floats
    level: Callable[[pd.DataFrame], Floats]
    spread: Spread

    @staticmethod
    def by(fit: DevelopmentFit, weight: float) -> _Predicted:
        groups = fit.groups
        if groups is None or not np.isfinite(groups.total_sd):
            return _Predicted(fit, weight, fit.free, *_by_batch_alone(fit))

        def level(tanks: pd.DataFrame) -> Floats:
            return groups.predicted(np.zeros((len(tanks), fit.shape.free)), _codes(fit, tanks))[0]

        def spread(mean_temp_c: Floats, tanks: pd.DataFrame) -> tuple[Floats, Floats]:
            return groups.predicted(fit.shape.gradient(fit.free, mean_temp_c), _codes(fit, tanks))[1:]

        return _Predicted(fit, weight, fit.free + groups.estimate, level, spread)

    def log_days(self, mean_temp_c: Floats, tanks: pd.DataFrame) -> Floats:
        """(n,) log of the days that tanks need at a temperature."""
        with np.errstate(invalid="ignore"):
            return self.fit.shape.log_days(self.free, mean_temp_c) + self.level(tanks)


# The columns that name a tank's level of each group.
_GROUP_COLUMNS = {"batch": "batch_id", "site": "site_id", "stock": "donor_stock"}


def _codes(fit: DevelopmentFit, tanks: pd.DataFrame) -> dict[str, Whole]:
    """By group, the level of each tank among those of the fit, −1 for others."""
    return {
        name: pd.Index(levels).get_indexer(pd.Index(tanks[_GROUP_COLUMNS[name]].astype(str)))
        for name, levels in fit.group_levels.items()
        if _GROUP_COLUMNS[name] in tanks
    }


def _by_batch_alone(fit: DevelopmentFit) -> tuple[Callable[[pd.DataFrame], Floats], Spread]:
    """Level and spread by a fit whose groups cannot be separated."""
    effects = fit.batch_effects.set_index("batch_id")
    batch_sd = 0.0 if np.isnan(fit.batch_log_sd) else fit.batch_log_sd
    batch_variance = unbiased_batch_variance(batch_sd, fit.batches)

    def level(tanks: pd.DataFrame) -> Floats:
        return np.asarray(tanks["batch_id"].map(effects["log_effect"]).astype(float).fillna(0.0), dtype=float)

    def spread(mean_temp_c: Floats, tanks: pd.DataFrame) -> tuple[Floats, Floats]:
        known = tanks["batch_id"].map(effects["std_error"] ** 2).astype(float)
        between = np.minimum(known.fillna(batch_variance).to_numpy(), batch_variance)
        gradient = fit.shape.gradient(fit.free, mean_temp_c)
        curve_variance = np.einsum("ij,jk,ik->i", gradient, fit.free_covariance, gradient)
        variance = np.asarray(fit.spread_log_sd**2 + between + curve_variance, dtype=float)
        return variance, np.full(len(tanks), float(fit.error_df))

    return level, spread


def _published_note(row: pd.Series) -> str:
    parts = [str(row["trust_note"])]
    if row["worst_disagreement_pct"] > LARGEST_QUIET_DISAGREEMENT_PCT:
        parts.append(
            f"published values of this stage differ from it by up to {row['worst_disagreement_pct']:.0f} %"
        )
    if row["is_default"] and row["form"] == "constant_units":
        parts.append(str(row["note"]))
    return "; ".join(parts)


def start_of_development(model: ForecastModel, units_c_days: Floats, hatchery_c: Floats) -> tuple[Floats, Floats]:
    """(fraction done on delivery, its SD) of each tank, (K / T0) · rate(T0).

    An unknown hatchery temperature is taken as 8 °C with the spread of a range; units carry their own error where
    the model's spread does not hold it already. NaN where the units are not known.
    """
    is_unknown = np.isnan(hatchery_c)
    temps = np.where(is_unknown, ASSUMED_HATCHERY_C, hatchery_c)
    share_per_unit = model.curve.rate(temps) / temps
    edges = [float(model.curve.rate(np.array([edge]))[0]) / edge for edge in _HATCHERY_RANGE_C]
    assumed_sd = units_c_days * abs(edges[1] - edges[0]) / (2.0 * np.sqrt(3.0))
    units_sd = 0.0 if model.is_own else UNITS_AT_DELIVERY_SD_C_DAYS * share_per_unit
    # Green eggs have no units to be wrong about.
    units_sd = np.where(units_c_days > 0, units_sd, 0.0)
    return units_c_days * share_per_unit, np.hypot(np.where(is_unknown, assumed_sd, 0.0), units_sd)
