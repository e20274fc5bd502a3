"""Axes of a fit, for a notebook: axes in, or new ones, and axes out."""

from __future__ import annotations

from typing import TYPE_CHECKING

from broodyear.figures.style import QUIET, SERIES, dot, interval, require_columns, require_rows

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
    if ax is None:
        import matplotlib.pyplot as plt

        _, ax = plt.subplots(figsize=(6.6, 0.9 + 0.3 * len(shown)), layout="constrained")
    for place, (_, row) in enumerate(shown.iterrows()):
        if row["ci_low"] == row["ci_low"]:
            interval(ax, place, float(row["ci_low"]), float(row["ci_high"]), SERIES[0])
        dot(ax, float(row["estimate"]), place, SERIES[0])
    ax.axvline(0.0, color=QUIET, linewidth=0.8)
    ax.set_yticks(range(len(shown)), [str(term) for term in shown.index])
    ax.invert_yaxis()
    ax.set_xlabel("effect on the log-odds of survival, with 95 % interval")
    return ax
