"""What every command's words have in common: options, their kinds, and help with an example."""

from __future__ import annotations

import argparse
import datetime as dt
import difflib
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeAlias

from broodyear.layouts import LAYOUTS_VARIABLE
from broodyear.settings import SETTINGS_FILE

STORE_VARIABLE = "BROODYEAR_STORE"
DEFAULT_STORE = "broodyear.duckdb"
SETTINGS_VARIABLE = "BROODYEAR_SETTINGS"


class Parser(argparse.ArgumentParser):
    """A parser that takes no abbreviated options and keeps the line breaks of its examples."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("formatter_class", argparse.RawDescriptionHelpFormatter)
        super().__init__(**{**kwargs, "allow_abbrev": False})

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """As argparse, but an option that there is not is told first: what seems to be missing is often it."""
        words = list(sys.argv[1:] if args is None else args)
        if self._subparsers is None:
            for word in words[: words.index("--") if "--" in words else None]:
                name = word.partition("=")[0]
                if name.startswith("--") and name not in self._option_string_actions:
                    self.error(f"there is no option {name}{self._nearest(name)}")
        return super().parse_known_args(words, namespace)

    def _nearest(self, name: str) -> str:
        near = difflib.get_close_matches(name, [*self._option_string_actions], n=1)
        return f"; did you mean {near[0]}?" if near else ""


Commands: TypeAlias = "argparse._SubParsersAction[Parser]"  # argparse has no public name for it


def command(
    commands_of: Commands,
    name: str,
    function: Callable[..., int],
    summary: str,
    example: str,
) -> argparse.ArgumentParser:
    """Add a command and the options that all of them take."""
    added = commands_of.add_parser(
        name, help=summary, description=f"{summary[0].upper()}{summary[1:]}.", epilog=f"Example:\n  {example}"
    )
    added.set_defaults(function=function)
    added.add_argument("--quiet", action="store_true", help="say nothing but results and errors")
    added.add_argument(
        "--store",
        type=Path,
        default=Path(os.environ.get(STORE_VARIABLE) or DEFAULT_STORE),
        metavar="FILE",
        help=f"the store (default {DEFAULT_STORE} here, or ${STORE_VARIABLE})",
    )
    added.add_argument(
        "--settings",
        type=Path,
        default=_named_by(SETTINGS_VARIABLE),
        metavar="FILE",
        help=f"season start, limits, acknowledged suspicions (TOML; default ${SETTINGS_VARIABLE}, "
        f"or {SETTINGS_FILE} beside the store)",
    )
    return added


def add_layouts(command: argparse.ArgumentParser) -> None:
    """Add the option of commands that read files of other shapes."""
    command.add_argument(
        "--layouts",
        type=Path,
        default=_named_by(LAYOUTS_VARIABLE),
        metavar="FILE",
        help=f"how files of another shape become rows (default ${LAYOUTS_VARIABLE}, or layouts.toml beside the "
        "store or here)",
    )


def _named_by(variable: str) -> Path | None:
    """The file that a variable of the environment names."""
    named = os.environ.get(variable)
    return Path(named) if named else None


def whole(text: str) -> int:
    """A whole number that is not negative."""
    if not text.isascii() or not text.isdigit():
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number")
    return int(text)


def listed(text: str) -> tuple[str, ...]:
    """Words with commas between them."""
    return tuple(word.strip() for word in text.split(","))


def date(text: str) -> dt.date:
    """A date, year first."""
    try:
        return dt.datetime.strptime(text, "%Y-%m-%d").date()
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a date; write it year first: 2024-11-08") from None
