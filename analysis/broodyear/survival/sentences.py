"""Plain sentences about effects that a coordinator can repeat without lying."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

OUTCOME_WORDS = {
    "hatch": ("hatched", ""),
    "hatch_to_release": ("kept", " alive from hatch to release"),
    "delivered_to_release": ("kept", " alive from delivery to release"),
}
LEVEL_WORDS = {
    "bare": "a bare bottom",
    "gravel": "gravel",
    "single_layer_stones": "one layer of stones",
    "gravel_and_single_layer_stones": "gravel and one layer of stones",
    "layered_stones": "layered stones",
}
NOT_CAUSE = "Not shown to be cause."


def effect_sentence(row: Mapping[str, Any]) -> str:
    """One row of effects.csv in words: size, interval, tanks, batches, what was allowed for, no cause.

    row: the columns of effects.csv, with `adjusted_for` (text) and `within_batch_differs` (boolean).
    A row without an estimate says so and why.
    """
    if not np.isfinite(float(row["difference_points"])):
        return _no_estimate(row)
    subject = _subject(row)
    size = _size(row)
    tanks = f"from {int(row['tanks'])} tanks in {int(row['batches'])} batches"
    parts = [f"{subject} {size}, {tanks}, allowing for {row['adjusted_for']}."]
    if row["difference_low"] <= 0.0 <= row["difference_high"]:
        parts.append("These records do not show which way the difference goes, if there is one.")
    if row.get("within_batch_differs"):
        parts.append("Comparing only tanks that share a batch gives a different answer: see the note.")
    parts.append(NOT_CAUSE)
    return " ".join(parts)


def _subject(row: Mapping[str, Any]) -> str:
    if not row["reference"]:
        return f"Tanks whose water was {str(row['level']).lstrip('+')} warmer"
    return f"Tanks with {_level(row)}" if row["factor"] == "gravel_practice" else f"Tanks in {_room(row['level'])}"


def _level(row: Mapping[str, Any]) -> str:
    return LEVEL_WORDS.get(str(row["level"]), str(row["level"]).replace("_", " ") + " bottoms")


def _room(level: Any) -> str:
    named = str(level).replace("_", " ")
    if named == "other":
        return "rooms of other kinds"
    return {"library": "libraries", "laboratory": "laboratories"}.get(named, f"{named}s")


def _size(row: Mapping[str, Any]) -> str:
    """Such as: hatched 4 points more than bare ones, between 0 and 8."""
    points, low, high = (float(row[name]) for name in ("difference_points", "difference_low", "difference_high"))
    verb, tail = OUTCOME_WORDS.get(str(row["outcome"]), ("kept", " alive"))
    count = abs(round(points))
    against = f" {'as' if count == 0 else 'than'} {_reference(row)}" if row["reference"] else ""
    if count == 0:
        return f"{verb} about as many{tail}{against}, between {_range(low, high, points)} points"
    unit = "point" if count == 1 else "points"
    direction = "more" if points > 0 else "fewer"
    return f"{verb} {count} {unit} {direction}{tail}{against}, between {_range(low, high, points)}"


def _range(low: float, high: float, points: float) -> str:
    """Both limits in the direction of the estimate, or each with its own direction when they differ."""
    ends = [round(low), round(high)]
    if ends[0] < 0 < ends[1] or (round(points) == 0 and ends[0] != ends[1]):
        return f"{_directed(ends[0])} and {_directed(ends[1])}"
    first, second = sorted(abs(end) for end in ends)
    return f"{first} and {second}"


def _directed(points: int) -> str:
    if points == 0:
        return "0"
    return f"{abs(points)} {'more' if points > 0 else 'fewer'}"


def _reference(row: Mapping[str, Any]) -> str:
    if row["factor"] == "gravel_practice":
        return "bare ones" if row["reference"] == "bare" else f"those with {_reference_level(row)}"
    return f"those in {_room(row['reference'])}"


def _reference_level(row: Mapping[str, Any]) -> str:
    return LEVEL_WORDS.get(str(row["reference"]), str(row["reference"]).replace("_", " ") + " bottoms")


def _no_estimate(row: Mapping[str, Any]) -> str:
    named = str(row["factor"]).replace("_", " ")
    level = str(row["level"]).replace("_", " ")
    tanks = int(row["tanks"])
    counted = "1 tank" if tanks == 1 else f"{tanks} tanks"
    return f"Nothing can be said of {named} {level} ({counted}): {row['note']}."
