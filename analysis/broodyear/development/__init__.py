"""Thermal-unit models of development: published, fitted to own records, scored, and used to forecast.

The names below are the public ones; each is imported when first used, so that ``import broodyear`` stays light.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

_HOMES = {
    "DevelopmentAssessment": "assessment",
    "DevelopmentFit": "fit_result",
    "FORECAST_CAUTIONS": "forecasting",
    "assess_development": "assessment",
    "days_to_stage": "summing",
    "default_model": "published",
    "fit_development": "fitting",
    "forecast_day": "summing",
    "forecast_stages": "forecasting",
    "fraction_at_delivery": "summing",
    "plan_dates": "planning",
    "published_disagreements": "disagreements",
    "published_models": "published",
    "published_pairs": "published",
    "score_development": "scoring",
    "units_c_days": "summing",
}

__all__ = [
    "FORECAST_CAUTIONS",
    "DevelopmentAssessment",
    "DevelopmentFit",
    "assess_development",
    "days_to_stage",
    "default_model",
    "fit_development",
    "forecast_day",
    "forecast_stages",
    "fraction_at_delivery",
    "plan_dates",
    "published_disagreements",
    "published_models",
    "published_pairs",
    "score_development",
    "units_c_days",
]

if TYPE_CHECKING:
    from broodyear.development.assessment import DevelopmentAssessment, assess_development
    from broodyear.development.disagreements import published_disagreements
    from broodyear.development.fit_result import DevelopmentFit
    from broodyear.development.fitting import fit_development
    from broodyear.development.forecasting import FORECAST_CAUTIONS, forecast_stages
    from broodyear.development.planning import plan_dates
    from broodyear.development.published import default_model, published_models, published_pairs
    from broodyear.development.scoring import score_development
    from broodyear.development.summing import days_to_stage, forecast_day, fraction_at_delivery, units_c_days


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *_HOMES])
