"""The command line: parsing only. A command is a function of ``commands``: its first line says what it does."""

from __future__ import annotations

import argparse
import datetime as dt
import difflib
import os
import re
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, TypeAlias

from broodyear import __version__, commands, store_commands
from broodyear.console import Programme
from broodyear.endings import ended
from broodyear.layouts import LAYOUTS_VARIABLE
from broodyear.places import PACKAGE
from broodyear.schemas.declarations import TABLE_NAMES
from broodyear.settings import SETTINGS_FILE, settings_beside

STORE_VARIABLE = "BROODYEAR_STORE"
DEFAULT_STORE = "broodyear.duckdb"
SETTINGS_VARIABLE = "BROODYEAR_SETTINGS"

_EXIT_CODES = """exit codes:
  0 done   1 unexpected failure   2 wrong usage   10 some rows have errors (the good ones were loaded,
  unless --strict)   11 a file could not be read or recognised   12 nothing to analyse, or refused with
  a reason   13 the store is busy, damaged, or written by a newer version   130 stopped with Ctrl-C"""


_LAYOUT_WORDS = (PACKAGE / "layouts" / "help.txt").read_text(encoding="utf-8")


class Parser(argparse.ArgumentParser):
    """A parser that takes no abbreviated options and keeps the line breaks of its examples."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("formatter_class", argparse.RawDescriptionHelpFormatter)
        super().__init__(**{**kwargs, "allow_abbrev": False})

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """As argparse, but an unknown option is reported first: it is often what seems to be missing."""
        words = list(sys.argv[1:] if args is None else args)
        if self._subparsers is None:
            for word in words[: words.index("--") if "--" in words else None]:
                name = word.partition("=")[0]
                if name.startswith("--") and name not in self._option_string_actions:
                    near = difflib.get_close_matches(name, [*self._option_string_actions], n=1)
                    self.error(f"there is no option {name}{f'; did you mean {near[0]}?' if near else ''}")
        return super().parse_known_args(words, namespace)


_Commands: TypeAlias = "argparse._SubParsersAction[Parser]"  # argparse has no public name for it


def _named_by(variable: str) -> Path | None:
    """The file that a variable of the environment names."""
    named = os.environ.get(variable)
    return Path(named) if named else None


def _whole(text: str) -> int:
    """A whole number that is not negative."""
    if not text.isascii() or not text.isdigit():
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number")
    return int(text)


_SEASON = re.compile(r"([0-9]{4})(?:[/–-]([0-9]{4}|[0-9]{2}))?")


def _season(text: str) -> int:
    """The year in which a season begins, of itself or with the one in which it ends: 2024, 2024/25, 2024-25."""
    found = _SEASON.fullmatch(text)
    if found is None:
        raise argparse.ArgumentTypeError(f"{text!r} is not a season; write 2024/25, or 2024 for it")
    begins, ends = int(found[1]), f"{int(found[1]) + 1}"
    if found[2] not in (None, ends, ends[2:]):
        raise argparse.ArgumentTypeError(
            f"{text!r} is not a season: one that begins in {begins} ends in {ends}; write {begins}/{ends[2:]}"
        )
    return begins


def _listed(text: str) -> tuple[str, ...]:
    """Words with commas between them."""
    return tuple(word.strip() for word in text.split(","))


def _date(text: str) -> dt.date:
    """A date, year first."""
    try:
        return dt.datetime.strptime(text, "%Y-%m-%d").date()
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a date; write it year first: 2024-11-08") from None


@dataclass(frozen=True)
class Option:
    """A word or option of a command: its names, and how argparse is to take it."""

    names: tuple[str, ...]
    how: dict[str, Any]


def option(*names: str, **how: Any) -> Option:
    """An option as ``ArgumentParser.add_argument`` takes it."""
    return Option(names, how)


def _file(name: str, help: str) -> Option:
    return option(name, type=Path, metavar="FILE", help=help)


def _folder(name: str, help: str, **how: Any) -> Option:
    return option(name, type=Path, metavar="DIR", help=help, **how)


def _number(name: str, help: str, metavar: str = "N", **how: Any) -> Option:
    return option(name, type=_whole, metavar=metavar, help=help, **how)


def _of_season(help: str, **how: Any) -> Option:
    return option("--season", type=_season, metavar="Y", help=help, **how)


def _report_options(folder: str) -> tuple[Option, Option]:
    return (
        _folder("--out", f"default: reports/{folder}", default=Path("reports") / folder),
        option("--pdf", action="store_true", help="also print the page to PDF with Chromium"),
    )


_FORMAT = option("--format", choices=("text", "json", "csv"), default="text", help="default: text")
_OWN_MODELS = _file("--models", "TOML file of [[model]] entries, used beside the published models")
_PRINTED = _file("--out", "a CSV file (default: printed)")
_LAYOUTS = option(
    "--layouts", type=Path, metavar="FILE",
    help=f"how files of another shape become rows (default ${LAYOUTS_VARIABLE}, or layouts.toml beside the store "
    "or here)",
)  # fmt: skip
_PATHS = (
    option(
        "paths", nargs="+", metavar="PATH", help="a file, a folder (texts, workbooks, archives), or - for stdin"
    ),
    _LAYOUTS,
    _FORMAT,
    _folder("--rejects", "write each file's rejected rows there, with their problems"),
)


@dataclass(frozen=True)
class Command:
    """A command: its function, an example, its own options, what its function is given besides, and what its help
    says below all that."""

    function: Callable[..., int]
    example: str
    options: tuple[Option, ...] = ()
    given: dict[str, Any] = field(default_factory=dict)
    more: str = ""


def parser() -> argparse.ArgumentParser:
    """The whole command line."""
    top = Parser(
        prog="broodyear",
        description="Survival and development records of incubation tanks: check, load, compare, forecast.",
        epilog=f"Example:\n  broodyear demo --out demo\n\n{_EXIT_CODES}",
    )
    top.add_argument("--version", action="version", version=f"broodyear {__version__}")
    top.add_argument("--debug", action="store_true", help="show the traceback of an unexpected failure")
    found: dict[str, _Commands] = {"": top.add_subparsers(dest="command", metavar="COMMAND", parser_class=Parser)}
    for command in _COMMANDS:
        group, _, name = command.function.__name__.rpartition("_")
        if group not in found:
            found[group] = _add_reports(found[""])
        _add(found[group], name, command)
    return top


def _add_reports(commands_of: _Commands) -> _Commands:
    report = commands_of.add_parser(
        "report",
        help="write a report: season, regions, development or week",
        description="Write a report as one page, with its tables as CSV and its figures as SVG.",
        epilog="Example:\n  broodyear report season --season 2024 --out review",
    )
    return report.add_subparsers(dest="kind", metavar="REPORT", required=True, parser_class=Parser)


def _add(commands_of: _Commands, name: str, command: Command) -> None:
    """Add a command with its options and those that all of them take."""
    does = (command.function.__doc__ or "").partition("\n")[0]
    added = commands_of.add_parser(
        name, help=f"{does[:1].lower()}{does[1:]}".rstrip("."), description=does,
        epilog=f"Example:\n  {command.example}\n\n{command.more}".rstrip(),
    )  # fmt: skip
    added.set_defaults(function=command.function, **command.given)
    for one in (*_SHARED, *command.options):
        added.add_argument(*one.names, **one.how)


_SHARED = (
    option("--quiet", action="store_true", help="say nothing but results and errors"),
    _file("--store", f"the store (default {DEFAULT_STORE} here, or ${STORE_VARIABLE})"),
    _file(
        "--settings",
        f"season start, limits, acknowledged suspicions (TOML; default ${SETTINGS_VARIABLE}, or {SETTINGS_FILE}"
        " beside the store)",
    ),
)


def completion_words() -> dict[str, list[str]]:
    """Command (or "report KIND") -> its options, for the completion script."""
    words: dict[str, list[str]] = {}

    def visit(current: argparse.ArgumentParser, name: str) -> None:
        words[name] = sorted(option for action in current._actions for option in action.option_strings)
        for action in current._actions:
            if isinstance(action, argparse._SubParsersAction):
                words[name] += sorted(action.choices)
                for child, child_parser in action.choices.items():
                    visit(child_parser, f"{name} {child}".strip())

    visit(parser(), "")
    return words


_COMMANDS = (
    Command(commands.demo, "broodyear demo --out demo --seed 7", (
        _folder("--out", "where (default: demo)", default=Path("demo")),
        _number("--seed", "seed of the programme (default 1)", default=1),
        _number("--seasons", "number of seasons (default 5)", default=5),
        _number("--tanks", "tanks a season (default 90)", default=90),
    )),
    Command(commands.desk, "broodyear desk --store broodyear.duckdb", (
        _number("--port", "default: any that is free", default=0),
        _LAYOUTS,
        option("--no-browser", action="store_true", help="print the address, open nothing"),
    )),
    Command(commands.template, "broodyear template losses stages --out templates", (
        option("tables", nargs="*", metavar="TABLE", help=f"which (default all): {', '.join(TABLE_NAMES)}"),
        _folder("--out", "default: templates", default=Path("templates")),
    )),
    Command(commands.dictionary, "broodyear dictionary losses", (
        option("tables", nargs="*", metavar="TABLE", help="which tables (default all)"),
    )),
    Command(store_commands.check, "broodyear check records/ --format text", _PATHS),
    Command(store_commands.load, "broodyear load records/ --rejects to_mend", (
        *_PATHS,
        option("--strict", action="store_true", help="load nothing when any row has an error"),
    )),
    Command(store_commands.layout, "broodyear layout diaries/ --out layouts.toml", (
        option("paths", nargs="+", metavar="PATH", help="a file, a folder, or - for stdin"),
        _file("--out", "add the drafts to this file (default: printed)"),
        _LAYOUTS,
    ), more=_LAYOUT_WORDS),
    Command(store_commands.uploads, "broodyear uploads", (_FORMAT,)),
    Command(store_commands.withdraw, "broodyear withdraw 12", (
        _number("upload", "its number in `broodyear uploads`", "UPLOAD"),
    )),
    Command(store_commands.mend, "broodyear mend --out to_mend", (
        _FORMAT,
        _folder("--out", "write a copy of each file's open rows there"),
        option("--dismiss", action="append", default=[], metavar="FILE#LINE", help="close this row"),
        option("--reason", metavar="TEXT", help="why it is dismissed"),
        _LAYOUTS,
    )),
    Command(store_commands.verify, "broodyear verify --rescue rescued", (
        _folder("--rescue", "write all that can be read there, as CSV"),
    )),
    Command(commands.report_season, "broodyear report season --season 2024 --out review --sites", (
        _of_season("2024 and 2024/25 mean the same", required=True),
        option("--sites", action="store_true", help="also write a one-page sheet per site"),
        *_report_options("season"),
    )),
    Command(commands.report_regions, "broodyear report regions --out regions", _report_options("regions")),
    Command(
        commands.report_development, "broodyear report development --models mine.toml --out development", (
            _OWN_MODELS,
            *_report_options("development"),
        )
    ),
    Command(commands.report_week, "broodyear report week --as-of 2024-12-02 --out week", (
        option("--as-of", type=_date, metavar="DATE", help="default: the day of the last record"),
        *_report_options("week"),
    )),
    Command(commands.forecast, "broodyear forecast --season 2024 --as-of 2024-12-01 --out forecast.csv", (
        _of_season("default: the last season in the store"),
        option("--as-of", type=_date, metavar="DATE", help="default: the last reading in the store"),
        _OWN_MODELS,
        _PRINTED,
    )),
    Command(
        commands.plan,
        "broodyear plan --species chinook --delivered-on 2024-11-08 --units 310 --window 2025-02-10 2025-02-24",
        (
            option("--species", required=True, metavar="SPECIES", help="as in the batches table"),
            option("--delivered-on", type=_date, required=True, metavar="DATE", help="delivery date"),
            option("--units", type=float, required=True, metavar="N", dest="units_at_delivery_c_days",
                   help="thermal units at delivery, °C·d"),
            option("--hatchery-temp", type=float, metavar="C", dest="hatchery_temp_c",
                   help="mean temperature before delivery, °C"),
            option("--window", type=_date, nargs=2, metavar=("FROM", "TO"),
                   help="which set points put button-up inside it"),
            _number("--release-after-days", "also give release, N days after button-up"),
            _OWN_MODELS,
            _PRINTED,
        ),
    ),
    Command(
        commands.trial,
        "broodyear trial --factor gravel_practice --levels gravel,bare --season 2025 --out trial.csv",
        (
            option("--factor", required=True, metavar="F", help="a practice column of the setups table"),
            option("--levels", type=_listed, required=True, metavar="A,B", help="what to compare"),
            _of_season("default: the season after the last"),
            _number("--seed", "seed of the assignment (default 1)", default=1),
            _PRINTED,
        ),
    ),
    Command(commands.export, "broodyear export --out export --format csv", (
        _folder("--out", "where", required=True),
        option("--format", choices=("csv", "parquet"), default="csv", help="default: csv"),
    )),
    Command(commands.sql, "broodyear sql thermal_units", (
        option("name", nargs="?", metavar="TABLE", help="a derived table (default: list them)"),
    )),
    Command(commands.completion, 'eval "$(broodyear completion)"', (), {"words": completion_words}),
)  # fmt: skip


def main(arguments: Sequence[str]) -> int:
    """Run one command; its exit code."""
    top = parser()
    options = vars(top.parse_args(arguments)) if arguments else {}
    if options.get("function") is None:
        top.print_help()
        return 0
    function, debug = options.pop("function"), options.pop("debug")
    options.pop("command"), options.pop("kind", None)
    store = options.pop("store") or _named_by(STORE_VARIABLE) or Path(DEFAULT_STORE)
    programme = Programme(
        store,
        options.pop("settings") or _named_by(SETTINGS_VARIABLE) or settings_beside(store),
        options.pop("layouts", None) or _named_by(LAYOUTS_VARIABLE),
        options.pop("quiet"),
    )
    return ended(partial(function, programme, **options), store, debug)
