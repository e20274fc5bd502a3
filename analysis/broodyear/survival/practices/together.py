"""What a practice goes together with, so that nobody reads a difference as its effect alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from broodyear.statistics.numbers import FloatArray, IntArray
from broodyear.survival.practices.coding import UNKNOWN, coded

#: A circumstance is named when its share differs by this many points between a level's tanks and the others.
NOTABLE_POINTS = 25.0
_MOST_NAMED = 2

CONTEXT = (
    "room_type",
    "gravel_practice",
    "region",
    "weekend_access",
    "has_logger",
    "water_source",
    "filter_kind",
)


def context_of(rows: pd.DataFrame) -> dict[str, tuple[IntArray, list[str]]]:
    """Context column -> the place of each row's value among all (−1 where blank), and these."""
    values = {name: rows[name].astype(object) for name in CONTEXT if name in rows}
    return {name: coded(one.where(one.notna() & (one != ""), None)) for name, one in values.items()}


def goes_together_with(
    factor: str, values: pd.Series, hidden: Sequence[str], context: Mapping[str, tuple[IntArray, list[str]]]
) -> dict[str, str]:
    """Per level, what its tanks share more often than the others, in words; empty where nothing stands out.

    values: level per row, None where not recorded; hidden: context columns that are part of the factor itself;
    context: of `context_of`.
    """
    codes, levels = coded(values)
    found: dict[str, list[tuple[float, str]]] = {name: [] for name in levels}
    for column, (other, names) in context.items():
        known = (codes != UNKNOWN) & (other != UNKNOWN)
        seen = np.unique(other[known])
        if column not in (factor, *hidden) and len(seen) > 1:
            counts = np.bincount(codes[known] * len(names) + other[known], minlength=len(levels) * len(names))
            table = counts.reshape(len(levels), len(names))[:, seen].astype(float)
            _collect(table, levels, [names[place] for place in seen], column, found)
    return {name: _sentence(sorted(entries, reverse=True)) for name, entries in found.items()}


def _collect(
    counts: FloatArray, levels: list[str], names: list[str], column: str, found: dict[str, list[tuple[float, str]]]
) -> None:
    """Note for each level the value of one context column that stands out most, if it does."""
    total = counts.sum(axis=0)
    for level, own in zip(levels, counts, strict=True):
        others = total - own
        if not own.sum() or not others.sum():
            continue
        own_pct, other_pct = 100.0 * own / own.sum(), 100.0 * others / others.sum()
        most = int(np.argmax(own_pct - other_pct))
        if own_pct[most] - other_pct[most] >= NOTABLE_POINTS:
            value, words = names[most].replace("_", " "), column.replace("_", " ")
            said = f"{words} {value} in {own_pct[most]:.0f} % of these tanks, {other_pct[most]:.0f} % of others"
            found[str(level)].append((float(own_pct[most] - other_pct[most]), said))


def _sentence(entries: list[tuple[float, str]]) -> str:
    return "goes together with " + "; ".join(words for _, words in entries[:_MOST_NAMED]) if entries else ""
