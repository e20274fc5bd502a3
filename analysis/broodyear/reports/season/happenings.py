"""What happened in tanks when: the records drawn for flagged tanks, and dated events for the site sheets."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from broodyear.figures.timeline import ROUTINE, TankRecords
from broodyear.reports.season.results import flagged_rows
from broodyear.reports.tables import ReportTable
from broodyear.reports.vocabulary import STAGES, called

if TYPE_CHECKING:
    from broodyear.store import Store

#: Flagged tanks whose season is drawn; the page names the others.
MOST_TIMELINES = 4
_PLACES = {stage: place for place, stage in enumerate(STAGES)}

#: What a derived table is put in order by.
_TIMES = {
    "daily_temperature": "day",
    "staged_losses": "checked_on",
    "staged_stages": "first_seen_on",
    "staged_incidents": "started_at",
}
#: What dated events are read from besides.
_EVENT_TIMES = {**_TIMES, "staged_exits": "exited_on"}


def of_season(frame: pd.DataFrame, season: int) -> pd.DataFrame:
    """The rows of one season."""
    return frame[frame["season"] == season].reset_index(drop=True)


def timelines(store: Store, season: int, setups: ReportTable) -> dict[str, TankRecords]:
    """Records of the most urgent flagged tanks, by tank."""
    codes = [str(setups.value(row, "tank_id")) for row in flagged_rows(setups)[:MOST_TIMELINES]]
    if not codes:
        return {}
    frames = [_records(store, name, season, codes) for name in _TIMES]
    return {
        code: TankRecords(*(frame[frame["tank_id"] == code].reset_index(drop=True) for frame in frames))
        for code in codes
    }


def _records(store: Store, name: str, season: int, codes: list[str] | None = None) -> pd.DataFrame:
    """Rows of a derived table of one season, of some tanks or of all, in time order."""
    from duckdb import ColumnExpression, ConstantExpression

    store.derive(name)
    relation = store.connection.table(name).filter(ColumnExpression("season") == ConstantExpression(season))
    if codes is not None:
        relation = relation.filter(ColumnExpression("tank_id").isin(*map(ConstantExpression, codes)))
    frame: pd.DataFrame = relation.df()
    return frame.sort_values(["tank_id", _EVENT_TIMES[name]], kind="stable").reset_index(drop=True)


def events(store: Store, tanks: pd.DataFrame, season: int) -> pd.DataFrame:
    """tank_id, on, event: deliveries, stages when first seen, incidents beyond routine, and the end, by date;
    those of one day in that order."""
    stages, incidents = _records(store, "staged_stages", season), _records(store, "staged_incidents", season)
    incidents = incidents[~incidents["kind"].isin(ROUTINE)].sort_values("kind", kind="stable")
    exits = _records(store, "staged_exits", season)
    released = exits[(exits["fate"] == "released") & exits["fish"].notna()].sort_values("fish", kind="stable")
    # Of one day, stages stand in the order of life, whatever their names begin with.
    stages = stages.sort_values("stage", key=lambda stage: stage.map(_PLACES), kind="stable")
    parts = [
        _dated(tanks, "delivered_on", "eggs delivered"),
        _dated(stages, "first_seen_on", [_seen(stage) for stage in stages["stage"]]),
        _dated(incidents, "started_at", [str(kind).replace("_", " ") for kind in incidents["kind"]]),
        _dated(released, "exited_on", [f"{fish:.0f} fish released" for fish in released["fish"]]),
        _dated(tanks, "closed_on", "tank emptied"),
    ]
    together = pd.concat([part for part in parts if len(part)] or parts[:1], ignore_index=True)
    ordered: pd.DataFrame = together.sort_values(["tank_id", "on"], kind="stable")
    return ordered


def _seen(stage: object) -> str:
    words = called(STAGES, stage)
    return f"{words} seen" if words.startswith("first") else f"{words} first seen"


def _dated(frame: pd.DataFrame, column: str, event: str | list[str]) -> pd.DataFrame:
    dated = pd.DataFrame(
        {
            "tank_id": frame["tank_id"].astype(object),
            "on": pd.to_datetime(frame[column]).dt.normalize(),
            "event": event,
        }
    )
    return dated[dated["on"].notna()]
