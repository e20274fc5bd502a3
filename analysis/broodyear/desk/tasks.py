"""What the worker does: each task calls what the command of the same name calls."""

from __future__ import annotations

import datetime as dt
import shutil
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import duckdb

from broodyear import clock
from broodyear.desk import findings_book
from broodyear.desk.names import NamedFile
from broodyear.desk.planning import write_plan, write_trial
from broodyear.desk.workplace import Workplace, replace_folder
from broodyear.errors import NothingToAnalyse, StoreUnavailable
from broodyear.formulas import csv_text
from broodyear.layouts import Layouts, chosen_layouts, joined_labels
from broodyear.outputs import write_file
from broodyear.reports.steps import Tell
from broodyear.settings import Settings, read_settings

if TYPE_CHECKING:
    from broodyear.findings import CheckResult
    from broodyear.store import Store

Order = Mapping[str, Any]
Outcome = dict[str, Any]

#: The database's own share of memory while files are read and loaded; what does not fit goes to the disk.
LOADING_MEMORY = "160MB"
#: And while the store is counted: its queries hold more at a time than a load does.
COUNTING_MEMORY = "300MB"
#: Another program may have the store for a moment only: so long the desk tries again.
PATIENCE_SECONDS = 5.0


def check(order: Order, tell: Tell) -> Outcome:
    """Look at the waiting files and load nothing; what is found is written to the folder ``checked``."""
    from broodyear.intake import check_paths

    place = _workplace(order)
    new = _new_folder(place, "checked")
    with _for_reading(place, _settings(order), LOADING_MEMORY) as store:
        result = check_paths(
            _files(order),
            store=store,
            settings=store.settings,
            layouts=_layouts(order),
            progress=tell,
            rejects=new / "to_mend",
            today=clock.today(),
        )
    totals = findings_book.write(new, result, order["numbers"])
    replace_folder(new, place.checked)
    return {"totals": totals}


def load(order: Order, tell: Tell) -> Outcome:
    """Load the good rows of the waiting files; what is found is written to the folder ``loaded``."""
    from broodyear.intake import load_paths

    place = _workplace(order)
    new = _new_folder(place, "loaded")
    with _for_change(place, _settings(order), must_exist=False) as store:
        store.set_memory(LOADING_MEMORY)
        totals: dict[str, Any] = {}

        def show(result: CheckResult) -> None:
            totals.update(findings_book.write(new, result))
            replace_folder(new, place.loaded)

        files, layouts = _files(order), _layouts(order)
        mend, today = new / "to_mend", clock.today()
        load_paths(store, files, layouts=layouts, progress=tell, rejects=mend, tell=show, today=today)
        tell(0, 0, "working out what reports start from")
        store.set_memory(COUNTING_MEMORY)
        store.keep_derived()
    return {"totals": totals}


def withdraw(order: Order, tell: Tell) -> Outcome:
    """Take one upload back."""
    tell(0, 0, "taking the file back")
    place = _workplace(order)
    with _for_change(place, _settings(order), must_exist=True) as store:
        said = store.withdraw(int(order["upload"]))
        store.keep_derived()
    return {"message": f"{said[:1].upper()}{said[1:]}."}


def dismiss(order: Order, tell: Tell) -> Outcome:
    """Close a rejected row for good, with a reason."""
    from broodyear.intake.mending import dismiss_rows

    tell(0, 0, "closing the row")
    with _for_change(_workplace(order), _settings(order), must_exist=True) as store:
        dismiss_rows(store, [order["row"]], order["reason"])
    return {"message": f"{order['row']} is no longer on the list: {order['reason']}."}


def count(order: Order, tell: Tell) -> Outcome:
    """Count what is in the store, for the pages that show it."""
    tell(0, 0, "counting what is kept")
    place = _workplace(order)
    if not place.store.exists():
        shutil.rmtree(place.picture, ignore_errors=True)
        return {}
    try:
        new = _count(place, order, COUNTING_MEMORY)
    except duckdb.OutOfMemoryException:
        # A larger store than a year's logger files make: counted with what this computer has.
        new = _count(place, order, None)
    replace_folder(new, place.picture)
    return {}


def _count(place: Workplace, order: Order, memory: str | None) -> Path:
    from broodyear.desk.counting import count_store

    new = _new_folder(place, "picture")
    # Asked before the files are read: what changes meanwhile is counted again.
    reading = place.reading(order.get("settings"), order.get("layouts"))
    with _for_reading(place, _settings(order), memory) as store:
        count_store(store, reading, new)
    return new


def report_season(order: Order, tell: Tell) -> Outcome:
    """Write the annual review of one season, with the sheets of its sites."""
    from broodyear.reports.season import report_season as write

    season = int(order["season"])
    return _report(
        order,
        f"season_{season}",
        lambda store, folder: write(store, season, folder, sites=True, tell=tell).page.name,
    )


def report_week(order: Order, tell: Tell) -> Outcome:
    """Write what calls for a look in the season that runs, as of today."""
    from broodyear.reports.week import report_week as write

    today = dt.date.today()
    return _report(order, "week", lambda store, folder: write(store, folder, as_of=today, tell=tell).page.name)


def report_regions(order: Order, tell: Tell) -> Outcome:
    """Write the comparison of regions."""
    from broodyear.reports.regions import report_regions as write

    return _report(order, "regions", lambda store, folder: write(store, folder, tell=tell).page.name)


def report_development(order: Order, tell: Tell) -> Outcome:
    """Write the validation of thermal-unit models."""
    from broodyear.reports.development import report_development as write

    return _report(order, "development", lambda store, folder: write(store, folder, tell=tell).page.name)


def forecast(order: Order, tell: Tell) -> Outcome:
    """Write the expected stage dates of tanks still on their way."""
    from broodyear.development import forecast_table

    season = int(order["season"])

    def write(store: Store, folder: Path) -> str:
        tell(0, 2, "reading the records")
        store.derive("tank_seasons", "observed_stages")
        tell(1, 2, f"forecasting season {season}")
        dates = forecast_table(store, season=season)
        if dates.empty:
            raise NothingToAnalyse(
                f"in season {season} no tank is still on its way to a stage; nothing to forecast"
            )
        return write_file(folder / "forecast.csv", csv_text(dates), "forecast").name

    return _report(order, f"forecast_{season}", write)


def export(order: Order, tell: Tell) -> Outcome:
    """Write every table and derived table as plain files."""
    from broodyear.store import export_store

    tell(0, 0, "writing every table")
    form = "parquet" if order["format"] == "parquet" else "csv"

    def write(store: Store, folder: Path) -> str:
        export_store(store, folder, form)
        return ""

    return _report(order, f"export_{form}", write)


def sample(order: Order, tell: Tell) -> Outcome:
    """Look at the columns of one waiting file, for the page on which their meaning is said."""
    from broodyear.desk.mapping import Drafts
    from broodyear.desk.sampling import sample_sheets
    from broodyear.intake.seasons import known_seasons

    tell(0, 0, "looking at its columns")
    place = _workplace(order)
    with _for_reading(place, _settings(order)) as store, store.for_uploads() as connection:
        seasons = known_seasons(connection, store.settings)
    found = sample_sheets(_files(order), place.work, _layouts(order), seasons, Drafts(place.columns))
    if not found:
        raise NothingToAnalyse("no sheet of this file has columns whose meaning could be said")
    return {}


def plan(order: Order, tell: Tell) -> Outcome:
    """Work out the dates of a delivery to come."""
    with _for_reading(_workplace(order), _settings(order)) as store:
        write_plan(_plans(order), store, order["asked"], tell)
    return {}


def trial(order: Order, tell: Tell) -> Outcome:
    """Draw a comparison for the season to come, and work out what it could find."""
    with _for_reading(_workplace(order), _settings(order), must_exist=True) as store:
        write_trial(_plans(order), store, order["asked"], tell)
    return {}


def _plans(order: Order) -> Path:
    folder = _workplace(order).plans
    folder.mkdir(exist_ok=True)
    return folder


def demo(order: Order, tell: Tell) -> Outcome:
    """Make the invented programme, its store and its reports, beside the person's own store."""
    from broodyear.demonstration import make_demo

    folder = _workplace(order).demo.store.parent
    make_demo(
        folder, seed=int(order["seed"]), seasons=int(order["seasons"]), tanks=int(order["tanks"]), progress=tell
    )
    return {}


def _report(order: Order, name: str, write: Callable[[Store, Path], str]) -> Outcome:
    """Write a report to its place, whole; a stopped one leaves the older one as it was."""
    place = _workplace(order)
    state = place.state()
    with _for_reading(place, _settings(order), must_exist=True) as store:
        page = write(store, place.reports / name)
    return {"report": name, "page": page, "state": state}


def _workplace(order: Order) -> Workplace:
    return Workplace(Path(order["store"]))


def _settings(order: Order) -> Settings:
    read = read_settings(Path(order["settings"]) if order.get("settings") else None)
    return replace(read, same=joined_labels(_layouts_file(order), _workplace(order).store))


def _layouts(order: Order) -> Layouts:
    return chosen_layouts(_layouts_file(order), _workplace(order).store)


def _layouts_file(order: Order) -> Path | None:
    return Path(order["layouts"]) if order.get("layouts") else None


def _files(order: Order) -> list[Path]:
    # Shown under the name they came with, read from where they lie; the intake asks no more of a path.
    return [cast("Path", NamedFile(shown, Path(place))) for shown, place in order["files"]]


def _new_folder(place: Workplace, name: str) -> Path:
    new = place.folder / f".{name}.new"
    shutil.rmtree(new, ignore_errors=True)
    new.mkdir(parents=True)
    return new


@contextmanager
def _for_reading(
    place: Workplace, settings: Settings, memory: str | None = None, must_exist: bool = False
) -> Iterator[Store]:
    """The store, read only; an empty passing one when there is none yet and none is needed."""
    from broodyear.store import open_store

    if place.store.exists() or must_exist:
        opened = _patiently(lambda: open_store(place.store, settings=settings, temporary=place.work))
    else:
        opened = open_store(place.work / "empty.duckdb", for_loading=True, settings=settings, temporary=place.work)
    with opened as store:
        if memory:
            store.set_memory(memory)
        yield store


@contextmanager
def _for_change(place: Workplace, settings: Settings, *, must_exist: bool) -> Iterator[Store]:
    from broodyear.store import open_existing_for_change, open_store

    def opening() -> Store:
        if must_exist:
            return open_existing_for_change(place.store, settings=settings, temporary=place.work)
        return open_store(place.store, for_loading=True, settings=settings, temporary=place.work)

    with _patiently(opening) as store:
        yield store


def _patiently(opening: Callable[[], Store]) -> Store:
    until = time.monotonic() + PATIENCE_SECONDS
    while True:
        try:
            return opening()
        except StoreUnavailable as error:
            if "open in another program" not in str(error) or time.monotonic() > until:
                raise
        time.sleep(0.2)


TASKS: Mapping[str, Callable[[Order, Tell], Outcome]] = {
    "check": check,
    "load": load,
    "withdraw": withdraw,
    "dismiss": dismiss,
    "count": count,
    "report_season": report_season,
    "report_week": report_week,
    "report_regions": report_regions,
    "report_development": report_development,
    "forecast": forecast,
    "export": export,
    "sample": sample,
    "plan": plan,
    "trial": trial,
    "demo": demo,
}
