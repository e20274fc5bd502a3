"""Which tanks call for a look on one day, and since when."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any

import pandas as pd

from broodyear.errors import BroodyearError, NothingToAnalyse
from broodyear.settings import season_of

if TYPE_CHECKING:
    from broodyear.store import Store

#: Reasons to look, the most pressing first.
KINDS = ("no_setup", "losses", "warm", "water", "silent", "cold", "due")
#: Reasons that ask what became of the fish, which is known once all are counted dead.
ASKS_AFTER_FISH = ("silent", "losses")
#: A stage expected within so many days is due.
DUE_WITHIN_DAYS = 7
#: An overdue stage that nobody recorded is asked for so long after its interval, or its date where it has none.
ASKED_FOR_DAYS = 28

WATCH_COLUMNS = (
    "tank_id", "site_id", "region", "kind", "since", "measure", "value", "limit_value", "holds_from",
    "expected_on", "low_80", "high_80", "counted_on", "dead_then", "dead_in_all", "eggs",
)  # fmt: skip


def last_record_on(store: Store) -> dt.date:
    """The day of the last record in the store, deliveries too, also those of tanks without a set-up;
    NothingToAnalyse when there is none."""
    coverage, deliveries = store.result("record_coverage"), store.table("deliveries")
    days = pd.concat([pd.to_datetime(coverage["last_record_on"]), pd.to_datetime(deliveries["delivered_on"])])
    if days.isna().all():
        raise NothingToAnalyse("no dated record is in the store yet; load the season's files first")
    return pd.Timestamp(days.max()).date()


def watchlist(store: Store, as_of: dt.date) -> tuple[pd.DataFrame, str]:
    """Reasons to look at a tank on ``as_of``, the most pressing first; and why no date is due, blank otherwise.

    Columns WATCH_COLUMNS: since: first day on which it held; measure: the stage that lost fish or is due, or what
    was measured in the water; value, limit_value, holds_from, and counted_on to eggs: as in watch_states;
    expected_on, low_80, high_80: of stages due, dates, never of a tank whose eggs are all counted dead. Records
    after ``as_of`` are not used.
    """
    day = pd.Timestamp(as_of)
    states = store.result("watch_states")
    holds = states[(states["holds_from"] <= day) & ~(states["holds_to"] < day)]
    holds = holds.astype(dict.fromkeys(("dead_then", "dead_in_all", "eggs"), float))
    due, why = _due(store, as_of)
    due = due[~due["tank_id"].isin(holds.loc[all_dead(holds), "tank_id"])]
    found = pd.concat([part for part in (holds, due) if len(part)] or [holds], ignore_index=True)
    where = store.result("tank_seasons")[["season", "tank_id", "site_id", "region"]]
    found = found.merge(where, on=["season", "tank_id"], how="left").reindex(columns=list(WATCH_COLUMNS))
    pressing = found["kind"].map({kind: rank for rank, kind in enumerate(KINDS)})
    order = found.assign(pressing=pressing).sort_values(["pressing", "since", "tank_id", "measure"])
    return order[list(WATCH_COLUMNS)].reset_index(drop=True), why


def all_dead(rows: Any) -> Any:
    """Whether all eggs delivered are counted dead, of one row or of each; rows: dead_in_all, eggs."""
    return rows["dead_in_all"] >= rows["eggs"]


def _due(store: Store, as_of: dt.date) -> tuple[pd.DataFrame, str]:
    """Stages expected within DUE_WITHIN_DAYS, or overdue and not recorded, of tanks that hold fish; of several
    overdue ones of a tank the last."""
    from broodyear.development import forecast_table

    season = season_of(as_of, store.settings)
    try:
        dates = forecast_table(store, season=season, as_of=as_of)
    except BroodyearError as error:
        return pd.DataFrame(columns=["tank_id"]), str(error)
    dates = dates[dates["headline"].astype(bool)].copy()
    for name in ("expected_on", "low_80", "high_80"):
        dates[name] = pd.to_datetime(dates[name])
    today = pd.Timestamp(as_of)
    near = dates["expected_on"] <= today + pd.Timedelta(days=DUE_WITHIN_DAYS)
    open_yet = dates["high_80"].fillna(dates["expected_on"]) >= today - pd.Timedelta(days=ASKED_FOR_DAYS)
    chosen = dates[near & open_yet].rename(columns={"stage": "measure"})
    since = chosen["expected_on"] - pd.Timedelta(days=DUE_WITHIN_DAYS)
    is_overdue = chosen["high_80"].fillna(chosen["expected_on"]) < today
    chosen = chosen.assign(kind="due", since=since)[~is_overdue | ~chosen.duplicated("tank_id", keep="last")]
    return chosen[["season", "tank_id", "kind", "measure", "since", "expected_on", "low_80", "high_80"]], ""
