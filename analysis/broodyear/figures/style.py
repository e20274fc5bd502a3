"""How every figure looks: one sheet, one set of inks, five colours that are never alone in carrying a meaning.

Drawing only: what is drawn arrives as numbers that were worked out elsewhere. A figure is made on a `Sheet` and
leaves it as SVG text; the same frame gives the same bytes.
"""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Any

from broodyear.errors import Refused

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import ArrayLike

#: Inks on white: text, quieter text, hairlines. INK 15:1, QUIET 6:1.
INK, QUIET, RULE, PAPER = "#1f2a30", "#55636b", "#d3d9dc", "#ffffff"

#: The five colours of seaborn's colour-blind set that reach 3:1 on white, by our own names.
BLUE, ORANGE, GREEN, GREY, PINK = "#0173b2", "#d55e00", "#029e73", "#949494", "#cc78bc"


#: Signs of a label beside a row.
LONGEST_ROW_LABEL = 46


@dataclass(frozen=True)
class Series:
    """One of at most five series: its colour, its marker and its line style always go together."""

    colour: str
    marker: str
    line: Any


SERIES = (
    Series(BLUE, "o", "-"),
    Series(ORANGE, "s", (0, (5, 2))),
    Series(GREEN, "^", (0, (1, 1.4))),
    Series(GREY, "D", (0, (6, 2, 1, 2))),
    Series(PINK, "v", (0, (3, 1.2))),
)

#: Verdicts of a set-up: colour, marker and the words beside it.
VERDICTS: dict[str, tuple[Series, str]] = {
    "below_expected": (Series(ORANGE, "v", "-"), "below expected"),
    "watch": (Series(PINK, "D", "-"), "watch"),
    "as_expected": (Series(GREY, "o", "-"), "not flagged"),
    "above_expected": (Series(BLUE, "^", "-"), "above expected"),
    "too_few_records": (Series(GREY, "x", "-"), "cannot be judged"),
}

#: How a day's temperature came about: line style goes with the words.
SOURCES: dict[str, tuple[Series, str]] = {
    "observed": (SERIES[0], "read"),
    "interpolated": (SERIES[1], "interpolated"),
    "modelled": (SERIES[3], "modelled"),
}

_RC: dict[str, Any] = {
    "font.family": ["DejaVu Sans"],  # measures only: the page's own sans-serif replaces it, and is narrower
    "font.size": 8.5,
    "axes.titlesize": 9.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.titley": 1.0,  # no axis has ticks above, and looking for them takes a seventh of the time
    "axes.labelsize": 8.5,
    "axes.edgecolor": QUIET,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.facecolor": "none",
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.labelcolor": INK,
    "axes.titlecolor": INK,
    "axes.unicode_minus": True,
    "grid.color": RULE,
    "grid.linewidth": 0.6,
    "text.color": INK,
    "text.parse_math": False,  # an id may hold a dollar sign
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.major.size": 3,
    "ytick.major.size": 0,
    "lines.linewidth": 1.5,
    "lines.markersize": 5.5,
    "figure.facecolor": "none",
    "savefig.facecolor": "none",
    "legend.frameon": False,
    "svg.fonttype": "none",
}

_FONT = re.compile(r"'DejaVu Sans'")
_DECLARATION = re.compile(r"\A.*?(?=<svg)", re.DOTALL)
_METADATA = re.compile(r"\s*<metadata>.*?</metadata>", re.DOTALL)


class Sheet:
    """A drawing in progress: its axes in reading order, and `svg` when it is finished."""

    def __init__(self, name: str, figure: Figure, axes: list[Axes], has_margins: bool) -> None:
        self.name = name
        self.figure = figure
        self.axes = axes
        self.has_margins = has_margins

    def svg(self, title: str) -> str:
        """The finished figure as SVG text with `title` inside it; the same drawing gives the same bytes."""
        buffer = io.StringIO()
        with warnings.catch_warnings():
            # An id in a script the measuring font lacks is still written as text.
            warnings.filterwarnings("ignore", message="Glyph .* missing from font")
            self.make_room()
            self.figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
        drawn = _METADATA.sub("", _DECLARATION.sub("", buffer.getvalue()))
        drawn = _FONT.sub("system-ui, sans-serif", drawn)
        head, body = drawn.split(">", 1)
        return f'{head} role="img">\n <title>{escape(title)}</title>{body}'

    def make_room(self) -> None:
        """Move the axes so that all labels have room, once: figures that do so by themselves measure twice."""
        from matplotlib.layout_engine import TightLayoutEngine

        if self.has_margins:
            return
        self.has_margins = True
        for axis in (axis for axes in self.axes for axis in (axes.xaxis, axes.yaxis)):
            if not axis.get_label_text():
                axis.set_label_coords(0.0, 0.0)  # or room is sought for a label that is none
        TightLayoutEngine(pad=0.45, w_pad=1.2).execute(self.figure)
        if self.figure.legends:
            above = self.figure.legends[0].get_window_extent().height / self.figure.bbox.height
            self.figure.subplots_adjust(top=self.figure.subplotpars.top - above)


@contextmanager
def sheet(
    name: str,
    width_in: float = 6.6,
    height_in: float = 3.6,
    rows: int = 1,
    columns: int = 1,
    margins: Mapping[str, float] | None = None,
    most_ticks: int | None = None,
    **grid: Any,
) -> Iterator[Sheet]:
    """A sheet of `rows` × `columns` axes. name: the file's name, also the salt of its ids; sizes in inches.

    margins: of ``Figure.subplots_adjust``; without them room is made for whatever the labels need; most_ticks:
    into how many steps an axis is divided at most.
    `grid` goes to ``Figure.subplots`` (for example ``sharex=True``, ``height_ratios=[2, 1]``).
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    settings: Any = {**_RC, "svg.hashsalt": name}
    with mpl.rc_context(settings):
        figure = Figure(figsize=(width_in, height_in), dpi=72)  # as SVG is written
        if margins:
            figure.subplots_adjust(**margins)
        axes = figure.subplots(rows, columns, squeeze=False, **grid)
        for one in axes.flat if most_ticks else ():
            one.locator_params(nbins=most_ticks)
        yield Sheet(name, figure, list(axes.flat), has_margins=margins is not None)


def load_library() -> None:
    """Load the drawing library, which takes a while, before it is needed."""
    import matplotlib.backends.backend_svg
    import matplotlib.figure  # noqa: F401


def require_columns(frame: pd.DataFrame, columns: Iterable[str], what: str) -> None:
    """Refuse a frame that lacks a column, at the figure's door. Raises Refused."""
    missing = [column for column in columns if column not in frame.columns]
    if missing:
        raise Refused(f"the figure of {what} needs the column {missing[0]!r}, which its table does not have")


def drawable(frame: pd.DataFrame, columns: Iterable[str], what: str, known: Sequence[str] = ()) -> pd.DataFrame:
    """The rows of a frame whose columns ``known`` are; refused where a column lacks, or no row is left."""
    require_columns(frame, columns, what)
    rows = frame.dropna(subset=list(known))
    if rows.empty:
        raise Refused(f"there is nothing to draw for {what}")
    return rows


def shortened(label: object, longest: int = 18) -> str:
    """A label cut in its middle so that it fits: the ends of a code tell most."""
    text = str(label)
    if len(text) <= longest:
        return text
    head = longest // 2
    return f"{text[:head]}…{text[-(longest - 1 - head) :]}"


def intervals(axes: Axes, y: ArrayLike, low: ArrayLike, high: ArrayLike, series: Series) -> None:
    """Horizontal intervals with short end strokes, one each height, in the series' colour."""
    axes.hlines(y, low, high, color=series.colour, linewidth=1.4, zorder=2)
    for end in (low, high):
        axes.plot(end, y, linestyle="none", marker="|", markersize=5, color=series.colour, zorder=2)


def dots(axes: Axes, x: ArrayLike, y: ArrayLike, series: Series, *, hollow: bool = False) -> None:
    """Estimates; hollow marks the second of two estimates of the same things."""
    face = PAPER if hollow else series.colour
    axes.plot(
        x, y, linestyle="none", marker=series.marker, markersize=6.0,
        markerfacecolor=face, markeredgecolor=series.colour, markeredgewidth=1.3, zorder=3,
    )  # fmt: skip


def legend_above(axes: Axes, entries: Sequence[Mapping[str, Any]], columns: int = 0, **spacing: float) -> None:
    """A legend above the drawing. entries: each as the options of a line, with its label; columns: default all."""
    from matplotlib.lines import Line2D

    handles = [Line2D([], [], **entry) for entry in entries]
    axes.figure.legend(
        handles=handles, loc="outside upper left", ncols=columns or len(entries), fontsize=8, labelcolor=INK,
        **spacing,
    )  # fmt: skip


def mark_of(series: Series, label: str) -> dict[str, Any]:
    """A mark of a series without a line, for a legend."""
    return {"ls": "none", "marker": series.marker, "color": series.colour, "label": label}


def note(axes: Axes, x: float, y: float, text: object, **options: Any) -> None:
    """A direct label, small, a little off its point."""
    settings: dict[str, Any] = {
        "xytext": (5, 3), "textcoords": "offset points", "fontsize": 7.5, "color": INK, "annotation_clip": False,
    }  # fmt: skip
    axes.annotate(str(text), (x, y), **{**settings, **options})


def months(axes: Axes) -> None:
    """A tick and its date on the first of every month."""
    from matplotlib import dates

    calendar: Any = dates
    axes.xaxis.set_major_locator(calendar.MonthLocator())
    axes.xaxis.set_major_formatter(calendar.DateFormatter("1 %b"))


def row_labels(axes: Axes, labels: Iterable[object]) -> None:
    """Name the rows 0, 1, 2 … of a drawing from top to bottom; only vertical grid lines stay."""
    shown = [shortened(label, LONGEST_ROW_LABEL) for label in labels]
    axes.set_yticks(range(len(shown)), shown)
    axes.set_ylim(len(shown) - 0.4, -0.6)
    axes.grid(False, axis="y")
    axes.spines["left"].set_visible(False)
