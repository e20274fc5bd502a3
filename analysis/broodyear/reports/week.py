"""The running season on one day: one page and watchlist.csv, what to look at first on top."""

from __future__ import annotations

import datetime as dt
from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
from markupsafe import Markup

from broodyear.errors import NothingToAnalyse
from broodyear.reports.folder import ReportResult, require_report_folder, write_report
from broodyear.reports.footing import footer
from broodyear.reports.manifest import Manifest
from broodyear.reports.numbers import THIN, day, known, plain, season_name
from broodyear.reports.parts import Bullets, Flow, Notice, Page, Prose, Section, TableBlock, say
from broodyear.reports.steps import Tell, tell_nobody
from broodyear.reports.tables import ReportTable, column, report_table, table_view
from broodyear.reports.vocabulary import stage_words, watch_words
from broodyear.reports.wording import SHORT_CAUTIONS
from broodyear.settings import season_of
from broodyear.week import KINDS, last_record_on, watchlist

if TYPE_CHECKING:
    from broodyear.settings import Settings
    from broodyear.store import Store

#: The columns that others read, in their order.
WATCHLIST = ("tank_id", "site_id", "region", "kind", "since", "detail", "first_check")

#: What to do first, by kind. Hands stay out of the water until everything electric is unplugged.
FIRST_CHECKS = {
    "no_setup": "Ask who took the eggs; then load the set-up of this tank.",
    "losses": "Ask what was seen and since when; tell whoever answers for fish health before anything is treated.",
    "warm": "Have the chiller looked at: running, vents free, set point; unplug before hands go into the water.",
    "water": "Have the test repeated; if it stands, change part of the water as your local rules say.",
    "silent": "Ring the site: is somebody looking at the tank?",
    "cold": "Have the set point read off, and the temperature with a second thermometer.",
    "due": "Remind the site to look daily.",
}

MEASURE_WORDS = {
    "total_ammonia_n": ("total ammonia", "mg/L as N"),
    "nitrite_n": ("nitrite", "mg/L as N"),
    "total_chlorine": ("total chlorine", "mg/L"),
    "ph": ("pH", ""),
}


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
    worded = found.assign(
        detail=[_detail(row, as_of, store.settings).replace(THIN, " ") for row in found.to_dict("records")],
        first_check=found["kind"].map(FIRST_CHECKS),
        since=found["since"].dt.date if len(found) else found["since"],
    )
    return WeekResults(as_of, store.settings, report_table("watchlist", _TITLE, worded, WATCHLIST), why)


_TITLE = "What to look at, the most pressing first"


def _detail(row: Mapping[Hashable, Any], as_of: dt.date, settings: Settings) -> str:
    kind, value, limit = str(row["kind"]), row["value"], row["limit_value"]
    if kind == "silent":
        last = row["since"].date() - dt.timedelta(days=settings.silent_days + 1)
        return f"no record of any kind for {(as_of - last).days} days, last record on {_short(last)}"
    if kind == "no_setup":
        return "eggs were delivered, but no set-up says where the tank stands"
    if kind in ("warm", "cold", "losses"):
        return _beyond(kind, str(row["measure"]), *_told_apart(value, limit))
    if kind == "water":
        name, unit = MEASURE_WORDS[str(row["measure"])]
        return f"latest test: {name} {plain(value, 2)}, limit {plain(limit, 2)} {unit}".rstrip()
    within = f" (80 %: {_short(row['low_80'])} to {_short(row['high_80'])})" if known(row["low_80"]) else ""
    return f"{stage_words(str(row['measure']))} expected on {_short(row['expected_on'])}{within}"


def _beyond(kind: str, measure: str, value: str, limit: str) -> str:
    if kind == "warm":
        return f"{value} °C read, above {limit} °C"
    if kind == "cold":
        return f"{value} °C on a day's average, below {limit} °C"
    return f"{value} % of the eggs counted dead in the last seven days, as {measure}; usual is up to {limit} %"


def _told_apart(value: float, limit: float) -> tuple[str, str]:
    """Both numbers with as many decimals as it takes to see that one is beyond the other."""
    shown = ((plain(value, digits), plain(limit, digits)) for digits in (1, 2, 3))
    return next((pair for pair in shown if pair[0] != pair[1]), (plain(value, 4), plain(limit, 4)))


def _short(date: dt.date) -> str:
    """A day of the running season, whose year nobody needs."""
    return f"{date.day} {date:%b}"


def write_week(
    results: WeekResults, folder: Path, uploads: pd.DataFrame, pdf: bool = False, command: str = ""
) -> ReportResult:
    """Write the page from results already gathered."""
    manifest = Manifest("week", command, results.settings, uploads, {"as_of": results.as_of.isoformat()})
    return write_report(folder, week_page(results), (results.watch,), manifest, pdf=pdf)


def week_page(results: WeekResults) -> Page:
    """The list, how it came about, and the cautions."""
    season = season_name(season_of(results.as_of, results.settings))
    sections = (
        _list_section(results),
        Section("method", "How a tank comes onto this list", (Prose(_method(results.settings)),)),
        Section("cautions", "Before anyone acts", (Bullets(SHORT_CAUTIONS),)),
    )
    title = f"What to look at on {day(results.as_of)}"
    return Page("week", title, f"Season {season}, running", sections, footer(), contents=False)


def _list_section(results: WeekResults) -> Section:
    table = results.watch
    notes = (
        (Notice("No date could be forecast.", say("{why}.", why=results.why_nothing_due), "note"),)
        if results.why_nothing_due
        else ()
    )
    if not len(table):
        nothing = Prose(Markup("Nothing on record calls for a look. A tank without a flag is not thereby well."))
        return Section("watch", _TITLE, (nothing, *notes))
    counts = table.frame["kind"].value_counts()
    steps = tuple(
        (say("{number}", number=str(counts[kind])), watch_words(kind)) for kind in KINDS if kind in counts
    )
    shown = (
        column("tank_id", "tank", "id"),
        column("site_id", "site", "id"),
        column("region", "region", "id"),
        column("kind", "why", "watch"),
        column("since", "since", "date"),
        column("detail", "on record", "text", long=True),
        column("first_check", "first thing to check", "text", long=True),
    )
    flow = Flow(steps, (table,), "Reasons to look, and how many tanks each concerns")
    return Section("watch", _TITLE, (flow, *notes, TableBlock(table_view(table, "Tanks to look at", shown))))


def _method(settings: Settings) -> Markup:
    return say(
        "Only records up to the day are used. Silent: no record of any table for more than {silent} days. Warm: a"
        " reading above {warm} °C in the last three days. Cold: a day's average below {cold} °C, or for tanks set"
        " colder 1.5 °C below their set point, in the last three days. Losing fish: more of its eggs counted dead"
        " in the seven days to the day of this list than 99 in 100 checks of that stage showed in theirs. Water:"
        " the latest test of the last four weeks beyond the limits of the settings. Due: expected within seven"
        " days, or overdue but inside the 80 % interval. Each leaves the list when the tank is emptied or its fish"
        " are released.",
        silent=str(settings.silent_days),
        warm=plain(settings.warm_limit_c),
        cold=plain(settings.cold_limit_c),
    )
