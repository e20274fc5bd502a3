"""Names beside marks that never touch each other: each at the first free place near its mark, or left out.

Boxes are measured in points on the finished sheet, so the axes have to be where they will stay.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, NamedTuple

from broodyear.figures.style import INK, QUIET

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FONT_SIZE = 7.5
#: Half the side of a mark, the gap beside it, and what stays free around a name, in points.
_MARK, _GAP, _AIR = 3.5, 6.0, 1.0
#: Heights at which a name is tried, in its own heights: beside its mark first, then ever further up and down.
_RISES = (0.0, 0.6, -0.6, 1.2, -1.2, 1.9, -1.9, 2.7, -2.7, 3.6, -3.6)
#: Further away than this, in points, a line leads from the mark to its name.
_NEAR = 9.0


class Box(NamedTuple):
    """A rectangle on the sheet, in points."""

    left: float
    bottom: float
    right: float
    top: float

    def touches(self, other: Box) -> bool:
        """Whether two rectangles have a point in common."""
        is_beside = self.left > other.right or other.left > self.right
        return not is_beside and self.bottom <= other.top and other.bottom <= self.top

    def holds(self, other: Box) -> bool:
        """Whether the other lies wholly inside."""
        is_between = self.left <= other.left and other.right <= self.right
        return is_between and self.bottom <= other.bottom and other.top <= self.top


class Named(NamedTuple):
    """A mark by its data coordinates, and its name."""

    x: float
    y: float
    name: str


def text_size(text: str) -> tuple[float, float]:
    """Width and height of a line of text in points."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextToPath

    font = FontProperties(family="DejaVu Sans", size=FONT_SIZE)
    width, height, _ = TextToPath().get_text_width_height_descent(text, font, ismath=False)
    return float(width), max(float(height), FONT_SIZE)


def name_marks(
    axes: Axes, named: Sequence[Named], others: Iterable[tuple[float, float]], taken: Iterable[Box] = ()
) -> list[str]:
    """Write each name beside its mark where it touches no name, no named mark and nothing `taken`; which ones.

    named: the most important first; others: further marks by data coordinates, kept free where there is room.
    """
    marks = [_mark(axes, one.x, one.y) for one in named]
    faint = [_mark(axes, x, y) for x, y in others]
    inside = Box(*axes.get_window_extent().extents)
    written, used = [], [*taken, *marks]
    for one, own in zip(named, marks, strict=True):
        boxes = list(_boxes(own, text_size(one.name), inside))
        free = [box for box in boxes if not any(box.touches(other) for other in used if other is not own)]
        if not free:
            continue
        box = next((box for box in free if not any(box.touches(other) for other in faint)), free[0])
        _write(axes, one, own, box)
        used.append(box)
        written.append(one.name)
    return written


def _mark(axes: Axes, x: float, y: float) -> Box:
    return mark_box(*axes.transData.transform((x, y)))


def mark_box(x: float, y: float) -> Box:
    """The room of a mark around a point of the sheet."""
    return Box(x - _MARK, y - _MARK, x + _MARK, y + _MARK)


def _boxes(mark: Box, size: tuple[float, float], inside: Box) -> Iterator[Box]:
    """Boxes for a name around its mark, the nearest first; only those inside the axes."""
    x, y = (mark.left + mark.right) / 2, (mark.bottom + mark.top) / 2
    width, height = size
    for rise in _RISES:
        bottom = y + rise * height - height / 2 - _AIR
        for left in (x + _GAP - _AIR, x - _GAP - width - _AIR):
            box = Box(left, bottom, left + width + 2 * _AIR, bottom + height + 2 * _AIR)
            if inside.holds(box):
                yield box


def _write(axes: Axes, one: Named, mark: Box, box: Box) -> None:
    x, y = (mark.left + mark.right) / 2, (mark.bottom + mark.top) / 2
    is_right = box.left > x
    edge = (box.left + _AIR if is_right else box.right - _AIR) - x
    rise = (box.bottom + box.top) / 2 - y
    line = {"arrowstyle": "-", "color": QUIET, "linewidth": 0.5, "shrinkA": 1, "shrinkB": 3}
    axes.annotate(
        one.name, (one.x, one.y), xytext=(edge, rise), textcoords="offset points", fontsize=FONT_SIZE, color=INK,
        ha="left" if is_right else "right", va="center_baseline", annotation_clip=False,
        arrowprops=line if abs(rise) > _NEAR else None,
    )  # fmt: skip
