"""Axes of a fit, for a notebook: axes in, or new ones, and axes out."""

from __future__ import annotations

from typing import TYPE_CHECKING

from broodyear.figures.style import QUIET, SERIES, dots, intervals, require_columns, require_rows

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


def effects_axes(effects: pd.DataFrame, ax: Axes | None = None) -> Axes:
    """Each effect of a survival fit with its 95 % interval on the log-odds, one row a term, the first on top.

    effects: indexed by term, with columns estimate, ci_low, ci_high; the intercept is left out. ax: drawn on when
    given. Raises Refused when there is no other term, or a column is missing.
    """
    require_columns(effects, ["estimate", "ci_low", "ci_high"], "the effects of a fit")
    shown = effects.drop(index="Intercept", errors="ignore")
    require_rows(shown, "the effects of a fit")
    rows = shown.rename(columns={"ci_low": "low", "ci_high": "high"}).assign(label=shown.index.astype(str))
    return estimates_axes(rows, "effect on the log-odds of survival", ax)


def estimates_axes(rows: pd.DataFrame, unit: str, ax: Axes | None = None) -> Axes:
    """Estimates with their 95 % limits, one row each, the first on top; numbers about a line at zero, or dates.

    rows: label, estimate, low, high (blank limits: not known); ax: drawn on when given. Raises Refused for no rows
    or a missing column.
    """
    require_columns(rows, ["label", "estimate", "low", "high"], unit)
    require_rows(rows, unit)
    if ax is None:
        import matplotlib.pyplot as plt

        _, ax = plt.subplots(figsize=(6.6, 0.9 + 0.3 * len(rows)), layout="constrained")
    placed = rows.assign(place=range(len(rows)))
    bounded = placed.dropna(subset=["low", "high"])
    intervals(ax, bounded["place"], bounded["low"], bounded["high"], SERIES[0])
    dots(ax, placed["estimate"], placed["place"], SERIES[0])
    if rows["estimate"].dtype.kind != "M":
        ax.axvline(0.0, color=QUIET, linewidth=0.8)
    ax.set_yticks(range(len(rows)), [str(label) for label in rows["label"]])
    ax.invert_yaxis()
    ax.set_xlabel(f"{unit}, with 95 % interval")
    return ax
