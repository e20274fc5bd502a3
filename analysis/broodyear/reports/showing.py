"""A figure in a page, or the sentence that says why there is none."""

from __future__ import annotations

from collections.abc import Callable

from markupsafe import Markup

from broodyear.errors import BroodyearError
from broodyear.reports.parts import FigureView, Notice, say
from broodyear.reports.tables import ReportTable


def drawn(
    draw: Callable[[], str], *, name: str, caption: str | Markup, alt: str, table: ReportTable
) -> FigureView | Notice:
    """The figure that `draw` gives; where it is refused, its reason stands in its place."""
    try:
        svg = draw()
    except BroodyearError as error:
        text = str(error)
        return Notice("No figure here.", say("{why}.", why=f"{text[:1].upper()}{text[1:]}".rstrip(".")), "note")
    return FigureView(name, svg, caption, alt, table)
