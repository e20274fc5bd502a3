"""A page as one self-contained HTML file: nothing is fetched, and nothing in the records can become markup; and
what more pages than one need in words: sentences of rows, figures, refusals, cautions, the glossary."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Callable, Iterable, Mapping
from functools import cache, partial
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from jinja2.environment import TemplateModule
from markupsafe import Markup, escape

import broodyear
from broodyear.figures import style as look
from broodyear.reports.numbers import FORMATS, known, site_word, tank_word
from broodyear.reports.parts import (
    Bullets,
    Drawing,
    FigureView,
    Heading,
    Notice,
    Page,
    Prose,
    filled,
    side_by_side,
)
from broodyear.reports.tables import Cell, ReportTable, code_markup

TEMPLATES = Path(__file__).resolve().parent / "templates"

#: In a page the figures' colours follow the reader's light or dark theme.
_THEMED = {
    look.INK: "var(--ink)",
    look.QUIET: "var(--quiet)",
    look.RULE: "var(--s-rule)",
    look.PAPER: "var(--card)",
    look.BLUE: "var(--s-blue)",
    look.ORANGE: "var(--s-orange)",
    look.GREEN: "var(--s-green)",
    look.GREY: "var(--s-grey)",
    look.PINK: "var(--s-pink)",
}

_STYLE = re.compile(r'style="[^"]*"')
_ID = re.compile(r' id="([^"]*)"')
_REFERENCE = re.compile(r'(?:url\(#|href="#)([^")]+)')
_SHARED_STYLE = re.compile(r"<defs>\s*<style[^>]*>.*?</style>\s*</defs>", re.DOTALL)
_TITLE = re.compile(r"\s*<title>.*?</title>", re.DOTALL)
_SPACE = re.compile(r">\s+<")
_TAG = re.compile(r"<[^>]*>")
_COMMENT = re.compile(r"<!--.*?-->", re.DOTALL)


@cache
def environment_of(folder: Path = TEMPLATES, autoescape: bool = True) -> Environment:
    """The templates of a folder, with every kind of value as a filter. autoescape: off for plain text."""
    environment = Environment(
        loader=FileSystemLoader(folder),
        autoescape=autoescape,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= FORMATS | {"tank_word": tank_word, "site_word": site_word}
    environment.tests["known"] = known
    return environment


def render(page: Page) -> str:
    """The page as HTML text; the same page gives the same text."""
    script = (TEMPLATES / "page.js").read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    return (
        environment_of()
        .get_template("page.html")
        .render(
            page=page,
            style=Markup((TEMPLATES / "page.css").read_text(encoding="utf-8")),
            script=Markup(script),
            script_hash=digest,
            inline=inline_svg,
            side_by_side=side_by_side,
            filled=filled,
            written=_written,
            version=broodyear.__version__,
        )
    )


def _written(cell: Cell) -> Markup:
    if cell.is_code and not cell.missing:
        return code_markup(cell.text)
    return escape(cell.text)


def inline_svg(figure: FigureView) -> Markup:
    """A figure's SVG for use inside a page: themed colours, ids of its own, no second title."""
    svg = _TITLE.sub("", figure.svg, count=1).replace(' role="img"', ' aria-hidden="true" focusable="false"', 1)
    # Its one rule, for every element of the document, stands in the page's own style for drawings only.
    svg = _SHARED_STYLE.sub("", _COMMENT.sub("", svg), count=1)
    used = set(_REFERENCE.findall(" ".join(_TAG.findall(svg))))
    # Only inside tags: a label of a hostile id may look like an attribute, and stays text.
    return Markup(_SPACE.sub("><", _TAG.sub(lambda tag: _own_tag(tag.group(), figure.name, used), svg)))


def _own_tag(tag: str, name: str, used: set[str]) -> str:
    def own_id(found: re.Match[str]) -> str:
        return f' id="{name}-{found.group(1)}"' if found.group(1) in used else ""

    tag = _STYLE.sub(lambda style: _themed(style.group()), tag)
    return _REFERENCE.sub(lambda found: found.group().replace("#", f"#{name}-", 1), _ID.sub(own_id, tag))


def _themed(style: str) -> str:
    for plain, themed in _THEMED.items():
        style = style.replace(plain, themed)
    return style


@cache
def _phrases(file: str) -> TemplateModule:
    return environment_of().get_template(file).module


def phrase(file: str, name: str, /, **values: Any) -> Markup:
    """A sentence of a template: macro `name` of `file`; traced numbers stay traced, all else is escaped."""
    return Markup(" ".join(str(getattr(_phrases(file), name)(**values)).strip("\n").split("\n")).rstrip())


def plain_phrase(file: str, name: str, /, **values: Any) -> str:
    """The same as plain text, its numbers no longer traced."""
    return Markup(_TAG.sub("", phrase(file, name, **values))).unescape()


def phrase_lines(file: str, name: str, /, **values: Any) -> list[Markup]:
    """The sentences of a macro that are apart, a line each."""
    return [Markup(line) for line in str(getattr(_phrases(file), name)(**values)).strip().split("\n")]


def wording(file: str, name: str) -> Any:
    """What a template sets under a name: words chosen by code, or a text."""
    return getattr(_phrases(file), name)


def listed(file: str, name: str) -> tuple[Markup, ...]:
    """A list of sentences that a template sets under a name."""
    return tuple(map(Markup, wording(file, name)))


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
    **options: Any,
) -> Drawing:
    """A figure to come, from its data and further options.

    words: for its macro in figures.txt, which gives the title, the caption, and in words what there is to
    see; name: of that macro, else that of the function; file: of the drawing, else that of the macro.
    """
    name = name or figure.__name__.removesuffix("_figure")
    title, caption, alt = phrase_lines("figures.txt", name, **(words or {}))
    draw = partial(figure, *data, name=file or name, title=title.unescape(), **options)
    return Drawing(draw, file or name, caption, alt, table)


def refusal(title: str, table: ReportTable) -> Notice:
    """A notice in the place of a table that could not be made."""
    return Notice(title, phrase("shared.txt", "refused", why=table.refusal.strip()))


#: The cautions in one line each, for a sheet that hangs beside a tank.
SHORT_CAUTIONS = listed("shared.txt", "short_cautions")

#: Where work can hurt people or fish. General; the local rule and the licensed practice always come first.
CAUTIONS = tuple(Notice(title, Markup(text), "caution") for title, text in wording("shared.txt", "cautions"))


def glossary(page: str) -> tuple[Heading, Bullets]:
    """The words of a page (season, regions, development), each with what it means there."""
    terms: list[tuple[str, str]] = wording("glossary.txt", page)
    listed = tuple(phrase("glossary.txt", "term", word=word, meaning=meaning) for word, meaning in terms)
    return Heading(Markup("Words on this page")), Bullets(listed)
