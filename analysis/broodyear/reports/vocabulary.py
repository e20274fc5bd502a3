"""What codes of the tables are called on a page: outcomes, verdicts, stages, practices."""

from __future__ import annotations

from collections.abc import Mapping

from broodyear.figures.style import VERDICTS
from broodyear.figures.timeline import STAGE_WORDS


def called(names: Mapping[str, str], code: object) -> str:
    """A code by its name among ``names``, else by its own words."""
    return names.get(str(code), str(code).replace("_", " "))


OUTCOMES = {
    "hatch": "eggs delivered to hatch",
    "hatch_to_release": "hatch to release",
    "delivered_to_release": "delivery to release",
}

#: What became of fish that left a tank, after their number.
FATES = {
    "transferred_in": "moved in from another tank",
    "released": "released",
    "transferred_out": "moved out to another tank",
    "retained": "kept",
    "euthanised": "euthanised",
    "escaped": "escaped",
}

MAIN_OUTCOME = "delivered_to_release"

VERDICT_WORDS = {name: said for name, (_, said) in VERDICTS.items()} | {"too_few_seasons": "cannot be judged yet"}

#: A shape beside the words, so that a verdict does not rest on colour.
VERDICT_MARKS = {
    "below_expected": "▼",
    "watch": "◆",
    "as_expected": "●",
    "above_expected": "▲",
    "too_few_records": "×",
    "too_few_seasons": "×",
}

STAGE_LOST = {"egg": "as eggs", "alevin": "as alevins", "fry": "as fry"}

#: The same for one tank, where the records may tell less.
WHERE_LOST = {
    **STAGE_LOST,
    "after_hatch": "after hatch",
    "unaccounted": "without being counted dead: they are unaccounted for",
}


def lost_words(stage: object) -> str:
    """Where the fish of a tank were lost, after "lost"."""
    return WHERE_LOST.get(str(stage), f"in stage {str(stage).replace('_', ' ')}")


FACTORS = {
    "": "all practices",
    "gravel_practice": "gravel practice",
    "gravel_depth_cm": "gravel depth",
    "stone_diameter_mm": "stone diameter",
    "disinfection_hours": "time of disinfection",
    "room_type": "room",
    "room_type_direct": "room, at the same water temperature",
    "filter_kind": "filter",
    "room_and_gravel": "room and gravel",
    "mean_water_temp_c": "mean water temperature",
    "units_at_delivery_c_days": "thermal units at delivery",
    "light_cover": "light cover",
    "insulated": "insulation",
    "set_point_c": "set point",
    "set_point_band": "set point",
    "differential_c": "differential",
    "differential_band": "differential",
    "conditioning_days": "days of conditioning",
    "conditioning_band": "days of conditioning",
    "media_carried_over_pct": "filter media carried over",
    "media_band": "filter media carried over",
    "weekend_access": "weekend access",
}


def verdict_label(verdict: object) -> str:
    """A verdict with its shape."""
    return f"{VERDICT_MARKS.get(str(verdict), '')} {called(VERDICT_WORDS, verdict)}".strip()


STAGES = STAGE_WORDS


DECISIONS = {"claimed": "clear", "not_claimed": "not clear"}

#: Why a tank is on the week's list.
WATCH_WORDS = {
    "no_setup": "eggs without a set-up",
    "losses": "losing fish",
    "warm": "too warm",
    "water": "water out of limits",
    "silent": "silent",
    "cold": "too cold",
    "due": "stage due",
}


#: Bands of mean water temperature, as scores.csv names them.
BAND_WORDS = {
    "all": "all",
    "<5": "below 5 °C",
    "5-7": "at 5 to 7 °C",
    "7-9": "at 7 to 9 °C",
    "9-11": "at 9 to 11 °C",
    ">11": "above 11 °C",
}


def band_words(band: object) -> str:
    """A band of temperature in a column of degrees: below 5, 5 to 7."""
    words = BAND_WORDS.get(str(band), str(band))
    return words.removeprefix("at ").removesuffix(" °C")


#: What the forms of thermal-unit models are called by themselves.
_FORMS = {
    "constant_units": "constant thermal units",
    "power": "power curve",
    "log_inverse": "log-inverse curve",
    "exponential": "exponential curve",
}


def model_words(model: object) -> str:
    """A thermal-unit model as people say it: a published one by author and event, an own fit by its form, a given
    one as it was named."""
    from broodyear.development.models.published import readable_name

    return _FORMS.get(str(model)) or readable_name(str(model))


def model_at_start(model: object) -> str:
    """The same as a sentence begins; the name of a given model stays."""
    words = model_words(model)
    return words if words == str(model) else f"{words[:1].upper()}{words[1:]}"
