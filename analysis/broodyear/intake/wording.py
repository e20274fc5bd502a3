"""What the intake says in sentences: templates beside the modules that fill them, with filters for numbers, days
and their nouns. What is not recorded says so."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

from jinja2 import Environment, StrictUndefined, Template

from broodyear.findings import counted

_FOLDER = Path(__file__).parent


def printable(text: str) -> str:
    """A path on one line, whatever its characters do to a terminal."""
    return "".join(character if character.isprintable() else "?" for character in text)


_FILTERS: dict[str, Callable[..., str]] = {
    "of": lambda number, noun: counted(int(number), noun),
    "comma": "{:,}".format,
    "plain": "{:g}".format,
    "tenths": "{:.1f}".format,
    "whole": "{:.0f}".format,
    "day": "{:%Y-%m-%d}".format,
    "minute": "{:%Y-%m-%d %H:%M}".format,
    "printable": printable,
}


class Words(NamedTuple):
    """message: what was found, and what was expected; advice: what to do, a sentence of its own."""

    message: str
    advice: str


def worded(name: str, block: str, values: Mapping[str, Any]) -> Words:
    """The sentences of a block of the template called ``name``: the advice stands behind a blank line."""
    sentences = template(name, one_line=True)
    text = "".join(sentences.blocks[block](sentences.new_context(dict(values))))
    message, _, advice = text.strip().partition("\n\n")
    return Words(message.strip(), advice.strip())


@cache
def template(name: str, *, one_line: bool = False) -> Template:
    """The template called ``name``. one_line: a line break in it is a space, as in sentences; not a blank line."""
    # A line break behind a block's end is taken off where lines are lines.
    environment = Environment(
        undefined=StrictUndefined, trim_blocks=not one_line, lstrip_blocks=not one_line,
        finalize=_or_not_recorded(lambda value: value),
    )  # fmt: skip
    environment.filters |= {name: _or_not_recorded(write) for name, write in _FILTERS.items()}
    text = (_FOLDER / name).read_text(encoding="utf-8")
    # Before it is filled: labels may hold any blanks.
    return environment.from_string(re.sub(r"(?<!\n)\n(?!\n)", " ", text) if one_line else text)


def _or_not_recorded(write: Callable[..., Any]) -> Callable[..., Any]:
    return lambda value, *more: "not recorded" if value is None else write(value, *more)
