"""What the worker does: each task calls what the command of the same name calls."""

from __future__ import annotations

import datetime as dt
import shutil
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import duckdb

from broodyear import clock
from broodyear.console import Programme
from broodyear.desk import findings_book
from broodyear.desk.basket import NamedFile
from broodyear.desk.workplace import Workplace, replace_folder, write_json
from broodyear.errors import NothingToAnalyse, StoreUnavailable
from broodyear.formulas import csv_text
from broodyear.outputs import write_file
from broodyear.reports import Tell, writer

if TYPE_CHECKING:
    import pandas as pd

    from broodyear.findings import CheckResult
    from broodyear.store import Store

Outcome = dict[str, Any]

#: The database's own share of memory while files are read and loaded; what does not fit goes to the disk.
LOADING_MEMORY = "160MB"
#: And while the store is counted: its queries hold more at a time than a load does.
COUNTING_MEMORY = "300MB"
#: Another program may have the store for a moment only: so long the desk tries again.
PATIENCE_SECONDS = 5.0


class Order:
    """What the worker was asked for. given: as the desk sent it, with the store and its files by their paths."""

    def __init__(self, given: Mapping[str, Any]) -> None:
        self.given = given
        settings, layouts = (Path(given[name]) if given.get(name) else None for name in ("settings", "layouts"))
        self.programme = Programme(Path(given["store"]), settings, layouts)
        self.workplace = Workplace(self.programme.store)

    @property
    def files(self) -> list[Path]:
        """The files it is about: shown under the name they came with, read from where they lie."""
        # The intake asks no more of a path.
        return [cast("Path", NamedFile(shown, Path(path))) for shown, path in self.given["files"]]

    def new_folder(self, name: str) -> Path:
        """An empty folder that is to take the place of ``name``."""
        new = self.workplace.folder / f".{name}.new"
        shutil.rmtree(new, ignore_errors=True)
        new.mkdir(parents=True)
        return new

    @contextmanager
    def store(
        self, memory: str | None = None, *, changing: bool = False, or_empty: bool = False
    ) -> Iterator[Store]:
        """The store, read only unless it is to be changed: it is made where memory for a load is given; or an
        empty passing one where there is none yet."""
        from broodyear.store import open_existing_for_change, open_store

        file, opening = self.workplace.store, open_existing_for_change if changing and not memory else open_store
        options: dict[str, Any] = {"settings": self.programme.settings, "temporary": self.workplace.work}
        if changing and memory:
            options["for_loading"] = True
        elif or_empty and not file.exists():
            file, options["for_loading"] = self.workplace.work / "empty.duckdb", True
        with _patiently(partial(opening, file, **options)) as store:
            if memory:
                store.set_memory(memory)
            yield store

    def report(self, name: str, write: Callable[[Store, Path], str]) -> Outcome:
        """Write a report to its place, whole; a stopped one leaves the older one as it was."""
        state = self.workplace.state()
        with self.store() as store:
            page = write(store, self.workplace.reports / name)
        return {"report": name, "page": page, "state": state}

    def plan(self, name: str, table: pd.DataFrame, shown: Mapping[str, Any]) -> Outcome:
        """Keep what was planned: as a table to save, and as its page shows it."""
        self.workplace.plans.mkdir(exist_ok=True)
        (self.workplace.plans / f"{name}.csv").write_text(csv_text(table), encoding="utf-8")
        write_json(self.workplace.plans / f"{name}.json", shown)
        return {}


def _patiently(opening: Callable[[], Store]) -> Store:
    until = time.monotonic() + PATIENCE_SECONDS
    while True:
        try:
            return opening()
        except StoreUnavailable as error:
            if "open in another program" not in str(error) or time.monotonic() > until:
                raise
        time.sleep(0.2)


def check(order: Order, tell: Tell) -> Outcome:
    """Look at the waiting files and load nothing; what is found is written to the folder ``checked``."""
    from broodyear.intake import check_paths

    new = order.new_folder("checked")
    with order.store(LOADING_MEMORY, or_empty=True) as store:
        result = check_paths(
            order.files, store=store, settings=store.settings, layouts=order.programme.layouts, progress=tell,
            rejects=new / "to_mend", today=clock.today(),
        )  # fmt: skip
    totals = findings_book.write(new, result, order.given["numbers"])
    replace_folder(new, order.workplace.checked)
    return {"totals": totals}


def load(order: Order, tell: Tell) -> Outcome:
    """Load the good rows of the waiting files; what is found is written to the folder ``loaded``."""
    from broodyear.intake import load_paths

    new = order.new_folder("loaded")
    totals: dict[str, Any] = {}

    def show(result: CheckResult) -> None:
        totals.update(findings_book.write(new, result))
        replace_folder(new, order.workplace.loaded)

    with order.store(LOADING_MEMORY, changing=True) as store:
        load_paths(
            store, order.files, layouts=order.programme.layouts, progress=tell, rejects=new / "to_mend", tell=show,
            today=clock.today(),
        )  # fmt: skip
        tell(0, 0, "working out what reports start from")
        store.set_memory(COUNTING_MEMORY)
        store.keep_derived()
    return {"totals": totals}


def withdraw(order: Order, tell: Tell) -> Outcome:
    """Take one upload back."""
    tell(0, 0, "taking the file back")
    with order.store(changing=True) as store:
        sentence = store.withdraw(int(order.given["upload"]))
        store.keep_derived()
    return {"message": f"{sentence[:1].upper()}{sentence[1:]}."}


def dismiss(order: Order, tell: Tell) -> Outcome:
    """Close a rejected row for good, with a reason."""
    from broodyear.intake.rejected import dismiss_rows

    tell(0, 0, "closing the row")
    row, reason = order.given["row"], order.given["reason"]
    with order.store(changing=True) as store:
        dismiss_rows(store, [row], reason)
    return {"message": f"{row} is no longer on the list: {reason}."}


def count(order: Order, tell: Tell) -> Outcome:
    """Count what is in the store, for the pages that show it."""
    tell(0, 0, "counting what is kept")
    workplace = order.workplace
    if not workplace.store.exists():
        shutil.rmtree(workplace.picture, ignore_errors=True)
        return {}
    try:
        new = _count(order, COUNTING_MEMORY)
    except duckdb.OutOfMemoryException:
        # A larger store than a year's logger files make: counted with what this computer has.
        new = _count(order, None)
    replace_folder(new, workplace.picture)
    return {}


def _count(order: Order, memory: str | None) -> Path:
    from broodyear.desk.counting import count_store

    new, programme = order.new_folder("picture"), order.programme
    # Asked before the files are read: what changes meanwhile is counted again.
    reading = order.workplace.reading(programme.settings_file, programme.layouts_file)
    with order.store(memory) as store:
        count_store(store, reading, new)
    return new


def report(kind: str, order: Order, tell: Tell) -> Outcome:
    """Write the report of this kind: on all that is in the store; of one season with the sheets of its sites; of
    the week as of today."""
    which = (int(order.given["season"]),) if kind == "season" else ()
    options: dict[str, Any] = {"sites": True} if which else {}
    if kind == "week":
        options["as_of"] = dt.date.today()
    return order.report(
        "_".join([kind, *map(str, which)]),
        lambda store, folder: str(writer(kind)(store, *which, folder, tell=tell, **options).page.name),
    )


def forecast(order: Order, tell: Tell) -> Outcome:
    """Write the expected stage dates of tanks still on their way."""
    from broodyear.development import forecast_table

    season = int(order.given["season"])

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

    return order.report(f"forecast_{season}", write)


def export(order: Order, tell: Tell) -> Outcome:
    """Write every table and derived table as plain files."""
    from broodyear.store import export_store

    tell(0, 0, "writing every table")
    form = "parquet" if order.given["format"] == "parquet" else "csv"

    def write(store: Store, folder: Path) -> str:
        export_store(store, folder, form)
        return ""

    return order.report(f"export_{form}", write)


def sample(order: Order, tell: Tell) -> Outcome:
    """Look at the columns of one waiting file, for the page on which their meaning is said."""
    from broodyear.desk.mapping.drafts import Drafts
    from broodyear.desk.sampling import sample_sheets
    from broodyear.intake.known import known_seasons

    tell(0, 0, "looking at its columns")
    workplace = order.workplace
    with order.store(or_empty=True) as store, store.for_uploads() as connection:
        seasons = known_seasons(connection, store.settings)
    if not sample_sheets(order.files, workplace.work, order.programme.layouts, seasons, Drafts(workplace.columns)):
        raise NothingToAnalyse("no sheet of this file has columns whose meaning could be said")
    return {}


def plan(order: Order, tell: Tell) -> Outcome:
    """Work out the dates of a delivery to come."""
    from broodyear.development import PlannedDelivery, plan_by_records

    asked = order.given["asked"]
    days = {"delivered_on": dt.date.fromisoformat(asked["delivered_on"])}
    window = tuple(map(dt.date.fromisoformat, asked["window"])) or None
    with order.store(or_empty=True) as store:
        tell(0, 1, "fitting the models to the records")
        delivery = PlannedDelivery(**{**asked, **days, "window": window})
        dates, cautions = plan_by_records(delivery, store, store.settings)
    rows = [_plan_row(row) for row in dates[dates["headline"]].to_dict("records")]
    return order.plan("plan", dates, {"asked": asked, "rows": rows, "cautions": cautions})


def _plan_row(row: Mapping[Any, Any]) -> dict[str, Any]:
    known = {name: None if value is None or value != value else value for name, value in row.items()}
    days = {name: known[name] and str(known[name])[:10] for name in ("expected_on", "low_80", "high_80")}
    inside, surely = (None if known[name] is None else bool(known[name]) for name in ("in_window", "in_window_80"))
    return {"set_point_c": row["set_point_c"], "stage": row["stage"], **days, "inside": inside, "surely": surely}


def trial(order: Order, tell: Tell) -> Outcome:
    """Draw a comparison for the season to come, and work out what it could find."""
    from broodyear.trials import TRIAL_CAUTIONS, plan_trial

    asked = order.given["asked"]
    with order.store() as store:
        tell(0, 2, "reading the records")
        tanks, outcomes = store.result("tank_seasons"), store.result("tank_outcomes")
        tell(1, 2, "drawing, and trying out what the comparison could find")
        planned = plan_trial(
            tanks, outcomes, asked["factor"], tuple(asked["levels"]), season=asked["season"], seed=asked["seed"]
        )
    rows = planned.assignment.rows
    texts = {"sentences": list(planned.sentences()), "cautions": list(TRIAL_CAUTIONS)}
    asked = {**asked, "season": int(rows["season"].iloc[0])}
    return order.plan("trial", rows, {"asked": asked, "tanks": len(rows), **texts})


def demo(order: Order, tell: Tell) -> Outcome:
    """Make the invented programme, its store and its reports, beside the person's own store."""
    from broodyear.demonstration import make_demo

    sizes = {name: int(order.given[name]) for name in ("seed", "seasons", "tanks")}
    make_demo(order.workplace.demo.store.parent, **sizes, progress=tell)
    return {}


_ALONE = (check, load, withdraw, dismiss, count, forecast, export, sample, plan, trial, demo)
TASKS: Mapping[str, Callable[[Order, Tell], Outcome]] = {
    **{task.__name__: task for task in _ALONE},
    **{f"report_{kind}": partial(report, kind) for kind in ("season", "week", "regions", "development")},
}
