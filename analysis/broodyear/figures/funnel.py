"""Tanks against what their batch, species and season lead one to expect: one season, and sites over theirs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from broodyear.figures.labels import Box, Named, mark_box, name_marks, text_size
from broodyear.figures.style import (
    GREY,
    INK,
    PAPER,
    QUIET,
    RULE,
    SERIES,
    VERDICTS,
    drawable,
    legend_above,
    mark_of,
    note,
    sheet,
    shortened,
)

if TYPE_CHECKING:
    from collections.abc import Iterable

    import pandas as pd
    from matplotlib.axes import Axes

FLAGGED = ("below_expected", "watch", "above_expected")

#: Limits drawn: share of ordinary tanks inside, line style, words.
LIMITS = (("95", "-", "95 % of ordinary tanks"), ("998", (0, (1.5, 1.5)), "99.8 %"))


def expected_figure(frame: pd.DataFrame, *, name: str, title: str) -> str:
    """SVG of observed against expected survival: one mark per tank, the line where both are equal, names on flags.

    frame: tank_id, expected_pct, observed_pct, verdict. Raises Refused for missing columns or no rows.
    """
    pair = ["expected_pct", "observed_pct"]
    judged = drawable(frame, ["tank_id", *pair, "verdict"], title, pair)
    with sheet(name, 6.4, 4.6) as page:
        axes = page.axes[0]
        axes.plot([0, 100], [0, 100], color=QUIET, linewidth=1, linestyle=(0, (4, 3)), zorder=1)
        axes.set_xlabel("expected from batch, species and season (%)")
        axes.set_ylabel("observed (%)")
        _marks(axes, judged, "expected_pct", "observed_pct")
        low = max(0.0, float(judged["expected_pct"].min()) - 8)
        axes.set_xlim(low, 101)
        axes.set_ylim(-3, 103)
        _legend(axes, judged)
        page.make_room()
        _name_flags(axes, judged, "expected_pct", "observed_pct")
        return page.svg(title)


def funnel_figure(frame: pd.DataFrame, limits: pd.DataFrame, *, name: str, title: str) -> str:
    """SVG of observed survival by number of eggs, inside limits that hold ordinary tanks of typical expectation.

    frame: tank_id, eggs, observed_pct, verdict; limits: eggs (rising), expected_pct, low_95_pct, high_95_pct,
    low_998_pct, high_998_pct. Raises Refused for missing columns or no rows.
    """
    sides = [f"{side}_{share}_pct" for share, _, _ in LIMITS for side in ("low", "high")]
    judged = drawable(frame, ["tank_id", "eggs", "observed_pct", "verdict"], title, ["eggs", "observed_pct"])
    drawable(limits, ["eggs", "expected_pct", *sides], title)
    with sheet(name, 6.4, 4.4) as page:
        axes = page.axes[0]
        axes.plot(
            limits["eggs"], limits["expected_pct"], color=QUIET, linewidth=1, linestyle=(0, (4, 3)), zorder=1
        )
        for share, dashes, _ in LIMITS:
            for side in ("low", "high"):
                axes.plot(limits["eggs"], limits[f"{side}_{share}_pct"], color=INK, lw=0.9, ls=dashes, zorder=1)
        axes.set_xlabel("live eggs delivered")
        axes.set_ylabel("observed (%)")
        _marks(axes, judged, "eggs", "observed_pct")
        axes.set_xlim(left=0)
        axes.set_ylim(-4, 104)
        _legend(axes, judged)
        page.make_room()
        marks = axes.transData.transform(judged[["eggs", "observed_pct"]].to_numpy(float))
        ends = limits.iloc[-1]
        taken = [_name_limit(axes, ends, f"low_{share}_pct", words, marks) for share, _, words in LIMITS]
        _name_flags(axes, judged, "eggs", "observed_pct", taken)
        return page.svg(title)


def _name_limit(axes: Axes, end: pd.Series, limit: str, words: str, marks: Iterable[tuple[float, float]]) -> Box:
    """Name a limit at its right end, below it or, where a mark lies there, above it; where the name stands."""
    x, y = axes.transData.transform((end["eggs"], end[limit]))
    width, height = text_size(words)
    below, above = Box(x - width, y - 4 - height, x, y - 2), Box(x - width, y + 2, x, y + 4 + height)
    is_below = not any(below.touches(mark_box(*mark)) for mark in marks)
    offset = {"xytext": (0, -3), "va": "top"} if is_below else {"xytext": (0, 3), "va": "bottom"}
    note(axes, end["eggs"], end[limit], words, ha="right", color=QUIET, **offset)
    return below if is_below else above


def _marks(axes: Axes, judged: pd.DataFrame, x: str, y: str) -> None:
    """One layer per verdict, so that colour and marker never part."""
    for verdict, (series, _) in VERDICTS.items():
        chosen = judged[judged["verdict"] == verdict]
        if chosen.empty:
            continue
        is_flagged, is_crossed = verdict in FLAGGED, series.marker == "x"
        axes.plot(
            chosen[x], chosen[y], linestyle="none", marker=series.marker, markersize=6.5 if is_flagged else 4.9,
            color=series.colour, markeredgecolor=series.colour if is_crossed else PAPER,
            markeredgewidth=1.2 if is_crossed else 0.5, zorder=3 if is_flagged else 2,
        )  # fmt: skip


def _name_flags(axes: Axes, judged: pd.DataFrame, x: str, y: str, taken: Iterable[Box] = ()) -> None:
    """Names beside the flagged tanks, the furthest below first; the table names those without room for one."""
    is_flagged = judged["verdict"].isin(FLAGGED[:2])
    flagged = judged[is_flagged].sort_values([y, "tank_id"])
    named = [Named(row[x], row[y], shortened(row["tank_id"], 16)) for row in flagged.to_dict("records")]
    others = judged.loc[~is_flagged, [x, y]].itertuples(index=False, name=None)
    name_marks(axes, named, others, taken)


def _legend(axes: Axes, judged: pd.DataFrame) -> None:
    counts = judged["verdict"].value_counts()
    entries = [
        mark_of(series, f"{words} ({counts[key]})")
        for key, (series, words) in VERDICTS.items()
        if key in counts.index
    ]
    legend_above(axes, entries, 3, handletextpad=0.2, columnspacing=1.4)


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
    judged = drawable(frame, ["season", "site_id", "difference_points", "is_named"], title, ["difference_points"])
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
        label_y = max(height, last + _APART * (top - bottom))
        axes.plot([season, right], [height, label_y], color=colour, linewidth=0.6, zorder=2)
        note(axes, right, label_y, shortened(site, 14), xytext=(3, -2.5), ha="left", color=INK)
        last = label_y


def _seasons(axes: Axes, judged: pd.DataFrame) -> None:
    seasons = sorted(judged["season"].unique())
    step = max(1, len(seasons) // 6)
    shown = seasons[::-1][::step][::-1]
    axes.set_xticks(shown, [f"{int(one)}/{(int(one) + 1) % 100:02d}" for one in shown])
    axes.grid(False, axis="x")
