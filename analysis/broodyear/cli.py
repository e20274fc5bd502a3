"""The command line: parsing only. Each command's work is the function of the same name in ``commands``."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

from broodyear import __version__, commands, store_commands
from broodyear.endings import ended
from broodyear.parsing import Commands as _Commands
from broodyear.parsing import Parser as _Parser
from broodyear.parsing import add_layouts as _add_layouts
from broodyear.parsing import command as _command
from broodyear.parsing import date as _date
from broodyear.parsing import listed as _listed
from broodyear.parsing import whole as _whole
from broodyear.schemas.declarations import TABLE_NAMES
from broodyear.settings import settings_beside

_EXIT_CODES = """exit codes:
  0 done   1 unexpected failure   2 wrong usage   10 some rows have errors (the good ones were loaded,
  unless --strict)   11 a file could not be read or recognised   12 nothing to analyse, or refused with
  a reason   13 the store is busy, damaged, or written by a newer version   130 stopped with Ctrl-C"""


def parser() -> argparse.ArgumentParser:
    """The whole command line."""
    top = _Parser(
        prog="broodyear",
        description="Survival and development records of incubation tanks: check, load, compare, forecast.",
        epilog=f"Example:\n  broodyear demo --out demo\n\n{_EXIT_CODES}",
    )
    top.add_argument("--version", action="version", version=f"broodyear {__version__}")
    top.add_argument("--debug", action="store_true", help="show the traceback of an unexpected failure")
    commands_of = top.add_subparsers(dest="command", metavar="COMMAND", parser_class=_Parser)
    for add in (
        _add_demo,
        _add_desk,
        _add_template,
        _add_dictionary,
        _add_check,
        _add_load,
        _add_layout,
        _add_uploads,
        _add_withdraw,
        _add_mend,
        _add_verify,
        _add_report,
        _add_forecast,
        _add_plan,
        _add_trial,
        _add_export,
        _add_sql,
        _add_completion,
    ):
        add(commands_of)
    return top


def _add_demo(commands_of: _Commands) -> None:
    demo = _command(
        commands_of,
        "demo",
        commands.demo,
        "write an invented programme's uploads, load them, and write every report",
        "broodyear demo --out demo --seed 7",
    )
    demo.add_argument("--out", type=Path, default=Path("demo"), metavar="DIR", help="where (default: demo)")
    demo.add_argument("--seed", type=_whole, default=1, metavar="N", help="seed of the programme (default 1)")
    demo.add_argument("--seasons", type=_whole, default=5, metavar="N", help="number of seasons (default 5)")
    demo.add_argument("--tanks", type=_whole, default=90, metavar="N", help="tanks a season (default 90)")


def _add_desk(commands_of: _Commands) -> None:
    desk = _command(
        commands_of,
        "desk",
        commands.desk,
        "do all of this in a page on this computer, without a terminal",
        "broodyear desk --store broodyear.duckdb",
    )
    desk.add_argument("--port", type=_whole, default=0, metavar="N", help="default: any that is free")
    _add_layouts(desk)
    desk.add_argument("--no-browser", action="store_true", help="print the address, open nothing")


def _add_template(commands_of: _Commands) -> None:
    template = _command(
        commands_of,
        "template",
        commands.template,
        "write an empty CSV per table with an example row, and the data dictionary beside it",
        "broodyear template losses stages --out templates",
    )
    template.add_argument(
        "tables", nargs="*", metavar="TABLE", help=f"which tables (default all): {', '.join(TABLE_NAMES)}"
    )
    template.add_argument("--out", type=Path, default=Path("templates"), metavar="DIR", help="default: templates")


def _add_dictionary(commands_of: _Commands) -> None:
    dictionary = _command(
        commands_of,
        "dictionary",
        commands.dictionary,
        "print the data dictionary",
        "broodyear dictionary losses",
    )
    dictionary.add_argument("tables", nargs="*", metavar="TABLE", help="which tables (default all)")


def _add_check(commands_of: _Commands) -> None:
    check = _command(
        commands_of,
        "check",
        store_commands.check,
        "read and check files; load nothing",
        "broodyear check records/ --format text",
    )
    _add_paths(check)


def _add_load(commands_of: _Commands) -> None:
    load = _command(
        commands_of,
        "load",
        store_commands.load,
        "check files and load their good rows; rejected rows are kept with their reason",
        "broodyear load records/ --rejects to_mend",
    )
    _add_paths(load)
    load.add_argument("--strict", action="store_true", help="load nothing when any row has an error")


def _add_paths(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "paths", nargs="+", metavar="PATH", help="a file, a folder (texts, workbooks, archives), or - for stdin"
    )
    _add_layouts(command)
    command.add_argument("--format", choices=("text", "json", "csv"), default="text", help="default: text")
    command.add_argument(
        "--rejects", type=Path, metavar="DIR", help="write each file's rejected rows there, with their problems"
    )


def _add_layout(commands_of: _Commands) -> None:
    layout = _command(
        commands_of,
        "layout",
        store_commands.layout,
        "draft how files of another shape become rows of the tables",
        "broodyear layout diaries/ --out layouts.toml",
    )
    layout.add_argument("paths", nargs="+", metavar="PATH", help="a file, a folder, or - for stdin")
    layout.add_argument("--out", type=Path, metavar="FILE", help="add the drafts to this file (default: printed)")
    _add_layouts(layout)


def _add_uploads(commands_of: _Commands) -> None:
    uploads = _command(
        commands_of,
        "uploads",
        store_commands.uploads,
        "list what was loaded, when, from which bytes",
        "broodyear uploads",
    )
    uploads.add_argument("--format", choices=("text", "json", "csv"), default="text", help="default: text")


def _add_withdraw(commands_of: _Commands) -> None:
    withdraw = _command(
        commands_of,
        "withdraw",
        store_commands.withdraw,
        "take one upload back; everything reads as if it had never come",
        "broodyear withdraw 12",
    )
    withdraw.add_argument("upload", type=_whole, metavar="UPLOAD", help="its number in `broodyear uploads`")


def _add_mend(commands_of: _Commands) -> None:
    mend = _command(
        commands_of,
        "mend",
        store_commands.mend,
        "list the rejected rows still open, from every upload; write copies to mend, or dismiss some",
        "broodyear mend --out to_mend",
    )
    mend.add_argument("--format", choices=("text", "json", "csv"), default="text", help="default: text")
    mend.add_argument("--out", type=Path, metavar="DIR", help="write a copy of each file's open rows there")
    mend.add_argument("--dismiss", action="append", default=[], metavar="FILE#LINE", help="close this row")
    mend.add_argument("--reason", metavar="TEXT", help="why it is dismissed")
    _add_layouts(mend)


def _add_verify(commands_of: _Commands) -> None:
    verify = _command(
        commands_of,
        "verify",
        store_commands.verify,
        "read the whole store, count it against its ledger, and say what is whole",
        "broodyear verify --rescue rescued",
    )
    verify.add_argument("--rescue", type=Path, metavar="DIR", help="write all that can be read there, as CSV")


def _add_report(commands_of: _Commands) -> None:
    report = commands_of.add_parser(
        "report",
        help="write a report: season, regions, development or week",
        description="Write a report as one page, with its tables as CSV and its figures as SVG.",
        epilog="Example:\n  broodyear report season --season 2024 --out review",
    )
    kinds = report.add_subparsers(dest="kind", metavar="REPORT", required=True, parser_class=_Parser)
    season = _command(
        kinds,
        "season",
        commands.report_season,
        "the annual review of one season, with the seasons before it for trend",
        "broodyear report season --season 2024 --out review --sites",
    )
    season.add_argument("--season", type=_whole, required=True, metavar="Y", help="2024 means 2024/25")
    season.add_argument("--sites", action="store_true", help="also write a one-page sheet per site")
    regions = _command(
        kinds,
        "regions",
        commands.report_regions,
        "regions compared over the seasons, with the egg batches taken into account",
        "broodyear report regions --out regions",
    )
    development = _command(
        kinds,
        "development",
        commands.report_development,
        "thermal-unit models validated against observed stages",
        "broodyear report development --models mine.toml --out development",
    )
    development.add_argument(
        "--models",
        type=Path,
        metavar="FILE",
        help="TOML file of [[model]] entries, scored beside the published models",
    )
    week = _command(
        kinds,
        "week",
        commands.report_week,
        "the running season on one day: what is due, silent, warm, losing fish or out of limits",
        "broodyear report week --as-of 2024-12-02 --out week",
    )
    week.add_argument("--as-of", type=_date, metavar="DATE", help="default: the day of the last record")
    for added, folder in ((season, "season"), (regions, "regions"), (development, "development"), (week, "week")):
        added.add_argument(
            "--out", type=Path, default=Path("reports") / folder, metavar="DIR", help=f"default: reports/{folder}"
        )
        added.add_argument("--pdf", action="store_true", help="also print the page to PDF with Chromium")


def _add_forecast(commands_of: _Commands) -> None:
    forecast = _command(
        commands_of,
        "forecast",
        commands.forecast,
        "expected stage dates, with intervals, for tanks not there yet",
        "broodyear forecast --season 2024 --as-of 2024-12-01 --out forecast.csv",
    )
    forecast.add_argument("--season", type=_whole, metavar="Y", help="default: the last season in the store")
    forecast.add_argument("--as-of", type=_date, metavar="DATE", help="default: the last reading in the store")
    forecast.add_argument("--out", type=Path, metavar="FILE", help="a CSV file (default: printed)")


def _add_plan(commands_of: _Commands) -> None:
    plan = _command(
        commands_of,
        "plan",
        commands.plan,
        "stage dates at set points of 6 to 12 °C for a delivery still to come",
        "broodyear plan --species chinook --delivered-on 2024-11-08 --units 310 --window 2025-02-10 2025-02-24",
    )
    plan.add_argument("--species", required=True, metavar="SPECIES", help="as in the batches table")
    plan.add_argument("--delivered-on", type=_date, required=True, metavar="DATE", help="delivery date")
    plan.add_argument("--units", type=float, required=True, metavar="N", help="thermal units at delivery, °C·d")
    plan.add_argument("--hatchery-temp", type=float, metavar="C", help="mean temperature before delivery, °C")
    plan.add_argument(
        "--window", type=_date, nargs=2, metavar=("FROM", "TO"), help="which set points put button-up inside it"
    )
    plan.add_argument(
        "--release-after-days", type=_whole, metavar="N", help="also give release, N days after button-up"
    )
    plan.add_argument("--out", type=Path, metavar="FILE", help="a CSV file (default: printed)")


def _add_trial(commands_of: _Commands) -> None:
    trial = _command(
        commands_of,
        "trial",
        commands.trial,
        "assign a practice at random for the season to come, and say what the comparison could find",
        "broodyear trial --factor gravel_practice --levels gravel,bare --season 2025 --out trial.csv",
    )
    trial.add_argument("--factor", required=True, metavar="F", help="a practice column of the setups table")
    trial.add_argument("--levels", type=_listed, required=True, metavar="A,B", help="what to compare")
    trial.add_argument("--season", type=_whole, metavar="Y", help="default: the season after the last")
    trial.add_argument("--seed", type=_whole, default=1, metavar="N", help="seed of the assignment (default 1)")
    trial.add_argument("--out", type=Path, metavar="FILE", help="a CSV file (default: printed)")


def _add_export(commands_of: _Commands) -> None:
    export = _command(
        commands_of,
        "export",
        commands.export,
        "write every table and derived table, with the data dictionary",
        "broodyear export --out export --format csv",
    )
    export.add_argument("--out", type=Path, required=True, metavar="DIR", help="where")
    export.add_argument("--format", choices=("csv", "parquet"), default="csv", help="default: csv")


def _add_sql(commands_of: _Commands) -> None:
    sql = _command(
        commands_of,
        "sql",
        commands.sql,
        "print the query behind a derived table, or list them",
        "broodyear sql thermal_units",
    )
    sql.add_argument("name", nargs="?", metavar="TABLE", help="a derived table (default: list them)")


def _add_completion(commands_of: _Commands) -> None:
    completion = _command(
        commands_of,
        "completion",
        commands.completion,
        "print a completion script for bash",
        'eval "$(broodyear completion)"',
    )
    completion.set_defaults(words=completion_words)


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


def main(arguments: Sequence[str]) -> int:
    """Run one command; its exit code."""
    top = parser()
    if not arguments:
        top.print_help()
        return 0
    options = vars(top.parse_args(arguments))
    if options.get("function") is None:
        top.print_help()
        return 0
    function, debug = options.pop("function"), options.pop("debug")
    options.pop("command"), options.pop("kind", None)
    options["settings"] = options["settings"] or settings_beside(options["store"])
    return ended(function, options, debug)
