"""Whether a model holds: residuals against fitted survival and temperature, and how far single sites move it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from broodyear.figures.style import QUIET, SERIES, drawable, note, row_labels, sheet

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

#: Between these lie 95 of 100 residuals of a model that holds.
USUAL = 1.96
#: Sites in the drawing; those that move the estimates least are left to the table.
MOST_SITES = 15
_WIDEST = 4.2


def residuals_figure(frame: pd.DataFrame, *, name: str, title: str) -> str:
    """SVG of two panels: quantile residuals against fitted survival, and against mean temperature.

    frame: fitted_pct (0–100), temp_c (°C, blank where not recorded), residual (standard normal when the model
    holds), one row a tank-season. Raises Refused for missing columns or no rows.
    """
    drawable(frame, ["fitted_pct", "temp_c", "residual"], title)
    with sheet(name, 6.0, 2.6, columns=2) as page:
        _scatter(page.axes[0], frame, "fitted_pct", "fitted survival (%)")
        _scatter(page.axes[1], frame[frame["temp_c"].notna()], "temp_c", "mean water temperature (°C)")
        page.axes[0].set_ylabel("residual (standard deviations)")
        return page.svg(title)


def _scatter(axes: Axes, frame: pd.DataFrame, column: str, label: str) -> None:
    for height in (-USUAL, 0.0, USUAL):
        axes.axhline(height, color=QUIET, linewidth=0.7, linestyle="-" if height == 0.0 else (0, (4, 3)), zorder=0)
    axes.plot(
        frame[column].astype(float), frame["residual"].astype(float), linestyle="none", marker=SERIES[0].marker,
        markersize=2.6, color=SERIES[0].colour, alpha=0.55, markeredgewidth=0.0,
    )  # fmt: skip
    axes.set_ylim(-_WIDEST, _WIDEST)
    axes.set_xlabel(label)


def influence_figure(frame: pd.DataFrame, *, name: str, title: str) -> str:
    """SVG of how far the estimates move without each site, most influential first, one row a site.

    frame: site_id, largest_shift (standard errors), factor (whose estimate moves most), in falling order; the
    first MOST_SITES are drawn. Raises Refused for missing columns or no rows.
    """
    shown = drawable(frame, ["site_id", "largest_shift", "factor"], title).head(MOST_SITES)
    with sheet(name, 6.4, 0.9 + 0.24 * len(shown)) as page:
        axes = page.axes[0]
        moves, rows, series = shown["largest_shift"].astype(float), range(len(shown)), SERIES[0]
        axes.hlines(rows, 0.0, moves, color=series.colour, linewidth=1.4)
        axes.plot(moves, rows, linestyle="none", marker=series.marker, color=series.colour, markersize=5.0)
        for y, move, factor in zip(rows, moves, shown["factor"], strict=True):
            note(axes, move, y, str(factor).replace("_", " "))
        row_labels(axes, shown["site_id"])
        axes.axvline(1.0, color=QUIET, linewidth=0.7, linestyle=(0, (4, 3)), zorder=0)
        axes.set_xlim(0.0, max(1.3, 1.35 * moves.max()))
        axes.set_xlabel("largest move of an estimate without the site (standard errors)")
        return page.svg(title)
