"""Numbers as people read them: units always there, a true minus, thin spaces, nothing where nothing is known."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from functools import partial
from typing import Any

from broodyear.reports.vocabulary import (
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


def percent(value: Any) -> str:
    """A percentage given as 0-100: whole numbers read better, and the tables keep every digit."""
    return f"{plain(value, 0)}{THIN}%"


def percent_fine(value: Any) -> str:
    """A percentage with one decimal."""
    return f"{plain(value, 1)}{THIN}%"


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


def short_day(value: Any) -> str:
    """A day of the running season, whose year nobody needs."""
    return f"{value.day} {value:%b}"


def yes_no(value: Any) -> str:
    """A boolean in words."""
    return "yes" if bool(value) else "no"


def words(value: Any) -> str:
    """An allowed value such as ``gravel_and_single_layer_stones`` in words."""
    return str(value).replace("_", " ")


_MINUS = re.compile(r"(?<![\w)])-(?=[0-9])")


def statement(value: Any) -> str:
    """A sentence made elsewhere, with true minus signs and models without underscores; files keep their names."""
    spoken = [word if ".csv" in word else word.replace("_", " ") for word in str(value).split(" ")]
    return _MINUS.sub("\u2212", " ".join(spoken))


def as_is(value: Any) -> str:
    """Text that is shown as it stands: a code, a sentence."""
    return str(value)


def exact(value: Any) -> str:
    """A number to its last bit, with a true minus."""
    return repr(float(value)).replace("-", "\u2212")


def _counted(value: Any, one: str, many: str) -> str:
    return f"{whole(value)} {one if float(value) == 1 else many}"


def _with_unit(write: Callable[[Any], str], unit: str) -> Callable[[Any], str]:
    return lambda value: f"{write(value)}{THIN}{unit}"


#: How each kind of value is written. Kinds in _TEXT_KINDS are not numbers.
FORMATS: dict[str, Callable[[Any], str]] = {
    "id": as_is,
    "text": as_is,
    "long": as_is,
    "words": words,
    "statement": statement,
    "long_statement": statement,
    "sentence": lambda value: f"{str(value)[:1].upper()}{str(value)[1:]}",
    "yes_no": yes_no,
    "verdict": verdict_label,
    "watch": partial(called, WATCH_WORDS),
    "factor": partial(called, FACTORS),
    "outcome": partial(called, OUTCOMES),
    "stage": partial(called, STAGES),
    "lost": lost_words,
    "model": model_words,
    "model_at_start": model_at_start,
    "band": band_words,
    "date": day,
    "short_date": short_day,
    "whole": whole,
    "tanks": lambda value: _counted(value, "tank", "tanks"),
    "batches": lambda value: _counted(value, "batch", "batches"),
    "number": plain,
    "exact": exact,
    "number_fine": lambda value: plain(value, 2),
    "pct": percent,
    "pct_fine": percent_fine,
    "pct_bare": whole,
    "points": lambda value: signed(value, 1),
    "points_words": lambda value: f"{signed(value, 0)} points",
    "points_plain": lambda value: f"{plain(abs(float(value)), 0)} points",
    "days_signed": lambda value: f"{signed(value, 1)} days",
    "days": _with_unit(plain, "d"),
    "p": p_value,
    "odds": odds,
    "celsius": _with_unit(plain, "°C"),
    "hours": _with_unit(whole, "h"),
    "year": lambda value: season_name(value),
}

_TEXT_KINDS = frozenset({
    "id", "text", "long", "sentence", "statement", "long_statement", "stage", "model", "band", "words", "yes_no",
    "date", "short_date", "year", "verdict", "watch", "factor", "outcome", "lost",
})  # fmt: skip


def is_number(kind: str) -> bool:
    """Whether a kind of value is right-aligned and read as a number."""
    return kind not in _TEXT_KINDS


def written(value: Any, kind: str) -> str:
    """`value` in the words of its kind; a dash where nothing is known."""
    return FORMATS[kind](value) if known(value) else NOTHING


def season_name(season: Any) -> str:
    """Season 2023 as 2023/24."""
    return f"{int(season)}/{(int(season) + 1) % 100:02d}"
