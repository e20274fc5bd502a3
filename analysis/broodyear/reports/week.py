"""The running season on one day: one page and watchlist.csv, what to look at first on top."""

from __future__ import annotations

import datetime as dt
from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from broodyear.errors import NothingToAnalyse
from broodyear.reports import Tell, tell_nobody
from broodyear.reports.folder import Manifest, ReportResult, require_report_folder, write_report
from broodyear.reports.numbers import THIN, WATCH_WORDS, called, day, known, plain, season_name
from broodyear.reports.parts import Bullets, Flow, Notice, Page, Section, say
from broodyear.reports.rendering import SHORT_CAUTIONS, phrase, prose, wording
from broodyear.reports.tables import ReportTable, report_table, shown
from broodyear.settings import season_of
from broodyear.week import ASKS_AFTER_FISH, KINDS, all_dead, last_record_on, watchlist

if TYPE_CHECKING:
    from broodyear.settings import Settings
    from broodyear.store import Store

_WORDS = "week.txt"
_TITLE = "What to look at, the most pressing first"


@dataclass(frozen=True)
class WeekResults:
    """as_of: the day; watch: watchlist.csv; why_nothing_due: why no date could be forecast, or blank."""

    as_of: dt.date
    settings: Settings
    watch: ReportTable
    why_nothing_due: str


def report_week(
    store: Store,
    folder: Path,
    *,
    as_of: dt.date | None = None,
    pdf: bool = False,
    command: str = "",
    tell: Tell = tell_nobody,
) -> ReportResult:
    """Write what calls for a look on ``as_of`` (default: the day of the last record) below ``folder``; tell: hears
    how many of how many steps are done, and what is being done.

    Raises NothingToAnalyse when the season of that day has no set-up and no delivery.
    """
    require_report_folder(folder, "week")
    tell(0, 2, "reading the records")
    store.derive("tank_seasons", "watch_states")
    tell(1, 2, "looking through the season that runs")
    return write_week(gather_week(store, as_of or last_record_on(store)), folder, store.uploads(), pdf, command)


def gather_week(store: Store, as_of: dt.date) -> WeekResults:
    """The watchlist of a day, in words."""
    season = season_of(as_of, store.settings)
    found, why = watchlist(store, as_of)
    if found.empty and not (store.result("tank_seasons")["season"] == season).any():
        raise NothingToAnalyse(
            f"season {season} ({season_name(season)}), in which {as_of} falls, has no set-up; name another day"
        )
    checks: dict[str, str] = wording(_WORDS, "first_checks")
    is_over = (found["kind"] == "silent") & all_dead(found)
    worded = found.assign(
        detail=[detail(row, as_of, store.settings) for row in found.to_dict("records")],
        first_check=found["kind"].map(checks).mask(is_over, wording(_WORDS, "when_all_dead")),
        since=found["since"].dt.date if len(found) else found["since"],
    )
    return WeekResults(as_of, store.settings, report_table("watchlist", worded), why)


def detail(row: Mapping[Hashable, Any], as_of: dt.date, settings: Settings) -> str:
    """What is on record of a row of the watchlist, as plain text."""
    silent_for = dt.timedelta(days=settings.silent_days + 1)
    last = row["since"].date() - silent_for if row["kind"] == "silent" else as_of
    seen, limit = _seen_apart(row["value"], row["limit_value"])
    now = {"seen": seen, "limit": limit, "last": last, "days": (as_of - last).days}
    if row["kind"] == "due":
        ends = row["high_80"] if known(row["high_80"]) else row["expected_on"]
        now["is_overdue"] = ends.date() < as_of
    if row["kind"] in ASKS_AFTER_FISH:
        now |= {"is_dead": all_dead(row), "is_old": (as_of - row["holds_from"].date()).days > 6}
    sentence = phrase(_WORDS, str(row["kind"]), row=row, now=now)
    return sentence.unescape().replace(THIN, " ")


def _seen_apart(value: float, limit: float) -> tuple[str, str]:
    """Both numbers with as many decimals as it takes to see that one is beyond the other."""
    if not known(value):
        return "", ""
    written = ((plain(value, digits), plain(limit, digits)) for digits in (1, 2, 3))
    return next((pair for pair in written if pair[0] != pair[1]), (plain(value, 4), plain(limit, 4)))


def write_week(
    results: WeekResults, folder: Path, uploads: pd.DataFrame, pdf: bool = False, command: str = ""
) -> ReportResult:
    """Write the page from results already gathered."""
    manifest = Manifest("week", command, results.settings, uploads, {"as_of": results.as_of.isoformat()})
    return write_report(folder, week_page(results), (results.watch,), manifest, pdf=pdf)


def week_page(results: WeekResults) -> Page:
    """The list, how it came about, and the cautions."""
    season = season_name(season_of(results.as_of, results.settings))
    method = prose(_WORDS, "method", settings=results.settings)
    sections = (
        _list_section(results),
        Section("method", "How a tank comes onto this list", (method,)),
        Section("cautions", "Before anyone acts", (Bullets(SHORT_CAUTIONS),)),
    )
    title = f"What to look at on {day(results.as_of)}"
    return Page("week", title, f"Season {season}, running", sections, contents=False)


def _list_section(results: WeekResults) -> Section:
    table, why = results.watch, results.why_nothing_due
    notes = (Notice("No date could be forecast.", say("{why}.", why=why), "note"),) if why else ()
    if not len(table):
        return Section("watch", _TITLE, (prose(_WORDS, "nothing"), *notes))
    counts = table.frame["kind"].value_counts()
    steps = tuple(
        (say("{number}", number=str(counts[kind])), called(WATCH_WORDS, kind)) for kind in KINDS if kind in counts
    )
    flow = Flow(steps, (table,), "Reasons to look, and how many tanks each concerns")
    return Section("watch", _TITLE, (flow, *notes, shown(table)))
