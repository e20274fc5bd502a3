"""The temperatures tanks lived at, and the seasons before."""

from __future__ import annotations

from typing import TYPE_CHECKING

from broodyear.errors import Refused
from broodyear.figures.style import (
    ORANGE,
    PAPER,
    SERIES,
    Series,
    legend_above,
    mark_of,
    note,
    require_columns,
    require_rows,
    sheet,
)

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


def exposure_figure(frame: pd.DataFrame, *, name: str, title: str, warm_limit_c: float) -> str:
    """SVG of every tank's mean water temperature from coldest to warmest, with its swing between days.

    frame, in the order to draw: mean_water_temp_c, sd_daily_mean_c (drawn to either side; may be missing).
    Raises Refused for missing columns or no rows.
    """
    require_columns(frame, ["mean_water_temp_c", "sd_daily_mean_c"], title)
    require_rows(frame, title)
    series = SERIES[0]
    with sheet(name, 6.6, 3.2) as page:
        axes = page.axes[0]
        places = list(range(1, len(frame) + 1))
        axes.errorbar(
            places, frame["mean_water_temp_c"], yerr=frame["sd_daily_mean_c"].fillna(0.0), linestyle="none",
            marker=series.marker, markersize=3, color=series.colour, elinewidth=0.8,
        )  # fmt: skip
        axes.axhline(warm_limit_c, color=ORANGE, linewidth=1.1, linestyle=(0, (5, 2)))
        note(axes, 1, warm_limit_c, f"warm limit {warm_limit_c:g} °C", xytext=(0, 3))
        axes.set_xlabel("tanks, coldest to warmest")
        axes.set_ylabel("mean water temperature (°C)")
        axes.grid(False, axis="x")
        return page.svg(title)


def trend_figure(frame: pd.DataFrame, *, name: str, title: str, this_season: int) -> str:
    """SVG of survival season by season with intervals, one series per species; filled marks are this season.

    frame: season, season_name, species, release_based_pct, release_based_low, release_based_high.
    Raises Refused for missing columns, no rows or more than five species.
    """
    wanted = ["season", "season_name", "species", "release_based_pct", "release_based_low", "release_based_high"]
    require_columns(frame, wanted, title)
    require_rows(frame, title)
    kinds = sorted(frame["species"].astype(str).unique())
    if len(kinds) > len(SERIES):
        raise Refused(f"{len(kinds)} species are too many for one figure; the table has them all")
    seasons = sorted(frame["season"].unique())
    with sheet(name, 6.4, 3.0) as page:
        axes = page.axes[0]
        for number, (kind, series) in enumerate(zip(kinds, SERIES, strict=False)):
            shift = (number - (len(kinds) - 1) / 2) * 0.12
            rows = frame[frame["species"].astype(str) == kind]
            rows = rows.assign(place=[seasons.index(season) + shift for season in rows["season"]])
            _season_marks(axes, rows, series, rows["season"] == this_season)
        names = dict(zip(frame["season"], frame["season_name"], strict=True))
        axes.set_xticks(range(len(seasons)), [str(names[season]) for season in seasons])
        axes.set_xlim(-0.5, len(seasons) - 0.5)
        axes.set_ylabel("left alive of eggs\ndelivered (%)")
        axes.grid(False, axis="x")
        if len(kinds) > 1:
            words = [kind.replace("_", " ") for kind in kinds]
            legend_above(axes, [mark_of(*one) for one in zip(SERIES, words, strict=False)])
        return page.svg(title)


def _season_marks(axes: Axes, rows: pd.DataFrame, series: Series, is_filled: pd.Series) -> None:
    limits = rows.dropna(subset=["release_based_low", "release_based_high"])
    axes.vlines(
        limits["place"],
        limits["release_based_low"],
        limits["release_based_high"],
        color=series.colour,
        linewidth=1.5,
    )
    for shown, face in ((rows[~is_filled], PAPER), (rows[is_filled], series.colour)):
        axes.plot(
            shown["place"], shown["release_based_pct"], marker=series.marker, markersize=6, color=series.colour,
            markerfacecolor=face, linestyle="none",
        )  # fmt: skip
