"""What more than one page needs in words: sentences of rows, figures, refusals, cautions, the glossary."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from functools import partial
from typing import Any

from markupsafe import Markup

from broodyear.reports.parts import Bullets, Drawing, Heading, Notice, Prose
from broodyear.reports.rendering import phrase, phrase_lines, said, wording
from broodyear.reports.tables import ReportTable


def prose(file: str, name: str, /, *sources: ReportTable, lead: bool = False, **values: Any) -> Prose:
    """A paragraph of a template, with the tables its numbers came from."""
    return Prose(phrase(file, name, **values), sources, lead)


def bullets(
    file: str, name: str, table: ReportTable, rows: Iterable[int] | None = None, /, **values: Any
) -> Bullets:
    """A sentence of a template for each row of a table, given to it as ``row``."""
    chosen = range(len(table)) if rows is None else rows
    return Bullets(tuple(phrase(file, name, row=table.row(row), **values) for row in chosen), (table,))


def drawing(
    figure: Callable[..., str],
    *data: Any,
    table: ReportTable,
    words: Mapping[str, Any] | None = None,
    name: str = "",
    file: str = "",
    wide: bool = False,
    **options: Any,
) -> Drawing:
    """A figure to come, from its data and further options.

    words: for its macro in figures.txt, which gives the title, the caption, and in words what there is to
    see; name: of that macro, else that of the function; file: of the drawing, else that of the macro.
    """
    name = name or figure.__name__.removesuffix("_figure")
    title, caption, alt = phrase_lines("figures.txt", name, **(words or {}))
    draw = partial(figure, *data, name=file or name, title=title.unescape(), **options)
    return Drawing(draw, file or name, caption, alt, table, wide)


def refusal(title: str, table: ReportTable) -> Notice:
    """A notice in the place of a table that could not be made."""
    return Notice(title, phrase("shared.txt", "refused", why=table.refusal.strip()))


#: The cautions in one line each, for a sheet that hangs beside a tank.
SHORT_CAUTIONS = said("shared.txt", "short_cautions")

#: Where work can hurt people or fish. General; the local rule and the licensed practice always come first.
CAUTIONS = tuple(Notice(title, Markup(text), "caution") for title, text in wording("shared.txt", "cautions"))


def glossary(page: str) -> tuple[Heading, Bullets]:
    """The words of a page (season, regions, development), each with what it means there."""
    terms: list[tuple[str, str]] = wording("glossary.txt", page)
    listed = tuple(phrase("glossary.txt", "term", word=word, meaning=meaning) for word, meaning in terms)
    return Heading(Markup("Words on this page")), Bullets(listed)
