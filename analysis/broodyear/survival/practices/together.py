"""What a practice goes together with, so that nobody reads a difference as its effect alone."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from broodyear.statistics.numbers import FloatArray

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


def goes_together_with(
    rows: pd.DataFrame, factor: str, values: pd.Series, hidden: Sequence[str]
) -> dict[str, str]:
    """Per level, what its tanks share more often than the others, in words; empty where nothing stands out.

    values: level per row, None where not recorded; hidden: context columns that are part of the factor itself.
    """
    level = values.notna().to_numpy()
    codes, levels = pd.factorize(values[level].astype(str), sort=True)
    found: dict[str, list[tuple[float, str]]] = {str(name): [] for name in levels}
    for column in CONTEXT:
        if column in (factor, *hidden) or column not in rows:
            continue
        context = rows[column][level]
        known = (context.notna() & (context.astype(str) != "")).to_numpy()
        other, names = pd.factorize(context[known].astype(str), sort=True)
        if len(names) > 1:
            counts = np.zeros((len(levels), len(names)))
            np.add.at(counts, (codes[known], other), 1.0)
            _collect(counts, list(levels), list(names), column, found)
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
