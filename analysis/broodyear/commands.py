"""What each command does, one function of the same name each. Every function returns its exit code."""

from __future__ import annotations

import datetime as dt
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from broodyear.console import opened_store, progress, say, waiting
from broodyear.errors import EXIT_DONE, EXIT_NOTHING_TO_ANALYSE, UsageError
from broodyear.formulas import csv_text
from broodyear.outputs import require_file, write_file
from broodyear.schemas import TABLE_NAMES, Table, all_tables, dictionary_markdown, table, template_csv
from broodyear.settings import read_settings

if TYPE_CHECKING:
    import pandas as pd


DICTIONARY_FILE = "data_dictionary.md"


def demo(*, out: Path, seed: int, seasons: int, tanks: int, quiet: bool = False, **_unused: object) -> int:
    """Write an invented programme's uploads, load them, and write every report; the store lies in its folder."""
    from broodyear.demonstration import make_demo

    with progress(quiet) as line:
        made = make_demo(out, seed=seed, seasons=seasons, tanks=tanks, progress=line)
    print(made.summary)
    return EXIT_DONE


def desk(
    *,
    port: int,
    no_browser: bool,
    layouts: Path | None,
    store: Path,
    settings: Path | None,
    quiet: bool = False,
) -> int:
    """Serve the pages of the desk on this computer until they are closed."""
    from broodyear.desk import serve
    from broodyear.layouts import chosen_layouts

    read_settings(settings)
    chosen_layouts(layouts, store)

    def opened(address: str) -> None:
        print(f"The desk is open at {address}", flush=True)
        say("The address lets one browser in, once. Close the desk on its page, or with Ctrl-C here.", quiet=quiet)

    serve(store, settings=settings, layouts=layouts, port=port, open_browser=not no_browser, opened=opened)
    return EXIT_DONE


def template(
    *,
    tables: Sequence[str],
    out: Path,
    quiet: bool = False,
    store: Path | None = None,
    settings: Path | None = None,
) -> int:
    """Write an upload template per table, with an example row, and the data dictionary beside them."""
    chosen = _tables(tables)
    # A byte-order mark, so that spreadsheets open the file as UTF-8.
    files = {out / f"{one.name}.csv": template_csv(one).encode("utf-8-sig") for one in chosen}
    files[out / DICTIONARY_FILE] = dictionary_markdown(chosen).encode()
    for place in files:
        require_file(place, "template")
    for place, content in files.items():
        print(write_file(place, content, "template"))
    say("Replace the example row by your own rows before you send a file.", quiet=quiet)
    return EXIT_DONE


def dictionary(*, tables: Sequence[str], **_unused: object) -> int:
    """Print the data dictionary."""
    print(dictionary_markdown(_tables(tables)), end="")
    return EXIT_DONE


def _tables(names: Sequence[str]) -> tuple[Table, ...]:
    unknown = [name for name in names if name not in TABLE_NAMES]
    if unknown:
        raise UsageError(f"there is no table {unknown[0]!r}; expected one of {', '.join(TABLE_NAMES)}")
    return tuple(table(name) for name in names) if names else all_tables()


def report_season(
    *,
    season: int,
    out: Path,
    sites: bool,
    pdf: bool,
    store: Path,
    settings: Path | None,
    quiet: bool = False,
) -> int:
    """Write the annual review of one season."""
    from broodyear.reports.season import report_season as write

    with (
        waiting("writing the annual review", quiet),
        opened_store(store, settings) as opened,
    ):
        command = f"broodyear report season --season {season}{' --sites' if sites else ''}"
        result = write(opened, season, out, sites=sites, pdf=pdf, command=command)
    print(f"Open {result.page}")
    return EXIT_DONE


def report_regions(*, out: Path, pdf: bool, store: Path, settings: Path | None, quiet: bool = False) -> int:
    """Write the comparison of regions over the seasons."""
    from broodyear.reports.regions import report_regions as write

    with waiting("comparing regions", quiet), opened_store(store, settings) as opened:
        result = write(opened, out, pdf=pdf, command="broodyear report regions")
    print(f"Open {result.page}")
    return EXIT_DONE


def report_development(
    *, out: Path, models: Path | None, pdf: bool, store: Path, settings: Path | None, quiet: bool = False
) -> int:
    """Write the validation of thermal-unit models against observed stages."""
    from broodyear.development import read_models
    from broodyear.reports.development import report_development as write

    own = () if models is None else read_models(models)
    with (
        waiting("validating thermal-unit models", quiet),
        opened_store(store, settings) as opened,
    ):
        result = write(opened, out, models=own, pdf=pdf, command="broodyear report development")
    print(f"Open {result.page}")
    return EXIT_DONE


def report_week(
    *, as_of: dt.date | None, out: Path, pdf: bool, store: Path, settings: Path | None, quiet: bool = False
) -> int:
    """Write what calls for a look in the running season on one day."""
    from broodyear.reports.week import report_week as write

    with waiting("looking through the season", quiet), opened_store(store, settings) as opened:
        result = write(opened, out, as_of=as_of, pdf=pdf, command="broodyear report week")
    print(f"Open {result.page}")
    return EXIT_DONE


def forecast(
    *,
    season: int | None,
    as_of: dt.date | None,
    out: Path | None,
    store: Path,
    settings: Path | None,
    quiet: bool = False,
) -> int:
    """Expected stage dates, with intervals, for tanks not there yet."""
    from broodyear.development import EARLIER_FITS, FORECAST_CAUTIONS, forecast_table

    if out is not None:
        require_file(out, "forecast")
    with waiting("forecasting", quiet), opened_store(store, settings) as opened:
        table_of_dates = forecast_table(opened, season=season, as_of=as_of)
    if table_of_dates.empty:
        say("No tank of this season is still on its way to a stage; nothing to forecast.")
        return EXIT_NOTHING_TO_ANALYSE
    _write_csv(table_of_dates, out, "forecast")
    if as_of is not None:
        say(EARLIER_FITS.format(date=as_of), quiet=quiet)
    for caution in FORECAST_CAUTIONS:
        say(caution, quiet=quiet)
    return EXIT_DONE


def plan(
    *,
    species: str,
    delivered_on: dt.date,
    units: float,
    hatchery_temp: float | None,
    window: Sequence[dt.date] | None,
    release_after_days: int | None,
    out: Path | None,
    store: Path,
    settings: Path | None,
    quiet: bool = False,
) -> int:
    """Stage dates at set points of 6 to 12 °C for a delivery still to come, by the models a forecast rests on."""
    from broodyear.development import ALL_FITS, FORECAST_CAUTIONS, PLAN_STAGES, own_fits, plan_dates

    fits, chosen = None, read_settings(settings)
    if store.exists():
        with waiting("fitting this programme's own records", quiet), opened_store(store, settings) as opened:
            fits = own_fits(opened, stages=PLAN_STAGES)
    else:
        say(f"{store} does not exist, so the plan rests on published models alone.", quiet=quiet)
    dates = plan_dates(
        species=species,
        delivered_on=delivered_on,
        units_at_delivery_c_days=units,
        hatchery_temp_c=hatchery_temp,
        window=(window[0], window[1]) if window else None,
        release_after_days=release_after_days,
        fits=fits,
        settings=chosen,
    )
    _write_csv(dates, out, "plan")
    if fits:
        say(ALL_FITS, quiet=quiet)
    for caution in FORECAST_CAUTIONS:
        say(caution, quiet=quiet)
    return EXIT_DONE


def trial(
    *,
    factor: str,
    levels: tuple[str, ...],
    season: int | None,
    seed: int,
    out: Path | None,
    store: Path,
    settings: Path | None,
    quiet: bool = False,
) -> int:
    """Assign a practice at random for the season to come, and say what the comparison could find."""
    from broodyear.trials import TRIAL_CAUTIONS, checked_levels, plan_trial

    checked_levels(factor, levels)
    if out is not None:
        require_file(out, "trial")
    with waiting("assigning", quiet), opened_store(store, settings) as opened:
        seasons, outcomes = opened.result("tank_seasons"), opened.result("tank_outcomes")
        planned = plan_trial(seasons, outcomes, factor, levels, season=season, seed=seed)
    _write_csv(planned.assignment.rows, out, "trial")
    for sentence in (*planned.sentences(), *TRIAL_CAUTIONS):
        say(sentence, quiet=quiet)
    return EXIT_DONE


def export(*, out: Path, format: str, store: Path, settings: Path | None, quiet: bool = False) -> int:
    """Write every table and derived table, with the data dictionary."""
    from broodyear.store import export_store

    with waiting("exporting", quiet), opened_store(store, settings) as opened:
        export_store(opened, out, format)
    print(out)
    return EXIT_DONE


def sql(*, name: str | None, **_unused: object) -> int:
    """Print the query behind a derived table, or list them."""
    from broodyear.derived import all_queries, query_text

    if name is None:
        print("\n".join(all_queries()))
        return EXIT_DONE
    if name not in all_queries():
        raise UsageError(f"there is no derived table {name!r}; `broodyear sql` lists them")
    print(query_text(name), end="")
    return EXIT_DONE


def completion(*, words: Callable[[], dict[str, list[str]]], **_unused: object) -> int:
    """Print a completion script for bash; words gives the options after each command."""
    cases = "\n".join(f'    "{name}") words="{" ".join(options)}" ;;' for name, options in words().items())
    print(_COMPLETION.replace("@CASES@", cases))
    return EXIT_DONE


_COMPLETION = """_broodyear() {
  local said="" word words=""
  for word in "${COMP_WORDS[@]:1:COMP_CWORD-1}"; do
    case "$word" in -*) ;; *) said="${said:+$said }$word" ;; esac
  done
  case "$said" in
@CASES@
  esac
  COMPREPLY=($(compgen -W "$words" -- "${COMP_WORDS[COMP_CWORD]}"))
}
complete -o default -F _broodyear broodyear"""


def _write_csv(frame: pd.DataFrame, out: Path | None, by: str) -> None:
    text = csv_text(frame)
    if out is None:
        sys.stdout.write(text)
    else:
        print(write_file(out, text, by))
