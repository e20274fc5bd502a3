"""What models are called where people read them: "Crisp 1988, swim-up", or "this programme's own fit, power"."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache

from broodyear.development.models.own_models import NOMINAL
from broodyear.development.models.published import known_models

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
