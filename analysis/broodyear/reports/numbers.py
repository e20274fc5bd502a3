"""Numbers as people read them: units always there, a true minus, thin spaces, nothing where nothing is known."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from functools import partial
from typing import Any

from broodyear.reports.vocabulary import (
    DECISIONS,
    FACTORS,
    OUTCOMES,
    STAGES,
    WATCH_WORDS,
    band_words,
    called,
    lost_words,
    model_at_start,
    model_words,
    verdict_label,
)

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


def odds(value: Any) -> str:
    """An odds ratio with three significant figures or so."""
    size = abs(float(value))
    return plain(value, 2 if size < 10 else 1 if size < 100 else 0)


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
    "odds": odds,
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
