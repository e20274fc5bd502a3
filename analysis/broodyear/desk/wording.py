"""Words and numbers as the pages show them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import Any

from broodyear.reports.numbers import counted, season_name, written
from broodyear.schemas import TABLE_NAMES

#: What a table holds, in a few words.
TABLE_WORDS = {
    "sites": "the sites that have tanks",
    "tanks": "the tanks",
    "setups": "how each tank was set up",
    "batches": "the batches of eggs",
    "deliveries": "eggs brought to tanks",
    "temperatures": "water temperatures",
    "losses": "checks for dead eggs and fish",
    "stages": "hatching and growing",
    "exits": "fish that left a tank",
    "incidents": "things that went wrong",
    "water_tests": "water tests",
    "trials": "practices assigned at random",
}

#: Rules whose short name does not speak for itself.
RULE_WORDS = {
    "file_refused": "file not understood",
    "ambiguous_date": "date that can mean two days",
    "unknown_tank": "tank that nobody has listed",
    "unknown_site": "site that nobody has listed",
    "unknown_batch": "batch that nobody has listed",
    "not_allowed": "word that is not on the list",
    "out_of_range": "number that cannot be true",
    "required_blank": "needed cell is blank",
    "cut_off": "file that may be cut off",
    "second_table": "second table below the first",
    "duplicate_key": "same row twice, with different values",
    "identical_repeat": "same row twice",
    "too_many_cells": "row with too many cells",
    "in_the_future": "date in the future",
    "totals_line": "line of totals",
    "repeated_header": "column names in the middle",
    "bad_code": "code that cannot be used",
    "absent_not_before_seen": "seen before it was still absent",
    "not_yes_or_no": "neither yes nor no",
    "clock_change": "hour of the clock change",
    "looks_fahrenheit": "looks like °F",
    "looks_fahrenheit_units": "thermal units look like °F",
    "other_temperature_looks_fahrenheit": "looks like °F",
    "water_temp_above_25": "water above 25 °C",
    "large_unaccounted": "many fish not accounted for",
    "more_out_than_in": "more fish out than eggs in",
    "losses_cumulative": "deaths look added up",
    "day_month_swapped": "day and month may be swapped",
    "year_off": "the year of a date may be wrong",
    "dates_await_mending": "dates that wait for a row to be mended",
    "eggs_after_button_up": "dead eggs after button-up",
    "look_before_stage": "stages without the last look before them",
    "dating_equals_forecast": "date equals the forecast",
    "readings_copied": "same reading day after day",
    "set_point_typed": "set point typed as a reading",
    "short_conditioning": "tank filled just before the eggs came",
    "units_restarted": "thermal units counted anew",
    "wide_differential": "controller swings widely",
    "same_tank_two_labels": "one tank under two labels",
    "label_spelled_twice": "one label in two spellings",
    "tank_moved": "tank at two places in a season",
    "site_region_changed": "site under two regions",
}


def number(value: int | float | None) -> str:
    """A whole number with thin spaces between thousands."""
    return written(value, "whole")


def size(value: int) -> str:
    """A size of a file."""
    for unit, step in (("GB", 1_000_000_000), ("MB", 1_000_000), ("kB", 1_000)):
        if value >= step:
            return f"{value / step:.1f}\u202f{unit}"
    return f"{value}\u202fbytes"


def duration(seconds: float) -> str:
    """A length of time, roughly."""
    if seconds < 60:
        return counted(round(seconds), "second")
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes}\u202fmin {rest:02d}\u202fs"


def moment(text: str | None) -> str:
    """An ISO moment of the store (UTC) in the time of this computer."""
    if not text:
        return "–"
    found = dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC).astimezone()
    return f"{found:%Y-%m-%d %H:%M}"


#: Rules about labels that may mean one thing: the advice is a text to paste, the desk has a button.
JOINABLE = ("same_tank_two_labels", "label_spelled_twice")


def advised(finding: dict[str, Any]) -> str:
    """What to do about a finding, here in the desk."""
    if finding["rule"] in JOINABLE:
        return "Load the file, then join the two labels under Still open, or say there that they are two."
    # Nobody writes a layout by hand in the desk: where a file has other columns it asks for the order of dates.
    return str(finding["advice"]).partition("\n")[0]


def sentence(text: str) -> str:
    """``text`` with a capital, unless it begins with the name of a column or a file, and a full stop."""
    text = text.strip()
    first = text.split(" ", 1)[0]
    is_name = any(sign in first for sign in "_./-") or first in TABLE_NAMES
    return (text if is_name else f"{text[:1].upper()}{text[1:]}") + ("" if text.endswith((".", "!", "?")) else ".")


FILTERS: dict[str, Callable[..., str]] = {
    **{each.__name__: each for each in (number, size, season_name, duration, moment, advised, sentence)},
    "rule_words": lambda rule: RULE_WORDS.get(rule, rule.replace("_", " ")),
    "count": counted,
    "table_words": lambda name: TABLE_WORDS.get(name, ""),
}

assert set(TABLE_WORDS) == set(TABLE_NAMES)
