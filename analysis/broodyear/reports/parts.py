"""What a page is made of: sections of sentences, lists, tables, figures and notices, in reading order."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import takewhile
from typing import Any

from markupsafe import Markup

from broodyear.errors import BroodyearError
from broodyear.reports.numbers import THIN
from broodyear.reports.tables import ReportTable, TableView, code_markup

_BEFORE_UNIT = re.compile(r"(?<=[0-9}]) (?=%|°C)")


def say(sentence: str, /, **parts: Any) -> Markup:
    """A sentence with traced numbers in it; whatever is not traced is escaped."""
    return Markup(_BEFORE_UNIT.sub(THIN, sentence)).format(**parts)


def joined(parts: Sequence[Any], last: str = "and") -> Markup:
    """Items in a row, with commas and one closing word."""
    items = [Markup("{}").format(part) for part in parts]
    if len(items) < 2:
        return Markup("").join(items)
    return Markup(", ").join(items[:-1]) + Markup(" {} ").format(last) + items[-1]


def ids(codes: Sequence[object]) -> Markup:
    """Codes in a row, each marked as one."""
    return joined([code_markup(str(code)) for code in codes])


@dataclass(frozen=True)
class Prose:
    """One paragraph. sources: tables its numbers came from, linked at its end."""

    text: Markup
    sources: tuple[ReportTable, ...] = ()
    lead: bool = False
    kind: str = "prose"


@dataclass(frozen=True)
class Bullets:
    """A list of sentences."""

    items: tuple[Markup, ...]
    sources: tuple[ReportTable, ...] = ()
    numbered: bool = False
    kind: str = "bullets"


@dataclass(frozen=True)
class Notice:
    """A sentence that stands in for what could not be answered, or a caution. tone: refusal, caution or note."""

    title: str
    text: Markup
    tone: str = "refusal"
    kind: str = "notice"


@dataclass(frozen=True)
class FigureView:
    """A figure: its SVG, what it shows in words for who cannot see it, and its table."""

    name: str
    svg: str
    caption: Markup
    alt: Markup
    table: ReportTable
    kind: str = "figure"

    @property
    def file(self) -> str:
        """Address of the SVG as seen from the page."""
        return f"figures/{self.name}.svg"


@dataclass(frozen=True)
class Drawing:
    """A figure to come: `draw` gives its SVG, perhaps from another process; the rest is as in the figure."""

    draw: Callable[[], str]
    name: str
    caption: Markup
    alt: Markup
    table: ReportTable

    def drawn(self) -> FigureView | Notice:
        """The figure; where it is refused, its reason in its place."""
        try:
            svg = self.draw()
        except BroodyearError as error:
            why = f"{str(error)[:1].upper()}{str(error)[1:]}".rstrip(".")
            return Notice("No figure here.", say("{why}.", why=why), "note")
        return FigureView(self.name, svg, self.caption, self.alt, self.table)


@dataclass(frozen=True)
class Pair:
    """Sentences, or a picture, with a picture: beside them where the page is wide enough, below elsewhere."""

    blocks: tuple[Block, ...]
    picture: Drawing | FigureView | Notice
    kind: str = "pair"


@dataclass(frozen=True)
class Copyable:
    """A paragraph to take along, with a button that copies it."""

    title: str
    text: Markup
    kind: str = "copyable"


@dataclass(frozen=True)
class Flow:
    """Steps of an account, each a number and what it counts."""

    steps: tuple[tuple[Markup, str], ...]
    sources: tuple[ReportTable, ...] = ()
    label: str = ""
    kind: str = "flow"


@dataclass(frozen=True)
class Links:
    """Pages by their names, with a box that searches them. items: name and address."""

    items: tuple[tuple[str, str], ...]
    kind: str = "links"


@dataclass(frozen=True)
class Equations:
    """Equations under their names. items: name, MathML, and where it holds (may be empty)."""

    items: tuple[tuple[Markup, Markup, Markup], ...]
    sources: tuple[ReportTable, ...] = ()
    kind: str = "equations"


@dataclass(frozen=True)
class Folded:
    """Blocks that are there for whoever opens them."""

    title: str
    blocks: tuple[Block, ...]
    kind: str = "folded"


@dataclass(frozen=True)
class Heading:
    """A heading inside a section."""

    title: Markup
    anchor: str = ""
    kind: str = "heading"


Picture = Drawing | FigureView | Notice
Block = Prose | Bullets | Picture | TableView | Pair | Copyable | Folded | Links | Flow | Heading | Equations


Change = Callable[[Drawing], Picture]
#: Has a drawing made, perhaps by another process; what it returns gives the drawing.
Ask = Callable[[Callable[[], str]], Callable[[], str]]


def changed(block: Block, change: Change) -> Block:
    """The block with every drawing in it changed."""
    if isinstance(block, Drawing):
        return change(block)
    if isinstance(block, Pair) and isinstance(block.picture, Drawing):
        return replace(block, picture=change(block.picture))
    if isinstance(block, Folded):
        return replace(block, blocks=tuple(changed(one, change) for one in block.blocks))
    return block


def filled(blocks: Sequence[Block]) -> list[Block]:
    """The blocks without tables that have no row, and without lists that have no item."""
    contents = (getattr(block, "order", getattr(block, "items", block)) for block in blocks)
    return [block for block, content in zip(blocks, contents, strict=True) if content != ()]


def side_by_side(blocks: Sequence[Block]) -> tuple[Block, ...]:
    """The filled blocks with each picture beside the sentences before it, and two pictures in a row beside each
    other."""
    shown: list[Block] = []
    blocks = filled(blocks)
    for number, block in enumerate(blocks):
        if not isinstance(block, FigureView):
            shown.append(block)
        elif shown and isinstance(shown[-1], FigureView):
            shown[-1] = Pair((shown[-1],), block)
        elif isinstance(next(iter(blocks[number + 1 :]), None), FigureView):
            shown.append(block)
        else:
            words = list(takewhile(lambda one: isinstance(one, Prose | Bullets | Notice), reversed(shown)))[::-1]
            shown = [*shown[: len(shown) - len(words)], Pair(tuple(words), block) if words else block]
    return tuple(shown)


@dataclass(frozen=True)
class Section:
    """A section of a page: an anchor, a heading and its blocks."""

    anchor: str
    title: str
    blocks: tuple[Block, ...]

    def drawn_by(self, ask: Ask) -> Section:
        """The section with every drawing handed to whoever `ask` gives work to."""
        return self.changed(lambda drawing: replace(drawing, draw=ask(drawing.draw)))

    def changed(self, change: Change) -> Section:
        """The section with every drawing in it changed."""
        return replace(self, blocks=tuple(changed(block, change) for block in self.blocks))


@dataclass(frozen=True)
class Page:
    """A whole page.

    name: file name without .html; title: of the browser's tab and the first heading; standing: the small line
    above it; sections: the first is what needs action.
    """

    name: str
    title: str
    standing: str
    sections: tuple[Section, ...]
    contents: bool = True
    root: str = ""

    def drawn(self) -> Page:
        """The page with every drawing finished."""
        return replace(self, sections=tuple(one.changed(Drawing.drawn) for one in self.sections))

    def drawn_by(self, ask: Ask) -> Page:
        """The page with every drawing handed to whoever `ask` gives work to."""
        return replace(self, sections=tuple(one.drawn_by(ask) for one in self.sections))

    @property
    def figures(self) -> tuple[FigureView, ...]:
        """Every figure of the drawn page, in order."""
        drawn: list[Block] = []
        for block in (block for section in self.sections for block in section.blocks):
            inner = block.blocks if isinstance(block, Folded) else (block,)
            drawn += [one.picture if isinstance(one, Pair) else one for one in inner]
        return tuple(block for block in drawn if isinstance(block, FigureView))
