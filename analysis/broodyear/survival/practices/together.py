"""What a practice goes together with, so that nobody reads a difference as its effect alone."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

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
    """Per level, a sentence on the context its tanks share more often than the others; empty where nothing
    stands out.

    values: level per row, None where not recorded; hidden: context columns that are part of the factor itself.
    """
    rows, level = rows[values.notna()], values.dropna().astype(str)
    found: dict[str, list[tuple[float, str]]] = {name: [] for name in sorted(level.unique())}
    for column in CONTEXT:
        if column in (factor, *hidden) or column not in rows:
            continue
        known = rows[column].notna() & (rows[column].astype(str) != "")
        if known.sum() and rows.loc[known, column].nunique() > 1:
            _collect(level[known], rows.loc[known, column].astype(str), column, found)
    return {name: _sentence(sorted(entries, reverse=True)) for name, entries in found.items()}


def _collect(level: pd.Series, value: pd.Series, column: str, found: dict[str, list[tuple[float, str]]]) -> None:
    counts = pd.crosstab(level, value)
    total = counts.sum()
    for name, own in counts.iterrows():
        others = total - own
        if own.sum() == 0 or others.sum() == 0:
            continue
        gap = 100.0 * (own / own.sum() - others / others.sum())
        most = str(gap.idxmax())
        if gap[most] >= NOTABLE_POINTS:
            words = column.replace("_", " ")
            own_pct, other_pct = 100.0 * own[most] / own.sum(), 100.0 * others[most] / others.sum()
            value_words = most.replace("_", " ")
            say = f"{words} {value_words} in {own_pct:.0f} % of these tanks, {other_pct:.0f} % of others"
            found[str(name)].append((float(gap[most]), say))


def _sentence(entries: list[tuple[float, str]]) -> str:
    return "goes together with " + "; ".join(words for _, words in entries[:_MOST_NAMED]) if entries else ""
