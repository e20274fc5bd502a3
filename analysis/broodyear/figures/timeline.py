"""One tank's season at a glance: temperature, dead fish removed, interruptions and stages on one calendar; the
temperatures that all tanks lived at, and the seasons before."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from broodyear.errors import Refused
from broodyear.figures.style import (
    INK,
    ORANGE,
    PAPER,
    QUIET,
    SERIES,
    SOURCES,
    Series,
    drawable,
    legend_above,
    mark_of,
    months,
    note,
    require_columns,
    sheet,
)

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

STAGE_WORDS = {
    "eyed": "eyed",
    "hatch_first": "first hatch",
    "hatch_half": "half hatched",
    "hatch_all": "all hatched",
    "button_up": "button-up",
    "first_feeding": "first feeding",
}

#: Incidents that are part of the work: drawn as thin strokes, without a name.
ROUTINE = ("water_change", "tap_water_added")

#: Lines of names above a row of events, and the width of a letter as a share of the calendar's.
LABEL_LINES, LETTER_SHARE = 3, 0.0088

#: Room for labels, as shares of the sheet: the same for every tank, so that nothing has to be measured first.
_MARGINS = {"left": 0.1, "right": 0.985, "bottom": 0.07, "top": 0.985, "hspace": 0.12}

LOSS_SERIES = {"egg": SERIES[3], "alevin": SERIES[1], "fry": SERIES[0]}


@dataclass(frozen=True)
class TankRecords:
    """What happened in one tank in one season.

    daily: day, water_temp_c, source; losses: checked_on, stage, dead; stages: stage, last_absent_on,
    first_seen_on; incidents: kind, started_at, ended_at. Each may be empty.
    """

    daily: pd.DataFrame
    losses: pd.DataFrame
    stages: pd.DataFrame
    incidents: pd.DataFrame


def timeline_figure(records: TankRecords, *, name: str, title: str, warm_limit_c: float) -> str:
    """SVG of three strips: temperature with the warm limit, dead by stage, interruptions and stages.

    Raises Refused when the tank has no dated record at all.
    """
    _check(records, title)
    with sheet(name, 6.6, 3.6, rows=3, margins=_MARGINS, sharex=True, height_ratios=[3, 2, 2.3]) as page:
        _temperature(page.axes[0], records.daily, warm_limit_c)
        _losses(page.axes[1], records.losses)
        _events(page.axes[2], records)
        months(page.axes[2])
        return page.svg(title)


def _check(records: TankRecords, title: str) -> None:
    require_columns(records.daily, ["day", "water_temp_c", "source"], title)
    require_columns(records.losses, ["checked_on", "stage", "dead"], title)
    require_columns(records.stages, ["stage", "last_absent_on", "first_seen_on"], title)
    require_columns(records.incidents, ["kind", "started_at", "ended_at"], title)
    if all(frame.empty for frame in (records.daily, records.losses, records.stages, records.incidents)):
        raise Refused(f"there is nothing to draw for {title}: no reading, loss, stage or incident is on record")


def _temperature(axes: Axes, daily: pd.DataFrame, warm_limit_c: float) -> None:
    """A line per kind of day; the plain line underneath joins them."""
    axes.set_ylabel("°C")
    if daily.empty:
        axes.set_yticks([])
        _say(axes, "no temperature on record")
        return
    axes.plot(daily["day"], daily["water_temp_c"], color=SERIES[0].colour, linewidth=0.8, zorder=1)
    for source, (series, words) in SOURCES.items():
        chosen = daily[daily["source"] == source]
        if not chosen.empty:
            axes.plot(
                chosen["day"], chosen["water_temp_c"], ls="none", color=series.colour, marker=series.marker,
                markersize=3, markeredgewidth=0, label=words, zorder=2,
            )  # fmt: skip
    axes.set_ylabel("°C")
    if daily["water_temp_c"].max() > warm_limit_c - 1.5:
        axes.axhline(warm_limit_c, color=ORANGE, linewidth=1, linestyle=(0, (4, 2)))
        axes.annotate(
            f"warm limit {warm_limit_c:g} °C", (0.995, warm_limit_c), xycoords=("axes fraction", "data"),
            ha="right", va="bottom", fontsize=7, color=INK,
        )  # fmt: skip
    axes.margins(y=0.18)
    axes.legend(fontsize=7, loc="lower left", ncols=3, handletextpad=0.1, columnspacing=0.8, borderaxespad=0.1)


def _losses(axes: Axes, losses: pd.DataFrame) -> None:
    axes.set_ylabel("dead")
    counted = losses.dropna(subset=["dead"])
    counted = counted[counted["dead"] > 0]
    if counted.empty:
        axes.set_yticks([])
        _say(axes, "no dead recorded")
        return
    for stage, series in LOSS_SERIES.items():
        chosen = counted[counted["stage"] == stage]
        if chosen.empty:
            continue
        axes.vlines(chosen["checked_on"], 0, chosen["dead"], color=series.colour, linewidth=1.6)
        axes.plot(
            chosen["checked_on"], chosen["dead"], linestyle="none", marker=series.marker, markersize=4,
            color=series.colour, label=stage,
        )  # fmt: skip
    axes.set_ylim(0, float(counted["dead"].max()) * 1.4)
    axes.legend(fontsize=7, loc="upper right", ncols=3, handletextpad=0.1, columnspacing=0.8, borderaxespad=0.1)


def _events(axes: Axes, records: TankRecords) -> None:
    """Interruptions above, stages below: a stage is the interval in which it came about, not one day."""
    axes.set_ylim(-0.5, 4.6)
    axes.set_yticks([0, 2.6], ["stages", "incidents"])
    axes.grid(False, axis="y")
    axes.spines["left"].set_visible(False)
    stages = [
        (row["last_absent_on"], row["first_seen_on"], STAGE_WORDS.get(str(row["stage"]), str(row["stage"])))
        for row in records.stages.to_dict("records")
    ]
    incidents: list[tuple[Any, Any, str]] = []
    routine: list[tuple[Any, Any, str]] = []
    for row in records.incidents.to_dict("records"):
        words = str(row["kind"]).replace("_", " ")
        chosen = routine if row["kind"] in ROUTINE else incidents
        chosen.append((row["started_at"], row["ended_at"], words))
    strokes: Any = [start for start, _, _ in routine]
    axes.plot(strokes, [2.6] * len(strokes), color=QUIET, marker="|", markersize=4, linestyle="none")
    _row_of_events(axes, 2.6, incidents, ORANGE)
    _row_of_events(axes, 0.0, stages, INK)


def _row_of_events(axes: Axes, y: float, events: list[tuple[Any, Any, str]], colour: str) -> None:
    """Bars on one height with their names above, each name on the lowest line where it does not touch another."""
    import pandas as pd

    placed: list[tuple[pd.Timestamp, str]] = []
    for start, end, words in events:
        moments = [pd.Timestamp(moment) for moment in (start, end) if not pd.isna(moment)]
        drawn: Any = moments
        axes.plot(
            drawn, [y] * len(moments), color=colour, linewidth=3, marker="|", markersize=6, solid_capstyle="butt"
        )
        placed.append((moments[-1], words))
    low, high = axes.get_xlim()
    free = [low - (high - low)] * LABEL_LINES
    for moment, words in sorted(placed):
        _name_event(axes, y, moment, words, free, high - low)


def _name_event(axes: Axes, y: float, moment: Any, words: str, free: list[float], span: float) -> None:
    """One name on the first free line; the last line takes what fits nowhere."""
    from matplotlib import dates

    calendar: Any = dates
    middle: float = calendar.date2num(moment)
    half = len(words) * span * LETTER_SHARE / 2
    line = next((number for number, end in enumerate(free) if middle - half > end), LABEL_LINES - 1)
    free[line] = middle + half
    axes.annotate(
        words, (moment, y), xytext=(0, 4 + 7.5 * line), textcoords="offset points", fontsize=6.5, color=INK,
        ha="center", va="bottom", annotation_clip=False,
    )  # fmt: skip


def _say(axes: Axes, words: str) -> None:
    axes.annotate(
        words, (0.5, 0.5), xycoords="axes fraction", ha="center", va="center", color=QUIET, style="italic",
        fontsize=8,
    )  # fmt: skip


def exposure_figure(frame: pd.DataFrame, *, name: str, title: str, warm_limit_c: float) -> str:
    """SVG of every tank's mean water temperature from coldest to warmest, with its swing between days.

    frame, in the order to draw: mean_water_temp_c, sd_daily_mean_c (drawn to either side; may be missing).
    Raises Refused for missing columns or no rows.
    """
    drawable(frame, ["mean_water_temp_c", "sd_daily_mean_c"], title)
    series = SERIES[0]
    with sheet(name, 5.4, 3.0) as page:
        axes = page.axes[0]
        positions = list(range(1, len(frame) + 1))
        axes.errorbar(
            positions, frame["mean_water_temp_c"], yerr=frame["sd_daily_mean_c"].fillna(0.0), linestyle="none",
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
    drawable(frame, wanted, title)
    kinds = sorted(frame["species"].astype(str).unique())
    if len(kinds) > len(SERIES):
        raise Refused(f"{len(kinds)} species are too many for one figure; the table has them all")
    seasons = sorted(frame["season"].unique())
    with sheet(name, 5.4, 3.0) as page:
        axes = page.axes[0]
        for number, (kind, series) in enumerate(zip(kinds, SERIES, strict=False)):
            shift = (number - (len(kinds) - 1) / 2) * 0.12
            rows = frame[frame["species"].astype(str) == kind]
            rows = rows.assign(position=[seasons.index(season) + shift for season in rows["season"]])
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
    low, high = "release_based_low", "release_based_high"
    limits = rows.dropna(subset=[low, high])
    axes.vlines(limits["position"], limits[low], limits[high], color=series.colour, linewidth=1.5)
    for shown, face in ((rows[~is_filled], PAPER), (rows[is_filled], series.colour)):
        axes.plot(
            shown["position"], shown["release_based_pct"], marker=series.marker, markersize=6, color=series.colour,
            markerfacecolor=face, linestyle="none",
        )  # fmt: skip
