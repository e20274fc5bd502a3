"""Tanks by site and season against expectation: where ordinary tanks lie, and the sites that are named."""

from __future__ import annotations

from typing import TYPE_CHECKING

from broodyear.figures.style import (
    GREY,
    INK,
    QUIET,
    RULE,
    SERIES,
    note,
    require_columns,
    require_rows,
    sheet,
    shortened,
)

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

#: Sites drawn as lines; more would hide each other, and the table names them all.
MOST_LINES = 5
#: Up to this many tank-seasons each gets a dot; beyond, the bands say as much.
MOST_DOTS = 1500
#: Least distance between two labels, as a share of the height.
_APART = 0.055


def site_seasons_figure(frame: pd.DataFrame, *, name: str, title: str) -> str:
    """SVG of survival less expected survival by season: bands of the middle 80 and 95 % of tanks, a dot per tank
    where there are few, and a line with its name for each named site.

    frame: season, site_id, difference_points, is_named. Raises Refused for missing columns or no rows.
    """
    require_columns(frame, ["season", "site_id", "difference_points", "is_named"], title)
    judged = frame.dropna(subset=["difference_points"])
    require_rows(judged, title)
    with sheet(name, 5.2, 4.6) as page:
        axes = page.axes[0]
        axes.axhline(0.0, color=QUIET, linewidth=1, linestyle=(0, (4, 3)), zorder=1)
        _bands(axes, judged)
        if len(judged) <= MOST_DOTS:
            axes.plot(
                judged["season"], judged["difference_points"], ls="none", marker="o", markersize=2.6, color=GREY,
                alpha=0.55, zorder=2,
            )  # fmt: skip
        _lines(axes, judged[judged["is_named"]])
        _seasons(axes, judged)
        axes.set_ylabel("left alive, less expected (points)")
        return page.svg(title)


def _bands(axes: Axes, judged: pd.DataFrame) -> None:
    points = judged.groupby("season")["difference_points"]
    for low, high, alpha in ((0.025, 0.975, 0.35), (0.1, 0.9, 0.6)):
        bottom, top = points.quantile(low), points.quantile(high)
        axes.bar(bottom.index, top - bottom, 0.6, bottom, color=RULE, alpha=alpha, linewidth=0, zorder=0)


def _lines(axes: Axes, named: pd.DataFrame) -> None:
    order = named.groupby("site_id")["difference_points"].mean().sort_values().index[:MOST_LINES]
    ends = []
    for series, site in zip(SERIES[1:] + SERIES[:1], order, strict=False):
        means = named[named["site_id"] == site].groupby("season")["difference_points"].mean()
        axes.plot(
            means.index, means, color=series.colour, marker=series.marker, linestyle=series.line, linewidth=1.3,
            markersize=5, zorder=3,
        )  # fmt: skip
        ends.append((float(means.iloc[-1]), float(means.index[-1]), str(site), series.colour))
    _labels(axes, sorted(ends))


def _labels(axes: Axes, ends: list[tuple[float, float, str, str]]) -> None:
    """Names at the right, from the lowest up, each moved up where it would touch the one below."""
    bottom, top = axes.get_ylim()
    last = -float("inf")
    right = axes.get_xlim()[1]
    for height, season, site, colour in ends:
        place = max(height, last + _APART * (top - bottom))
        axes.plot([season, right], [height, place], color=colour, linewidth=0.6, zorder=2)
        note(axes, right, place, shortened(site, 14), xytext=(3, -2.5), ha="left", color=INK)
        last = place


def _seasons(axes: Axes, judged: pd.DataFrame) -> None:
    seasons = sorted(judged["season"].unique())
    step = max(1, len(seasons) // 6)
    shown = seasons[::-1][::step][::-1]
    axes.set_xticks(shown, [f"{int(one)}/{(int(one) + 1) % 100:02d}" for one in shown])
    axes.grid(False, axis="x")
