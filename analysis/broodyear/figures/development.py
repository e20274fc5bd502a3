"""Models of development against what the tanks did, and the forecast of one tank."""

from __future__ import annotations

from typing import TYPE_CHECKING

from broodyear.errors import Refused
from broodyear.figures.style import (
    GREY,
    INK,
    QUIET,
    SERIES,
    Series,
    months,
    note,
    require_columns,
    require_rows,
    sheet,
)

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

#: Ink of the observed intervals: dark enough to read, light enough to lie under the curves.
OBSERVED = Series(GREY, "|", "-")
#: A band in which fewer batches were seen than this is not judged.
FEWEST_BATCHES = 3
BANDS = ("<5", "5-7", "7-9", "9-11", ">11")


def curves_figure(
    curves: pd.DataFrame, observed: pd.DataFrame, pairs: pd.DataFrame, *, name: str, title: str
) -> str:
    """SVG of days to a stage by temperature: curves, the own one with its interval, and what was observed.

    curves: model, temp_c (rising), days, low, high (may be blank), at most four models; observed: mean_temp_c,
    equivalent_low_days, equivalent_high_days, one bar per tank; pairs: temp_c, days, published measurements (may
    be empty). Raises Refused for missing columns, no curve or too many.
    """
    require_columns(curves, ["model", "temp_c", "days", "low", "high"], title)
    require_columns(observed, ["mean_temp_c", "equivalent_low_days", "equivalent_high_days"], title)
    require_rows(curves, title)
    models = list(dict.fromkeys(curves["model"]))
    series = _series_for(models, title)
    with sheet(name, 6.6, 4.2) as page:
        axes = page.axes[0]
        seen = observed.dropna(subset=["equivalent_low_days", "equivalent_high_days"])
        axes.vlines(
            seen["mean_temp_c"], seen["equivalent_low_days"], seen["equivalent_high_days"],
            color=OBSERVED.colour, linewidth=1.0, zorder=1, label=f"{len(seen)} tanks, between looks",
        )  # fmt: skip
        if len(pairs):
            axes.plot(
                pairs["temp_c"], pairs["days"], linestyle="none", marker="+", color=INK, markersize=7, zorder=3,
                label=f"{len(pairs)} published values",
            )  # fmt: skip
        for model in models:
            _curve(axes, curves[curves["model"] == model], model, series[model])
        _within(axes, seen, curves)
        axes.set_xlabel("water temperature, mean to the stage (°C)")
        axes.set_ylabel("days from fertilisation")
        axes.figure.legend(loc="outside upper left", ncols=2, fontsize=8, labelcolor=INK)
        return page.svg(title)


def _series_for(models: list[str], title: str) -> dict[str, Series]:
    if len(models) > len(SERIES) - 1:
        raise Refused(f"{len(models)} models are too many for {title}; draw at most {len(SERIES) - 1} at a time")
    shown = [series for series in SERIES if series.colour != GREY]
    return dict(zip(models, shown, strict=False))


def _curve(axes: Axes, curve: pd.DataFrame, model: str, series: Series) -> None:
    axes.plot(
        curve["temp_c"], curve["days"], color=series.colour, linestyle=series.line, marker=series.marker,
        markevery=max(len(curve) // 6, 1), markersize=4.5, zorder=4, label=model,
    )  # fmt: skip
    if curve["low"].notna().any():
        axes.fill_between(curve["temp_c"], curve["low"], curve["high"], color=series.colour, alpha=0.18, lw=0)


def _within(axes: Axes, seen: pd.DataFrame, curves: pd.DataFrame) -> None:
    """Bars of dates that nobody looked before reach far down; the axis follows the curves and the looks."""
    top = max(
        float(curves["days"].max()), float(seen["equivalent_high_days"].quantile(0.98)) if len(seen) else 0.0
    )
    axes.set_ylim(0.7 * float(curves["days"].min()), 1.08 * top)


def predicted_figure(predictions: pd.DataFrame, *, name: str, title: str) -> str:
    """SVG of what was observed against the predicted day, a bar between the last look without and the first with.

    predictions: model (at most three), predicted_day, absent_day, seen_day (blank: the tank ended before, drawn as
    an arrow), days after delivery. One panel per model. Raises Refused for missing columns, no rows, too many.
    """
    require_columns(predictions, ["model", "predicted_day", "absent_day", "seen_day"], title)
    shown = predictions.dropna(subset=["predicted_day"])
    require_rows(shown, title)
    models = list(dict.fromkeys(shown["model"]))
    if len(models) > 3:
        raise Refused(f"{len(models)} models are too many for {title}; draw at most 3 at a time")
    # As wide as two panels at least: pages draw every figure to the same width.
    with sheet(name, 3.1 * max(len(models), 2) + 0.6, 3.4, columns=len(models), sharey=True) as page:
        top = 1.05 * float(max(shown["predicted_day"].max(), shown["seen_day"].max(), shown["absent_day"].max()))
        for axes, model, series in zip(page.axes, models, SERIES, strict=False):
            _bars(axes, shown[shown["model"] == model], series)
            axes.plot([0, top], [0, top], color=QUIET, linewidth=1, linestyle=(0, (4, 3)), zorder=1)
            axes.set_xlim(0, top)
            axes.set_ylim(0, top)
            axes.set_box_aspect(1)
            axes.set_title(model, fontsize=8)
            axes.set_xlabel("predicted (days after delivery)")
        page.axes[0].set_ylabel("observed between (days after delivery)")
        return page.svg(title)


def _bars(axes: Axes, rows: pd.DataFrame, series: Series) -> None:
    seen = rows.dropna(subset=["seen_day"])
    is_looked = seen["absent_day"] > 0
    for rows_of, width in ((seen[is_looked], 1.3), (seen[~is_looked], 0.4)):  # thin: nobody looked since delivery
        axes.vlines(
            rows_of["predicted_day"], rows_of["absent_day"], rows_of["seen_day"], color=series.colour, lw=width
        )
    axes.plot(
        seen["predicted_day"], seen["seen_day"], linestyle="none", marker=series.marker, markersize=3.2,
        color=series.colour, zorder=3,
    )  # fmt: skip
    ended = rows[rows["seen_day"].isna()]
    axes.plot(
        ended["predicted_day"], ended["absent_day"], linestyle="none", marker=6, markersize=6, color=INK, zorder=3
    )


def bias_figure(cells: pd.DataFrame, *, name: str, title: str) -> str:
    """SVG of each model's bias by band of water temperature, with 95 % intervals; above 0 the model is late.

    cells: model (at most five), band, bias_days, bias_low, bias_high, tanks, batches; blank biases are named as
    of too few batches, or as not to be told. Raises Refused for missing columns, no rows or too many models.
    """
    require_columns(cells, ["model", "band", "bias_days", "bias_low", "bias_high", "batches"], title)
    known = cells[cells["band"].isin(BANDS) & cells["bias_days"].notna()]
    require_rows(known, title)
    models = list(dict.fromkeys(cells["model"]))
    if len(models) > len(SERIES):
        raise Refused(f"{len(models)} models are too many for {title}; draw at most {len(SERIES)} at a time")
    with sheet(name, 6.6, 3.4) as page:
        axes = page.axes[0]
        axes.axhline(0, color=QUIET, linewidth=1, linestyle=(0, (4, 3)))
        for number, (model, series) in enumerate(zip(models, SERIES, strict=False)):
            _band_marks(
                axes, known[known["model"] == model], model, series, (number - (len(models) - 1) / 2) * 0.16
            )
        axes.set_xticks(range(len(BANDS)), [f"{band} °C" for band in BANDS])
        axes.set_xlim(-0.6, len(BANDS) - 0.4)
        empty = [band for band in BANDS if band not in set(known["band"])]
        for band in empty:
            batches = cells.loc[cells["band"] == band, "batches"].max()
            why = "cannot be told" if batches >= FEWEST_BATCHES else "too few batches"
            note(axes, BANDS.index(band), 0, why, xytext=(0, 4), ha="center", color=QUIET)
        axes.grid(False, axis="x")
        axes.set_ylabel("predicted − actual (days)")
        axes.figure.legend(loc="outside upper left", ncols=2, fontsize=8, labelcolor=INK)
        return page.svg(title)


def _band_marks(axes: Axes, rows: pd.DataFrame, model: str, series: Series, shift: float) -> None:
    places = [BANDS.index(band) + shift for band in rows["band"]]
    axes.vlines(places, rows["bias_low"], rows["bias_high"], color=series.colour, linewidth=1.3, zorder=2)
    axes.plot(
        places,
        rows["bias_days"],
        linestyle="none",
        marker=series.marker,
        color=series.colour,
        zorder=3,
        label=model,
    )


def fan_figure(fan: pd.DataFrame, *, name: str, title: str) -> str:
    """SVG of one tank's development towards a stage: read so far, then the fan of 80 and 95 % limits.

    fan: date (rising), is_recorded, done_pct, low_80, high_80, low_95, high_95; the stage is reached at 100.
    Raises Refused for missing columns or no rows.
    """
    require_columns(fan, ["date", "is_recorded", "done_pct", "low_80", "high_80", "low_95", "high_95"], title)
    require_rows(fan, title)
    read, ahead = SERIES[0], SERIES[1]
    recorded = fan[fan["is_recorded"]]
    coming = fan[fan.index >= (recorded.index.max() if len(recorded) else fan.index.min())]
    with sheet(name, 6.6, 3.4) as page:
        axes = page.axes[0]
        axes.fill_between(
            fan["date"], fan["low_95"], fan["high_95"], color=ahead.colour, alpha=0.16, lw=0, label="95 %"
        )
        axes.fill_between(
            fan["date"], fan["low_80"], fan["high_80"], color=ahead.colour, alpha=0.30, lw=0, label="80 %"
        )
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
        axes.figure.legend(loc="outside upper left", ncols=4, fontsize=8, labelcolor=INK)
        return page.svg(title)
