"""Which region received which batch: only what is joined by lines can be compared."""

from __future__ import annotations

from typing import TYPE_CHECKING

from broodyear.figures.style import QUIET, SERIES, Series, drawable, note, sheet, shortened

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

#: Tanks on the thickest line.
_THICKEST = 4.5


def connectivity_figure(frame: pd.DataFrame, *, name: str, title: str) -> str:
    """SVG with regions left, batches right, and a line for each region that had tanks of a batch.

    frame: region, batch_id, tanks, shared (the batch also went to another region). Shared batches have full lines,
    the others dotted ones. Both columns are alphabetical. Raises Refused for missing columns or no rows.
    """
    drawable(frame, ["region", "batch_id", "tanks", "shared"], title)
    regions = sorted(frame["region"].astype(str).unique())
    batches = _near_their_regions(frame)
    tall = max(len(regions) * 0.4, len(batches) * 0.17)
    with sheet(name, 6.0, 0.7 + tall) as page:
        axes = page.axes[0]
        left = dict(zip(regions, _spread(len(regions)), strict=True))
        right = dict(zip(batches, _spread(len(batches)), strict=True))
        _lines(axes, frame, left, right)
        _names(axes, left, right)
        return page.svg(title)


def _near_their_regions(frame: pd.DataFrame) -> list[str]:
    """Batches ordered by the first region that had them, then by name, so that fewer lines cross."""
    first = frame.assign(batch_id=frame["batch_id"].astype(str)).groupby("batch_id")["region"].min()
    return [str(code) for code in first.reset_index().sort_values(["region", "batch_id"])["batch_id"]]


def _spread(number: int) -> list[float]:
    """Places from 1 (top) down to 0; the middle when there is one."""
    return [0.5] if number == 1 else [1 - index / (number - 1) for index in range(number)]


def _lines(axes: Axes, frame: pd.DataFrame, left: dict[str, float], right: dict[str, float]) -> None:
    most = float(frame["tanks"].max())
    for row in frame.sort_values(["region", "batch_id"]).to_dict("records"):
        shared = bool(row["shared"])
        series: Series = SERIES[0] if shared else SERIES[3]
        axes.plot(
            [0, 1], [left[str(row["region"])], right[str(row["batch_id"])]], color=series.colour,
            linewidth=0.8 + _THICKEST * float(row["tanks"]) / most, linestyle="-" if shared else (0, (1.2, 1.6)),
            alpha=0.85, solid_capstyle="butt",
        )  # fmt: skip


def _names(axes: Axes, left: dict[str, float], right: dict[str, float]) -> None:
    for x, codes, side, size in ((0, left, "right", 9), (1, right, "left", 7.5)):
        for code, y in codes.items():
            note(axes, x, y, shortened(code, 20), xytext=(12 * x - 6, 0), ha=side, va="center", fontsize=size)
    axes.set_xlim(-0.02, 1.02)
    axes.set_ylim(-0.06, 1.06)
    axes.set_axis_off()
    for x, words, side in ((0, "regions", "right"), (1, "batches", "left")):
        axes.annotate(words, (x, 1.1), ha=side, fontsize=8, color=QUIET, annotation_clip=False)
