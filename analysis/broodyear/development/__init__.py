"""Thermal-unit models of development: published, fitted to own records, scored, and used to forecast.

The names below are the public ones; each is imported when first used, so that ``import broodyear`` stays light.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

_HOMES = {
    "DevelopmentFit": "fit_result",
    "fit_development": "fitting",
    "published_models": "published",
    "published_pairs": "published",
    "default_model": "published",
    "days_to_stage": "summing",
    "forecast_day": "summing",
    "fraction_at_delivery": "summing",
    "units_c_days": "summing",
    "published_disagreements": "disagreements",
}

__all__ = [
    "DevelopmentFit",
    "days_to_stage",
    "default_model",
    "fit_development",
    "forecast_day",
    "fraction_at_delivery",
    "published_disagreements",
    "published_models",
    "published_pairs",
    "units_c_days",
]

if TYPE_CHECKING:
    from broodyear.development.disagreements import published_disagreements
    from broodyear.development.fit_result import DevelopmentFit
    from broodyear.development.fitting import fit_development
    from broodyear.development.published import default_model, published_models, published_pairs
    from broodyear.development.summing import days_to_stage, forecast_day, fraction_at_delivery, units_c_days


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *_HOMES])
