"""Thermal-unit models of development: published, fitted to own records, scored, and used to forecast.

The names below are the public ones; each is imported when first used, so that ``import broodyear`` stays light.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

_NAMES = {
    "forecast.forecasting": (
        "EARLIER_FITS", "FORECAST_CAUTIONS", "cautions_on", "forecast_stages", "forecast_table", "own_fits",
    ),
    "forecast.planning": ("PlannedDelivery", "plan_by_records", "plan_dates"),
    "likelihood.fit_result": ("DevelopmentFit",),
    "likelihood.fitting": ("fit_development",),
    "models.own_models": ("DevelopmentModel", "read_models"),
    "models.published": ("default_model", "published_disagreements", "published_models", "published_pairs"),
    "models.summing": ("days_to_stage", "forecast_day", "fraction_at_delivery", "units_c_days"),
    "scoring.assessment": ("DevelopmentAssessment", "assess_development"),
    "scoring.held_out_scores": ("score_development",),
}  # fmt: skip
_HOMES = {name: home for home, names in _NAMES.items() for name in names}

__all__ = [
    "EARLIER_FITS", "FORECAST_CAUTIONS", "DevelopmentAssessment", "DevelopmentFit",
    "DevelopmentModel", "PlannedDelivery", "assess_development", "cautions_on", "days_to_stage", "default_model",
    "fit_development", "forecast_day", "forecast_stages", "forecast_table", "fraction_at_delivery", "own_fits",
    "plan_by_records", "plan_dates", "published_disagreements", "published_models", "published_pairs",
    "read_models", "score_development", "units_c_days",
]  # fmt: skip

if TYPE_CHECKING:
    from broodyear.development.forecast.forecasting import (
        EARLIER_FITS,
        FORECAST_CAUTIONS,
        cautions_on,
        forecast_stages,
        forecast_table,
        own_fits,
    )
    from broodyear.development.forecast.planning import PlannedDelivery, plan_by_records, plan_dates
    from broodyear.development.likelihood.fit_result import DevelopmentFit
    from broodyear.development.likelihood.fitting import fit_development
    from broodyear.development.models.own_models import DevelopmentModel, read_models
    from broodyear.development.models.published import (
        default_model,
        published_disagreements,
        published_models,
        published_pairs,
    )
    from broodyear.development.models.summing import (
        days_to_stage,
        forecast_day,
        fraction_at_delivery,
        units_c_days,
    )
    from broodyear.development.scoring.assessment import DevelopmentAssessment, assess_development
    from broodyear.development.scoring.held_out_scores import score_development


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *_HOMES])
