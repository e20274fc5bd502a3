"""What each command does, one function of the same name each. Every function returns its exit code."""

from __future__ import annotations

import datetime as dt
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from broodyear.console import Programme, progress, say
from broodyear.errors import EXIT_DONE, EXIT_NOTHING_TO_ANALYSE, UsageError
from broodyear.formulas import csv_text
from broodyear.outputs import require_file, write_file
from broodyear.schemas import TABLE_NAMES, Table, all_tables, dictionary_markdown, table, template_csv
from broodyear.settings import read_settings

if TYPE_CHECKING:
    import pandas as pd

    from broodyear.development import DevelopmentModel


DICTIONARY_FILE = "data_dictionary.md"


def demo(programme: Programme, *, out: Path, seed: int, seasons: int, tanks: int) -> int:
    """Write an invented programme's uploads, load them, and write every report."""
    from broodyear.demonstration import make_demo

    with progress(programme.quiet) as line:
        made = make_demo(out, seed=seed, seasons=seasons, tanks=tanks, progress=line)
    print(made.summary)
    return EXIT_DONE


def desk(programme: Programme, *, port: int, no_browser: bool) -> int:
    """Do all of this in a page on this computer, without a terminal."""
    from broodyear.desk.server import serve

    _ = programme.settings, programme.layouts  # refused, where they cannot be read, before a page is opened

    def opened(address: str) -> None:
        print(f"The desk is open at {address}", flush=True)
        programme.say("The address lets one browser in, once. Close the desk on its page, or with Ctrl-C here.")

    files = {"settings": programme.settings_file, "layouts": programme.layouts_file}
    serve(programme.store, **files, port=port, open_browser=not no_browser, opened=opened)
    return EXIT_DONE


def template(programme: Programme, *, tables: Sequence[str], out: Path) -> int:
    """Write an empty CSV per table with an example row, and the data dictionary beside it."""
    chosen = _tables(tables)
    # A byte-order mark, so that spreadsheets open the file as UTF-8.
    files = {out / f"{one.name}.csv": template_csv(one).encode("utf-8-sig") for one in chosen}
    files[out / DICTIONARY_FILE] = dictionary_markdown(chosen).encode()
    for path in files:
        require_file(path, "template")
    for path, content in files.items():
        print(write_file(path, content, "template"))
    programme.say("Replace the example row by your own rows before you send a file.")
    return EXIT_DONE


def dictionary(_: Programme, *, tables: Sequence[str]) -> int:
    """Print the data dictionary."""
    print(dictionary_markdown(_tables(tables)), end="")
    return EXIT_DONE


def _tables(names: Sequence[str]) -> tuple[Table, ...]:
    unknown = [name for name in names if name not in TABLE_NAMES]
    if unknown:
        raise UsageError(f"there is no table {unknown[0]!r}; expected one of {', '.join(TABLE_NAMES)}")
    return tuple(table(name) for name in names) if names else all_tables()


def report_season(programme: Programme, *, season: int, out: Path, sites: bool, pdf: bool) -> int:
    """Write the annual review of one season, with the seasons before it for trend."""
    typed = f"season --season {season}{' --sites' if sites else ''}"
    return _report(programme, "writing the annual review", typed, season, out, sites=sites, pdf=pdf)


def report_regions(programme: Programme, *, out: Path, pdf: bool) -> int:
    """Compare regions over the seasons, with the egg batches taken into account."""
    return _report(programme, "comparing regions", "regions", out, pdf=pdf)


def report_development(programme: Programme, *, out: Path, models: Path | None, pdf: bool) -> int:
    """Validate thermal-unit models against observed stages."""
    return _report(
        programme, "validating thermal-unit models", "development", out, models=_models(models), pdf=pdf
    )


def _models(file: Path | None) -> tuple[DevelopmentModel, ...]:
    """The models of one's own in a file, where one is named."""
    from broodyear.development import read_models

    return () if file is None else read_models(file)


def report_week(programme: Programme, *, as_of: dt.date | None, out: Path, pdf: bool) -> int:
    """List what is due, silent, warm, losing fish or out of limits in the running season on one day."""
    return _report(programme, "looking through the season", "week", out, as_of=as_of, pdf=pdf)


def _report(programme: Programme, doing: str, typed: str, *given: Any, **options: Any) -> int:
    """Write a report. typed: the command for it, from its name on; given, options: of its writer."""
    from broodyear.reports import writer

    write = writer(typed.partition(" ")[0])
    with programme.waiting(doing), programme.analysed() as store:
        result = write(store, *given, **options, command=f"broodyear report {typed}")
    print(f"Open {result.page}")
    return EXIT_DONE


def forecast(
    programme: Programme, *, season: int | None, as_of: dt.date | None, models: Path | None, out: Path | None
) -> int:
    """Forecast stage dates, with intervals, of tanks not there yet."""
    from broodyear.development import EARLIER_FITS, cautions_on, forecast_table

    own = _models(models)
    if out is not None:
        require_file(out, "forecast")
    with programme.waiting("forecasting"), programme.analysed() as store:
        dates = forecast_table(store, season=season, as_of=as_of, models=own)
    if dates.empty:
        say("No tank of this season is still on its way to a stage; nothing to forecast.")
        return EXIT_NOTHING_TO_ANALYSE
    earlier = [] if as_of is None else [EARLIER_FITS.format(date=as_of)]
    return _written(programme, dates, out, "forecast", [*earlier, *cautions_on(own)])


def plan(programme: Programme, *, models: Path | None, out: Path | None, **delivery_fields: Any) -> int:
    """Give stage dates at set points of 6 to 12 °C for a delivery still to come.

    delivery_fields: those of a PlannedDelivery.
    """
    from broodyear.development import PlannedDelivery, plan_by_records

    delivery, settings = PlannedDelivery(**delivery_fields), read_settings(programme.settings_file)
    own = _models(models)
    if programme.store.exists():
        with programme.waiting("fitting this programme's own records"), programme.analysed() as store:
            dates, cautions = plan_by_records(delivery, store, settings, own)
    else:
        programme.say(f"{programme.store} does not exist, so the plan rests on published models alone.")
        dates, cautions = plan_by_records(delivery, None, settings, own)
    return _written(programme, dates, out, "plan", cautions)


def trial(
    programme: Programme, *, factor: str, levels: tuple[str, ...], season: int | None, seed: int, out: Path | None
) -> int:
    """Assign a practice at random for the season to come, and say what the comparison could find."""
    from broodyear.trials import TRIAL_CAUTIONS, checked_levels, plan_trial

    levels = checked_levels(factor, levels)
    if out is not None:
        require_file(out, "trial")
    with programme.waiting("assigning"), programme.analysed() as store:
        tanks, outcomes = store.result("tank_seasons"), store.result("tank_outcomes")
        planned = plan_trial(tanks, outcomes, factor, levels, season=season, seed=seed)
    remarks = [*planned.sentences(), *TRIAL_CAUTIONS]
    return _written(programme, planned.assignment.rows, out, "trial", remarks)


def _written(programme: Programme, frame: pd.DataFrame, out: Path | None, by: str, remarks: Sequence[str]) -> int:
    """Print a table, or write it to a file, and say what goes with it."""
    if out is None:
        sys.stdout.write(csv_text(frame))
    else:
        print(write_file(out, csv_text(frame), by))
    for remark in remarks:
        programme.say(remark)
    return EXIT_DONE


def export(programme: Programme, *, out: Path, format: str) -> int:
    """Write every table and derived table, with the data dictionary."""
    from broodyear.store import export_store

    with programme.waiting("exporting"), programme.analysed() as store:
        export_store(store, out, format)
    print(out)
    return EXIT_DONE


def sql(_: Programme, *, name: str | None) -> int:
    """Print the query behind a derived table, or list them."""
    from broodyear.derived import all_queries, query_text

    if name is None:
        print("\n".join(all_queries()))
        return EXIT_DONE
    if name not in all_queries():
        raise UsageError(f"there is no derived table {name!r}; `broodyear sql` lists them")
    print(query_text(name), end="")
    return EXIT_DONE


def completion(_: Programme, *, words: Callable[[], dict[str, list[str]]]) -> int:
    """Print a completion script for bash.

    words: gives the options after each command.
    """
    cases = "\n".join(f'    "{name}") words="{" ".join(options)}" ;;' for name, options in words().items())
    print(_COMPLETION.replace("@CASES@", cases))
    return EXIT_DONE


_COMPLETION = """_broodyear() {
  local typed="" word words=""
  for word in "${COMP_WORDS[@]:1:COMP_CWORD-1}"; do
    case "$word" in -*) ;; *) typed="${typed:+$typed }$word" ;; esac
  done
  case "$typed" in
@CASES@
  esac
  COMPREPLY=($(compgen -W "$words" -- "${COMP_WORDS[COMP_CWORD]}"))
}
complete -o default -F _broodyear broodyear"""
