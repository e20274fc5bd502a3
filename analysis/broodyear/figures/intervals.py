"""Estimates with their intervals, one row per thing compared: the workhorse of the reports, and the axes of a fit
for a notebook."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from broodyear.errors import Refused
from broodyear.figures.style import (
    QUIET,
    SERIES,
    Series,
    dots,
    drawable,
    intervals,
    legend_above,
    row_labels,
    sheet,
    shortened,
)

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

#: Rows a figure can hold before its labels no longer read.
MOST_ROWS = 40


@dataclass(frozen=True)
class Estimate:
    """Columns of one estimate and how it is called. low and high are empty for an estimate without interval."""

    key: str
    low: str
    high: str
    title: str
    series: Series = SERIES[0]
    hollow: bool = False


def intervals_figure(
    frame: pd.DataFrame,
    *,
    name: str,
    title: str,
    label: str,
    estimates: Sequence[Estimate],
    unit: str,
    zero_note: str = "",
) -> str:
    """SVG of one row per row of `frame`, labelled by column `label`, in the order given.

    estimates: one or more, drawn beside each other in the row; unit: x-axis label; zero_note: of a line at zero.
    Raises Refused for missing columns, no rows, more than 40 rows or more than five estimates.
    """
    _require_few_rows(frame, label, estimates, title)
    step = 0.26 if len(estimates) == 1 else 0.36
    with sheet(name, 6.6, 0.95 + step * len(frame) + 0.22 * (len(estimates) > 1)) as page:
        axes = page.axes[0]
        _draw_rows(axes, frame, estimates)
        row_labels(axes, frame[label].tolist())
        axes.set_xlabel(unit)
        if zero_note:
            _zero(axes, zero_note)
        if len(estimates) > 1:
            legend_above(axes, [_mark(one) for one in estimates], handlelength=2.2, columnspacing=1.6)
        return page.svg(title)


def _require_few_rows(frame: pd.DataFrame, label: str, estimates: Sequence[Estimate], title: str) -> None:
    columns = [key for one in estimates for key in (one.key, one.low, one.high) if key]
    drawable(frame, [label, *columns], title)
    if len(frame) > MOST_ROWS or len(estimates) > len(SERIES):
        raise Refused(f"the figure of {title} would hold {len(frame)} rows; its table is the better view")


def _draw_rows(axes: Axes, frame: pd.DataFrame, estimates: Sequence[Estimate]) -> None:
    """All rows from the top down, those of one estimate together; without a value a place stays empty."""
    import numpy as np

    middle = (len(estimates) - 1) / 2
    for number, one in enumerate(estimates):
        y = np.arange(len(frame)) + (number - middle) * 0.24
        value = frame[one.key].to_numpy(float, na_value=np.nan)
        is_known = ~np.isnan(value)
        if one.low:
            low, high = (frame[side].to_numpy(float, na_value=np.nan) for side in (one.low, one.high))
            has_limits = is_known & ~np.isnan(low)
            intervals(axes, y[has_limits], low[has_limits], high[has_limits], one.series)
        dots(axes, value[is_known], y[is_known], one.series, hollow=one.hollow)


def _zero(axes: Axes, words: str) -> None:
    axes.axvline(0.0, color=QUIET, linewidth=1.0, linestyle=(0, (4, 3)), zorder=1)
    axes.annotate(
        words, (0.0, 1.0), xycoords=("data", "axes fraction"), xytext=(3, 3), textcoords="offset points",
        fontsize=7.5, color=QUIET, annotation_clip=False,
    )  # fmt: skip


def _mark(one: Estimate) -> dict[str, Any]:
    """How an estimate looks in the legend."""
    face = "#ffffff" if one.hollow else one.series.colour
    look = {"color": one.series.colour, "marker": one.series.marker, "markerfacecolor": face}
    return {**look, "linestyle": "-" if one.low else "none", "label": one.title}


def panels_figure(
    frame: pd.DataFrame,
    *,
    name: str,
    title: str,
    label: str,
    panels: Sequence[Estimate],
    unit: str,
) -> str:
    """SVG of the same rows in up to four panels side by side on one scale, one estimate each.

    A row without a value in a panel says "no estimate" there instead of leaving an empty place.
    """
    _require_few_rows(frame, label, panels, title)
    with sheet(name, 7.0, 1.1 + 0.34 * len(frame), columns=len(panels), sharex=True, sharey=True) as page:
        for axes, one in zip(page.axes, panels, strict=True):
            _draw_rows(axes, frame, [one])
            for y in frame[one.key].isna().to_numpy().nonzero()[0]:
                _say_missing(axes, int(y))
            axes.set_title(one.title)
            axes.set_xlabel(unit)
            axes.grid(False, axis="y")
        row_labels(page.axes[0], [shortened(value, 20) for value in frame[label]])
        return page.svg(title)


def _say_missing(axes: Axes, y: int) -> None:
    axes.annotate(
        "no estimate", (0.5, y), xycoords=("axes fraction", "data"), ha="center", va="center",
        fontsize=7.5, color=QUIET, style="italic",
    )  # fmt: skip


def effects_axes(effects: pd.DataFrame, ax: Axes | None = None) -> Axes:
    """Each effect of a survival fit with its 95 % interval on the log-odds, one row a term, the first on top.

    effects: indexed by term, with columns estimate, ci_low, ci_high; the intercept is left out. ax: drawn on when
    given. Raises Refused when there is no other term, or a column is missing.
    """
    shown = effects.drop(index="Intercept", errors="ignore")
    drawable(shown, ["estimate", "ci_low", "ci_high"], "the effects of a fit")
    rows = shown.rename(columns={"ci_low": "low", "ci_high": "high"}).assign(label=shown.index.astype(str))
    return estimates_axes(rows, "effect on the log-odds of survival", ax)


def estimates_axes(rows: pd.DataFrame, unit: str, ax: Axes | None = None) -> Axes:
    """Estimates with their 95 % limits, one row each, the first on top; numbers about a line at zero, or dates.

    rows: label, estimate, low, high (blank limits: not known); ax: drawn on when given. Raises Refused for no rows
    or a missing column.
    """
    drawable(rows, ["label", "estimate", "low", "high"], unit)
    if ax is None:
        import matplotlib.pyplot as plt

        _, ax = plt.subplots(figsize=(6.6, 0.9 + 0.3 * len(rows)), layout="constrained")
    placed = rows.assign(y=range(len(rows)))
    bounded = placed.dropna(subset=["low", "high"])
    intervals(ax, bounded["y"], bounded["low"], bounded["high"], SERIES[0])
    dots(ax, placed["estimate"], placed["y"], SERIES[0])
    if rows["estimate"].dtype.kind != "M":
        ax.axvline(0.0, color=QUIET, linewidth=0.8)
    ax.set_yticks(range(len(rows)), [str(label) for label in rows["label"]])
    ax.invert_yaxis()
    ax.set_xlabel(f"{unit}, with 95 % interval")
    return ax
