"""Survival and development records of small chilled incubation tanks: check, load, compare, forecast.

The names below are the public ones; each is imported when first used, so that ``import broodyear`` stays light.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_HOMES = {
    "open_store": "broodyear.store",
    "fit_survival": "broodyear.survival",
    "published_models": "broodyear.development",
    "forecast_day": "broodyear.development",
    "fit_development": "broodyear.development",
    "score_development": "broodyear.development",
    "compare_setups": "broodyear.setups",
    "DevelopmentModel": "broodyear.development",
}

__all__ = [
    "DevelopmentModel",
    "__version__",
    "compare_setups",
    "fit_development",
    "fit_survival",
    "forecast_day",
    "open_store",
    "published_models",
    "score_development",
]

if TYPE_CHECKING:
    from broodyear.development import (
        DevelopmentModel,
        fit_development,
        forecast_day,
        published_models,
        score_development,
    )
    from broodyear.setups import compare_setups
    from broodyear.store import open_store
    from broodyear.survival import fit_survival


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'broodyear' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *_HOMES])
