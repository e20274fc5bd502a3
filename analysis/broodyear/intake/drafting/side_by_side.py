"""What columns say together: a tank, a stage or a measured quantity each, a site with the numbers of its tanks, a
day with its clock; and what the names around a table say of all its rows."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence

from broodyear.intake.drafting.headings import NUMBER, SHORT, Looks, Meaning, plain_words, stage_in, unit_in
from broodyear.intake.labels import CODE
from broodyear.layouts import Value

#: What a heading calls a measured quantity: its code and the unit of its numbers.
_ANALYTES = {
    "total_ammonia_n": ("ammonia", "nh3", "nh4", "nh3 nh4", "total ammonia", "tan"),
    "nitrite_n": ("nitrite", "nitrites", "no2"),
    "nitrate_n": ("nitrate", "nitrates", "no3"),
    "ph": ("ph",),
    "dissolved_oxygen": ("dissolved oxygen", "oxygen", "o2", "do"),
    "total_chlorine": ("chlorine", "total chlorine"),
    "hardness_caco3": ("hardness", "gh", "total hardness"),
    "alkalinity_caco3": ("alkalinity", "kh", "total alkalinity"),
}
_SAYS_NOTHING = {"ppm", "mg", "l", "reading", "test", "level", "of", "in"}


def stage_columns(names: Sequence[str], looks: Sequence[Looks]) -> dict[int, str]:
    """Columns headed by a stage with dates below, and their stages; of several some may be empty still."""
    found = {
        position: stage
        for position, name in enumerate(names)
        if (stage := stage_in(name)) and (looks[position].has_dates or not looks[position].filled)
    }
    return found if any(looks[position].filled for position in found) else {}


def absence_before(stages: Mapping[int, str], known: Sequence[Sequence[Meaning]], position: int) -> int | None:
    """The column of the last look without a stage, where it stands just before the column of that stage."""
    before = position - 1
    is_one = (
        before >= 0 and before not in stages and any(one.column.name == "last_absent_on" for one in known[before])
    )
    return before if is_one else None


def tank_columns(names: Sequence[str], looks: Sequence[Looks], known: Sequence[Sequence[Meaning]]) -> list[int]:
    """Columns headed by a tank's label with numbers below, when there are several."""
    positions = [
        position
        for position, name in enumerate(names)
        if CODE.fullmatch(name) and not known[position] and looks[position].are_numbers
    ]
    return positions if len(positions) > 1 else []


def analyte_columns(names: Sequence[str], looks: Sequence[Looks]) -> dict[int, str]:
    """Columns headed by a measured quantity with numbers below, and the codes of these."""
    found = {}
    for position, name in enumerate(names):
        words = " ".join(word for word in plain_words(name).split() if word not in _SAYS_NOTHING)
        code = next((code for code, called in _ANALYTES.items() if words in called), None)
        if code is not None and looks[position].are_numbers:
            found[position] = code
    return found


def unit_of(analyte: str) -> str:
    """The unit of a quantity's numbers."""
    return "ph" if analyte == "ph" else "mg_l"


#: By table: a number, the column of its unit, and what °C and °F are called there.
UNITS = {
    "temperatures": ("water_temp", "unit", {"C": "C", "F": "F"}),
    "deliveries": ("thermal_units_at_delivery", "thermal_unit", {"C": "c_days", "F": "f_days"}),
}
#: Where a text says the unit of what stands below it: "Water in F", "temperatures (°F)", "Fahrenheit".
_UNIT_IN_WORDS = re.compile(r"\bin °?([CF])\b|[(°]\s*([CF])\b|\b(C)elsius\b|\b(F)ahrenheit\b")
#: No tank is as warm as this in °C, and none that is read in °F as cold.
_BETWEEN_C_AND_F = 30.0


def unit_told(heading: str, above: Sequence[str], numbers: Sequence[Looks]) -> tuple[str, str] | None:
    """C or F, and what tells it: the heading, the texts above the table where they say one unit, or the numbers,
    where most can only be °F."""
    unit = unit_in(heading)
    if unit is not None:
        return unit, "the unit in the heading"
    units = {next(filter(None, found.groups())) for text in above if (found := _UNIT_IN_WORDS.search(text))}
    if len(units) == 1:
        return units.pop(), "the unit above the header"
    texts = [text.replace(",", ".") for one in numbers for text in one.distinct]
    read = [float(text) for text in texts if re.fullmatch(r"[0-9]+(?:\.[0-9]+)?", text)]
    warm = sum(number > _BETWEEN_C_AND_F for number in read)
    return ("F", "no water is so warm in °C") if read and 2 * warm > len(read) else None


def numbered_by_site(
    columns: Sequence[Sequence[str]], known: Sequence[Sequence[Meaning]]
) -> tuple[int, int, str] | None:
    """Places of the sites and of the numbers of their tanks, and a number that several have: then a tank is told
    by both. None where the labels of tanks stand by themselves."""
    first = [one[0].column.name if one else "" for one in known]
    if "site_id" not in first or "tank_id" not in first:
        return None
    site, tank = first.index("site_id"), first.index("tank_id")
    both = zip(columns[site], columns[tank], strict=True)
    pairs = sorted({(a.strip(), b.strip()) for a, b in both if a and b})
    labels = Counter(label for _, label in pairs)
    label, sites = max(labels.items(), key=lambda one: one[1], default=("", 0))
    fewer = len(labels) < len({name for name, _ in pairs})
    shape = NUMBER if not fewer else SHORT
    is_short = all(shape.fullmatch(one) for one in labels)
    return (site, tank, label) if sites > 1 and is_short else None


_TIMES = {"time", "clock", "hour", "time of day", "read at"}


def clock_beside(names: Sequence[str], looks: Sequence[Looks], date: int) -> int | None:
    """The column of the times of day that belong to a column of dates."""
    return next(
        (
            position
            for position, name in enumerate(names)
            if position != date and plain_words(name) in _TIMES and looks[position].are_times
        ),
        None,
    )


def fate_in(names: Mapping[str, str]) -> tuple[Value, str] | None:
    """What became of fish where the name of their file or sheet says it, or the heading of the day: releases 2025.
    names: of what -> name."""
    says = (what for what, name in names.items() if re.search(r"\breleas", name, re.IGNORECASE))
    what = next(says, None)
    return None if what is None else (Value("constant", "released"), f"the {what} says it")
