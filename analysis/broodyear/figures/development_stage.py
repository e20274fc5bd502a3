"""One species and stage in pictures: curves, predictions, errors, and whether intervals hold what they state."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from broodyear.figures.development import BANDS, DASHED, MODEL_SERIES, MOST_TICKS, series_for
from broodyear.figures.style import GREY, INK, QUIET, Series, drawable, require_columns, sheet, shortened

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

#: The share of errors that sets an axis; the few beyond it are cut off.
_MOST = 0.97
#: Looks further apart than this say little of a day.
_LONG_DAYS = 10.0


def stage_figure(
    curves: pd.DataFrame, predictions: pd.DataFrame, pairs: pd.DataFrame, *, name: str, title: str
) -> str:
    """SVG of one species and stage, as wide as a telephone: days by temperature, and observed against predicted.

    curves: model (at most four), temp_c (rising), days, low, high (may be blank); predictions: model (of those),
    mean_temp_c, predicted_day, absent_day, seen_day (blank: the tank ended before), error_low_days,
    error_high_days, equivalent_low_days, equivalent_high_days, donor_stock; pairs: temp_c, days, published
    measurements (may be empty). Raises Refused for missing columns, no curve or too many.
    """
    require_columns(predictions, [*_PREDICTED, "equivalent_low_days", "equivalent_high_days"], title)
    drawable(curves, ["model", "temp_c", "days", "low", "high"], title)
    series = series_of(curves, predictions, title)
    with sheet(name, _WIDTH, 5.8, 2, margins=_MARGINS, most_ticks=MOST_TICKS) as page:
        first, second = page.axes
        _curves(first, curves, predictions, pairs, series)
        _observed(second, predictions.dropna(subset=["predicted_day"]), series)
        handles, labels = first.get_legend_handles_labels()
        first.figure.legend(handles, labels, loc="upper left", fontsize=6.8, labelcolor=INK, labelspacing=0.15)
        page.figure.subplots_adjust(top=1 - (0.42 + 0.118 * len(labels)) / 5.8)
        return page.svg(title)


def errors_figure(curves: pd.DataFrame, predictions: pd.DataFrame, *, name: str, title: str) -> str:
    """SVG of the errors of one species and stage by temperature and by donor stock; frames as of ``stage_figure``.

    Raises Refused for missing columns, no tank or too many models.
    """
    shown = drawable(predictions, _PREDICTED, title, ["predicted_day"])
    series = series_of(curves, predictions, title)
    with sheet(name, _WIDTH, 5.0, 2, margins=_MARGINS, most_ticks=MOST_TICKS) as page:
        first, second = page.axes
        _errors(first, shown, series, "mean_temp_c")
        first.set_xlabel("water temperature, mean to the stage (°C)")
        first.set_title("Error by temperature")
        _by_stock(second, shown, series)
        for axes in page.axes:
            axes.set_ylabel("predicted − actual (days)")
        return page.svg(title)


def series_of(curves: pd.DataFrame, predictions: pd.DataFrame, title: str) -> dict[str, Series]:
    """Each model with its ink: those that predict first. Raises Refused for too many."""
    return series_for(list(dict.fromkeys([*predictions["model"], *curves["model"]])), title)


#: Inches: text of drawings as wide as a telephone is read there without a finger.
_WIDTH = 3.9
_MARGINS = {"left": 0.125, "right": 0.97, "top": 0.94, "bottom": 0.08, "hspace": 0.42}
_PREDICTED = (
    "model", "mean_temp_c", "predicted_day", "absent_day", "seen_day", "error_low_days", "error_high_days",
    "donor_stock",
)  # fmt: skip


def _curves(
    axes: Axes, curves: pd.DataFrame, predictions: pd.DataFrame, pairs: pd.DataFrame, series: dict[str, Series]
) -> None:
    tanks = predictions[predictions["model"] == next(iter(series))]
    seen = tanks.dropna(subset=["equivalent_low_days", "equivalent_high_days"])
    for model, one in series.items():
        curve = curves[curves["model"] == model]
        axes.plot(
            curve["temp_c"], curve["days"], color=one.colour, linestyle=one.line, zorder=4,
            label=shortened(model, 52),
        )  # fmt: skip
        if curve["low"].notna().any():
            limits = curve["temp_c"], curve["low"], curve["high"]
            axes.fill_between(*limits, color=one.colour, alpha=0.18, lw=0, label="its 95 % limits")
    edges = ("equivalent_low_days", "equivalent_high_days")
    for rows, ink in _by_length(seen, *edges):
        _bars(axes, rows["mean_temp_c"], *(rows[edge] for edge in edges), color=INK, lw=0.9, alpha=0.6 * ink)
    close = _by_length(seen, *edges)[0][0]
    axes.plot(
        close["mean_temp_c"], close[list(edges)].mean(axis=1), "o", color=INK, markersize=2.6, zorder=3,
        label=f"{len(seen)} tanks, between looks",
    )  # fmt: skip
    if len(pairs):
        axes.plot(
            pairs["temp_c"], pairs["days"], "+", color=INK, markersize=6, zorder=3,
            label=f"{len(pairs)} published values",
        )  # fmt: skip
    highest = float(seen["equivalent_high_days"].quantile(_MOST)) if len(seen) else 0.0
    axes.set_ylim(0.7 * float(curves["days"].min()), 1.08 * max(float(curves["days"].max()), highest))
    axes.set_xlabel("water temperature, mean to the stage (°C)")
    axes.set_ylabel("days from fertilisation")
    axes.set_title("Days to the stage")


def _observed(axes: Axes, shown: pd.DataFrame, series: dict[str, Series]) -> None:
    """What was observed against the predicted day, a bar between the last look without and the first with."""
    last = shown[["predicted_day", "seen_day", "absent_day"]].max().max() if len(shown) else 1.0
    first = shown[["predicted_day", "seen_day"]].min().min() if len(shown) else 0.0
    bottom, top = 0.9 * max(float(first), 0.0), 1.05 * max(float(last), 1.0)
    for model, one in series.items():
        rows = shown[shown["model"] == model]
        seen, ended = rows.dropna(subset=["seen_day"]), rows[rows["seen_day"].isna()]
        for rows_of, ink in _by_length(seen, "absent_day", "seen_day"):
            ends = rows_of["absent_day"], rows_of["seen_day"]
            _bars(axes, rows_of["predicted_day"], *ends, color=one.colour, lw=0.9, alpha=ink)
        axes.plot(seen["predicted_day"], seen["seen_day"], one.marker, markersize=2.8, color=one.colour, zorder=3)
        axes.plot(ended["predicted_day"], ended["absent_day"], linestyle="none", marker=6, markersize=5, color=INK)
    axes.plot([bottom, top], [bottom, top], color=QUIET, linewidth=1, linestyle=DASHED, zorder=1)
    axes.set_xlim(bottom, top)
    axes.set_ylim(bottom, top)
    axes.set_xlabel("predicted (days after delivery)")
    axes.set_ylabel("observed (days after delivery)")
    axes.set_title("Observed against predicted")


def _errors(axes: Axes, shown: pd.DataFrame, series: dict[str, Series], by: str, apart: float = 0.0) -> None:
    """Errors of tanks as bars, as long as the time between two looks."""
    axes.axhline(0, color=QUIET, linewidth=1, linestyle=DASHED, zorder=1)
    drawn = [model for model in series if (shown["model"] == model).any()]
    for number, model in enumerate(drawn):
        rows, one = shown[shown["model"] == model], series[model]
        seen, ended = rows.dropna(subset=["error_low_days"]), rows[rows["error_low_days"].isna()]
        shift = (number - (len(drawn) - 1) / 2) * apart
        for rows_of, ink in _by_length(seen, "error_low_days", "error_high_days"):
            between = rows_of["error_low_days"], rows_of["error_high_days"]
            _bars(axes, rows_of[by] + shift, *between, color=one.colour, lw=0.9, alpha=ink)
        axes.plot(seen[by] + shift, seen["error_low_days"], one.marker, markersize=2.8, color=one.colour, zorder=3)
        axes.plot(ended[by] + shift, ended["error_high_days"], linestyle="none", marker=7, markersize=5, color=INK)
    ends = shown["error_low_days"].abs().dropna()
    limit = 1.25 * max(float(ends.quantile(_MOST)) if len(ends) else 0.0, 2.0)
    axes.set_ylim(-limit, limit)


def _bars(axes: Axes, at: pd.Series, low: pd.Series, high: pd.Series, **ink: Any) -> None:
    """Upright bars in one line with gaps, which is drawn in a fraction of the time of as many lines."""
    ends = np.column_stack([low, high, np.full(len(at), np.nan)])
    axes.plot(np.repeat(at.to_numpy(dtype=float), 3), ends.ravel(), solid_capstyle="butt", zorder=1, **ink)


def _by_length(rows: pd.DataFrame, low: str, high: str) -> tuple[tuple[pd.DataFrame, float], ...]:
    """Bars with their ink: those of tanks that nobody looked into for long are faint, for they tell little."""
    is_long = rows[high] - rows[low] > _LONG_DAYS
    return (rows[~is_long], 1.0), (rows[is_long], 0.25)


def _by_stock(axes: Axes, shown: pd.DataFrame, series: dict[str, Series]) -> None:
    stocks = sorted(set(shown["donor_stock"].fillna("").astype(str)))
    position = shown["donor_stock"].fillna("").astype(str).map(stocks.index).astype(float)
    within = shown.groupby(["model", position], sort=False).cumcount() % 9  # so that bars do not cover
    _errors(axes, shown.assign(at=position + 0.03 * (within - 4)), series, "at", apart=0.34)
    axes.set_xticks(range(len(stocks)), [shortened(stock, 10) or "stock not known" for stock in stocks])
    axes.set_xlim(-0.6, max(len(stocks), 1) - 0.4)
    axes.grid(False, axis="x")
    axes.set_xlabel("donor stock")
    axes.set_title("Error by stock")


def calibration_figure(bars: pd.DataFrame, held: pd.DataFrame, *, name: str, title: str) -> str:
    """SVG of whether intervals hold what they state, as wide as a telephone: where events lay in their predictions
    for at most two models, and the shares of 50 and 95 % intervals that held by band.

    bars: model, pit_low, pit_high, tanks, expected, likely_low, likely_high; held: model, band ("all" or a band),
    stated_pct, held_pct. Raises Refused for missing columns or no rows.
    """
    require_columns(held, ["model", "band", "stated_pct", "held_pct"], title)
    drawable(bars, ["model", "pit_low", "pit_high", "tanks", "expected", "likely_low"], title)
    models = list(dict.fromkeys(bars["model"]))[:2]
    series = dict(zip(models, MODEL_SERIES, strict=False))
    rows = len(models) + 1
    height = 0.55 + 1.5 * rows
    margins = _MARGINS | {"top": 1 - 0.25 / height, "bottom": 0.42 / height, "hspace": 0.62}
    with sheet(name, _WIDTH, height, rows, margins=margins, most_ticks=MOST_TICKS) as page:
        for axes, model in zip(page.axes, models, strict=False):
            _pit(axes, bars[bars["model"] == model], series[model])
        _held(page.axes[-1], held[held["model"].isin(models)], series)
        return page.svg(title)


def _pit(axes: Axes, bars: pd.DataFrame, series: Series) -> None:
    one = bars.iloc[0]
    axes.axhspan(one["likely_low"], one["likely_high"], color=GREY, alpha=0.22, lw=0)
    axes.axhline(one["expected"], color=QUIET, linewidth=1, linestyle=DASHED)
    widths = bars["pit_high"] - bars["pit_low"]
    axes.bar(
        bars["pit_low"], bars["tanks"], widths, align="edge", color=series.colour, alpha=0.75, edgecolor="#ffffff",
        linewidth=0.8,
    )  # fmt: skip
    axes.set_xlim(0, 1)
    axes.set_ylabel("tanks")
    axes.set_title(shortened(one["model"], 52), fontsize=7.5)
    axes.set_xlabel("early  ←  event in its prediction  →  late", fontsize=7.5)


def _held(axes: Axes, held: pd.DataFrame, series: dict[str, Series]) -> None:
    bands = ("all", *BANDS)
    for stated in (50.0, 95.0):
        axes.axhline(stated, color=QUIET, linewidth=1, linestyle=DASHED)
        for number, (model, one) in enumerate(series.items()):
            rows = held[(held["model"] == model) & (held["stated_pct"] == stated) & held["band"].isin(bands)]
            at = [bands.index(band) + (number - (len(series) - 1) / 2) * 0.28 for band in rows["band"]]
            face = one.colour if stated > 90 else "#ffffff"
            axes.plot(at, rows["held_pct"], one.marker, color=one.colour, markerfacecolor=face, markersize=4.5)
    axes.set_ylim(0, 105)
    axes.set_xlim(-0.6, len(bands) - 0.4)
    axes.set_xticks(range(len(bands)), [band.replace("-", "–") for band in bands], fontsize=7.5)
    axes.set_yticks([0, 50, 95])
    axes.grid(False)
    axes.set_xlabel("mean temperature (°C)", fontsize=7.5)
    axes.set_title("held (%): hollow 50, filled 95", fontsize=7.5)
