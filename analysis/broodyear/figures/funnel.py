"""Tanks against what their batch, species and season lead one to expect."""

from __future__ import annotations

from typing import TYPE_CHECKING

from broodyear.figures.labels import Box, Named, mark_box, name_marks, text_size
from broodyear.figures.style import (
    INK,
    PAPER,
    QUIET,
    VERDICTS,
    legend_above,
    mark_of,
    note,
    require_columns,
    require_rows,
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
    require_columns(frame, ["tank_id", "expected_pct", "observed_pct", "verdict"], title)
    judged = frame.dropna(subset=["expected_pct", "observed_pct"])
    require_rows(judged, title)
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
    require_columns(frame, ["tank_id", "eggs", "observed_pct", "verdict"], title)
    sides = [f"{side}_{share}_pct" for share, _, _ in LIMITS for side in ("low", "high")]
    require_columns(limits, ["eggs", "expected_pct", *sides], title)
    judged = frame.dropna(subset=["eggs", "observed_pct"])
    require_rows(judged, title)
    require_rows(limits, title)
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
    place = {"xytext": (0, -3), "va": "top"} if is_below else {"xytext": (0, 3), "va": "bottom"}
    note(axes, end["eggs"], end[limit], words, ha="right", color=QUIET, **place)
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
