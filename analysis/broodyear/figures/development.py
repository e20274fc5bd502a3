"""Models of development against what the tanks did, and the forecast of one tank.

Errors are predicted − actual days: above zero, or to the right, a model is late.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from broodyear.errors import Refused
from broodyear.figures.style import (
    GREY,
    INK,
    QUIET,
    SERIES,
    Series,
    drawable,
    months,
    note,
    require_columns,
    sheet,
    shortened,
)

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

#: Why no model has a bias in a band, where what is wanted is more tanks.
_FEW = ("too_few_batches", "no_tanks", "outside_tested")
BANDS = ("<5", "5-7", "7-9", "9-11", ">11")
#: Models that one drawing holds: the colours of style.py without grey, which is for what was observed.
MODEL_SERIES = tuple(series for series in SERIES if series.colour != GREY)
#: Rows of the first picture; with more, its table is the better view.
MOST_ROWS = 48
#: Steps of an axis of a small panel: more are crowded, and a tick takes long to draw.
MOST_TICKS = 5
DASHED = (0, (4, 3))


def biases_figure(rows: pd.DataFrame, *, name: str, title: str) -> str:
    """SVG of the bias of models over all temperatures with 95 % limits, one row each below the name of its group.

    rows: group, label, bias_days, bias_low, bias_high (blank limits: not known), is_claimed, in the order drawn.
    An interval that is cut off ends in an arrow. Raises Refused for missing columns, no rows or too many.
    """
    columns = ["group", "label", "bias_days", "bias_low", "bias_high", "is_claimed"]
    known = drawable(rows, columns, title, ["bias_days"])
    groups = list(dict.fromkeys(known["group"]))
    lines = len(known) + len(groups)
    if lines > MOST_ROWS:
        raise Refused(f"the figure of {title} would hold {lines} rows; its table is the better view")
    height = 0.75 + 0.16 * (2 * lines - len(groups))
    margins = {"left": 0.03, "right": 0.97, "top": 1 - 0.1 / height, "bottom": 0.45 / height}
    with sheet(name, 4.2, height, margins=margins) as page:
        axes = page.axes[0]
        limit, y = _half_width(known), 0
        for group in groups:
            _row_words(axes, y, group, fontweight="bold")
            y += 1
            for _, row in known[known["group"] == group].iterrows():
                _row_words(axes, y, shortened(row["label"], 70))
                axes.plot([0, 0], [y + 0.5, y + 1.5], color=QUIET, linewidth=1, zorder=1)
                _bias_row(axes, y + 1, row, limit)
                y += 2
        axes.set_yticks([])
        axes.set_ylim(y - 0.4, -0.6)
        axes.set_xlim(-limit, limit)
        axes.spines["left"].set_visible(False)
        axes.set_xlabel("early  ←  predicted − actual (days)  →  late")
        return page.svg(title)


def _row_words(axes: Axes, y: int, text: str, **look: Any) -> None:
    """Words above what they name, so that a narrow page shows both."""
    axes.text(0.0, y, text, transform=axes.get_yaxis_transform(), va="center", fontsize=7.5, **look)


def _half_width(rows: pd.DataFrame) -> float:
    """Half the width of the axis: all estimates, and the limits of all but very wide intervals."""
    width = rows["bias_high"] - rows["bias_low"]
    usual = rows[width <= 4.0 * width.median()]
    ends = usual[["bias_low", "bias_high"]].abs().max().max() if len(usual) else 0.0
    return 1.12 * max(float(ends), float(rows["bias_days"].abs().max()), 1.0)


def _bias_row(axes: Axes, y: int, row: pd.Series, limit: float) -> None:
    series = SERIES[1] if row["is_claimed"] else SERIES[0]
    low, high = float(row["bias_low"]), float(row["bias_high"])
    if low == low and high == high:
        ends = max(low, -limit), min(high, limit)
        axes.hlines(y, *ends, color=series.colour, linewidth=1.4, zorder=2)
        for edge, is_cut, arrow in ((-limit, low < -limit, "<"), (limit, high > limit, ">")):
            if is_cut:
                axes.plot(edge, y, arrow, color=series.colour, markersize=5, clip_on=False, zorder=3)
    face = series.colour if row["is_claimed"] else "#ffffff"
    axes.plot(
        float(row["bias_days"]), y, series.marker, color=series.colour, markerfacecolor=face, markersize=5.5,
        zorder=4,
    )  # fmt: skip


def bands_figure(cells: pd.DataFrame, *, name: str, title: str) -> str:
    """SVG of models' bias by band of water temperature with 95 % limits, as wide as a telephone.

    cells: model (at most four), band, bias_days, bias_low, bias_high, unscored (why there is no bias); bands
    without a bias are named as of too few batches, or as without an estimate. Raises Refused for missing columns
    or no rows.
    """
    require_columns(cells, ["model", "band", "bias_days", "bias_low", "bias_high", "unscored"], title)
    cells = cells[cells["band"].isin(BANDS)]
    known = drawable(cells, [], title, ["bias_days"])
    series = series_for(list(dict.fromkeys(known["model"])), title)
    margins = {"left": 0.125, "right": 0.99, "top": 0.895 - 0.045 * len(series), "bottom": 0.11}
    with sheet(name, 3.9, 3.0, margins=margins, most_ticks=MOST_TICKS) as page:
        _bands(page.axes[0], cells, known, series)
        _legend(page.axes[0], title)
        page.axes[0].set_ylabel("predicted − actual (days)")
        return page.svg(title)


def _bands(axes: Axes, cells: pd.DataFrame, known: pd.DataFrame, series: dict[str, Series]) -> None:
    axes.axhline(0, color=QUIET, linewidth=1, linestyle=DASHED)
    for number, (model, one) in enumerate(series.items()):
        rows = known[known["model"] == model]
        positions = [BANDS.index(band) + (number - (len(series) - 1) / 2) * 0.18 for band in rows["band"]]
        axes.vlines(positions, rows["bias_low"], rows["bias_high"], color=one.colour, linewidth=1.3, zorder=2)
        axes.plot(positions, rows["bias_days"], one.marker, color=one.colour, markersize=5, zorder=3, label=model)
    limit = _half_width(known)
    axes.set_ylim(-limit, limit)
    axes.set_xticks(range(len(BANDS)), [f"{band.replace('-', '–')} °C" for band in BANDS])
    axes.set_xlim(-0.6, len(BANDS) - 0.4)
    empty = [band for band in BANDS if band not in set(known["band"])]
    for number, band in enumerate(empty):
        is_few = cells.loc[cells["band"] == band, "unscored"].isin(_FEW).all()
        why = "too few batches" if is_few else "no estimate"
        above = 4 + 9 * (number % 2)  # neighbours are closer than their words are long
        note(axes, BANDS.index(band), 0, why, xytext=(0, above), ha="center", color=QUIET, fontsize=6.5)
    axes.grid(False, axis="x")


def _legend(axes: Axes, panel: str) -> None:
    """The models of a panel above it, and its name above them."""
    handles, _ = axes.get_legend_handles_labels()
    axes.legend(
        loc="lower left", bbox_to_anchor=(-0.02, 0.98), fontsize=6.8, labelcolor=INK, borderpad=0,
        labelspacing=0.15, handlelength=1.4,
    )  # fmt: skip
    axes.set_title(panel, pad=7 + 9.4 * len(handles))


def series_for(models: list[str], title: str) -> dict[str, Series]:
    if len(models) > len(MODEL_SERIES):
        raise Refused(f"{len(models)} models are too many for {title}; draw at most {len(MODEL_SERIES)} at a time")
    return dict(zip(models, MODEL_SERIES, strict=False))


def fan_figure(fan: pd.DataFrame, *, name: str, title: str) -> str:
    """SVG of one tank's development towards a stage: read so far, then the fan of 80 and 95 % limits.

    fan: date (rising), is_recorded, done_pct, low_80, high_80, low_95, high_95; the stage is reached at 100.
    Raises Refused for missing columns or no rows.
    """
    drawable(fan, ["date", "is_recorded", "done_pct", "low_80", "high_80", "low_95", "high_95"], title)
    read, ahead = SERIES[0], SERIES[1]
    recorded = fan[fan["is_recorded"]]
    coming = fan[fan.index >= (recorded.index.max() if len(recorded) else fan.index.min())]
    margins = {"left": 0.085, "right": 0.98, "top": 0.9, "bottom": 0.11}
    with sheet(name, 6.6, 3.4, margins=margins) as page:
        axes = page.axes[0]
        for level, alpha in ((95, 0.16), (80, 0.30)):
            limits = fan["date"], fan[f"low_{level}"], fan[f"high_{level}"]
            axes.fill_between(*limits, color=ahead.colour, alpha=alpha, lw=0, label=f"{level} %")
        axes.plot(
            recorded["date"], recorded["done_pct"], color=read.colour, linestyle=read.line, label="from readings"
        )
        axes.plot(coming["date"], coming["done_pct"], color=ahead.colour, linestyle=ahead.line, label="expected")
        axes.axhline(100, color=INK, linewidth=1)
        note(axes, fan["date"].iloc[0], 100, "stage reached", xytext=(0, 3))
        axes.set_ylim(0, max(112.0, float(fan["done_pct"].max()) * 1.05))
        axes.set_ylabel("development to the stage (%)")
        months(axes)
        axes.tick_params(axis="x", labelsize=7.5)
        axes.figure.legend(loc="upper left", ncols=4, fontsize=8, labelcolor=INK)
        return page.svg(title)
