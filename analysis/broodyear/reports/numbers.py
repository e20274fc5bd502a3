"""Values as people read them: numbers with units, a true minus and thin spaces, nothing where nothing is known;
codes of the tables (outcomes, verdicts, stages, practices) in words."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Mapping
from functools import partial
from typing import Any

from broodyear.figures.style import VERDICTS
from broodyear.figures.timeline import STAGE_WORDS

#: Narrow no-break space, between thousands and before a unit.
THIN = "\u202f"
NOTHING = "–"


def known(value: Any) -> bool:
    """Whether there is a value at all (None, NaN and NaT are not)."""
    if value is None or type(value).__name__ in ("NAType", "NaTType"):
        return False
    return bool(value == value)


def plain(value: Any, digits: int = 1) -> str:
    """A number with `digits` decimals, thin spaces between thousands and a true minus."""
    text = f"{float(value):,.{digits}f}"
    if float(text.replace(",", "")) == 0:
        text = text.lstrip("-")
    return text.replace(",", THIN).replace("-", "\u2212")


def whole(value: Any) -> str:
    """A count."""
    return plain(value, 0)


def signed(value: Any, digits: int = 1) -> str:
    """A difference, with its sign."""
    text = plain(value, digits)
    return f"+{text}" if float(value) > 0 and text.strip("0.") else text


def p_value(value: Any) -> str:
    """A p- or q-value; never 0.000."""
    if float(value) < 0.001:
        return "<0.001"
    return plain(value, 3 if float(value) < 0.1 else 2)


def day(value: Any) -> str:
    """A date as 8 Nov 2024."""
    date: dt.date = value
    return f"{date.day}{THIN}{date:%b}{THIN}{date.year}"


def words(value: Any) -> str:
    """An allowed value such as ``gravel_and_single_layer_stones`` in words."""
    return str(value).replace("_", " ")


_MINUS = re.compile(r"(?<![\w)])-(?=[0-9])")


def statement(value: Any) -> str:
    """A sentence made elsewhere, with true minus signs and models without underscores; files keep their names."""
    spoken = [word if ".csv" in word else word.replace("_", " ") for word in str(value).split(" ")]
    return _MINUS.sub("\u2212", " ".join(spoken))


def counted(value: Any, one: str, many: str = "") -> str:
    """A count with its noun: "1 row", "12 rows"."""
    return f"{whole(value)} {one if float(value) == 1 else many or one + 's'}"


def tank_word(code: Any) -> str:
    """What stands before a tank's code in a sentence: nothing where the code begins with the word itself."""
    return "" if str(code).lower().startswith("tank") else "Tank "


def site_word(code: Any) -> str:
    """The same before a site's code."""
    return "" if str(code).lower().startswith("site") else "Site "


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

VERDICT_WORDS = {name: text for name, (_, text) in VERDICTS.items()} | {"too_few_seasons": "cannot be judged yet"}

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


#: How each kind of value that is a text is written.
_TEXTS: dict[str, Callable[[Any], str]] = {
    "id": str,
    "text": str,
    "long": str,
    "words": words,
    "statement": statement,
    "long_statement": statement,
    "sentence": lambda value: f"{str(value)[:1].upper()}{str(value)[1:]}",
    "yes_no": lambda value: "yes" if value else "no",
    "verdict": verdict_label,
    "watch": partial(called, WATCH_WORDS),
    "decision": partial(called, DECISIONS),
    "factor": partial(called, FACTORS),
    "outcome": partial(called, OUTCOMES),
    "stage": partial(called, STAGES),
    "lost": lost_words,
    "model": model_words,
    "model_at_start": model_at_start,
    "band": band_words,
    "date": day,
    "short_date": lambda value: f"{value.day} {value:%b}",  # of the running season, whose year nobody needs
    "year": lambda value: season_name(value),
}
#: The same of each kind that is a number: right-aligned in tables. Whole percentages read better, and the tables
#: keep every digit; ``exact`` is a number to its last bit.
_NUMBERS: dict[str, Callable[[Any], str]] = {
    "whole": whole,
    "tanks": lambda value: counted(value, "tank"),
    "batches": lambda value: counted(value, "batch", "batches"),
    "sites": lambda value: counted(value, "site"),
    "number": plain,
    "exact": lambda value: repr(float(value)).replace("-", "\u2212"),
    "number_fine": lambda value: plain(value, 2),
    "pct": lambda value: f"{whole(value)}{THIN}%",
    "pct_fine": lambda value: f"{plain(value)}{THIN}%",
    "pct_bare": whole,
    "points": signed,
    "points_words": lambda value: f"{signed(value, 0)} points",
    "points_plain": lambda value: f"{whole(abs(float(value)))} points",
    "days_signed": lambda value: f"{signed(value)} days",
    "days": lambda value: f"{plain(value)}{THIN}d",
    "p": p_value,
    "celsius": lambda value: f"{plain(value)}{THIN}°C",
    "hours": lambda value: f"{whole(value)}{THIN}h",
}
FORMATS = {**_TEXTS, **_NUMBERS}


def is_number(kind: str) -> bool:
    """Whether a kind of value is right-aligned and read as a number."""
    return kind in _NUMBERS


def written(value: Any, kind: str) -> str:
    """`value` in the words of its kind; a dash where nothing is known."""
    return FORMATS[kind](value) if known(value) else NOTHING


def season_name(season: Any) -> str:
    """Season 2023 as 2023/24."""
    return f"{int(season)}/{(int(season) + 1) % 100:02d}"
