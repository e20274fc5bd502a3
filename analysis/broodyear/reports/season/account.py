"""The adding-up that belongs to no model: totals of the account, dead by stage, means with their intervals; and
what happened in tanks when: the records drawn for flagged tanks, and dated events for the site sheets."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from broodyear.figures.timeline import ROUTINE, TankRecords
from broodyear.reports.numbers import FATES, STAGES, called
from broodyear.reports.season.results import flagged_rows
from broodyear.reports.tables import ReportTable
from broodyear.survival.tank_frame import exceeds_eggs

if TYPE_CHECKING:
    from broodyear.store import Store

STAGE_LABELS = {
    "hatch": "delivery to hatch",
    "hatch_to_button_up": "hatch to button-up",
    "button_up_to_release": "button-up to release",
    "hatch_to_release": "hatch to release",
    "delivered_to_release": "delivery to release",
}

#: Where a loss is counted, in the order of life.
_DEAD = {
    "egg": ("as eggs, up to hatch", "dead_egg"),
    "alevin": ("as alevins", "dead_alevin"),
    "fry": ("as fry", "dead_fry"),
    "late": ("dead eggs picked too late to count towards hatch", "late_picks"),
    "unaccounted": ("unaccounted: neither counted dead nor seen to leave", "unaccounted"),
}

_LEVEL = 0.975


#: Key figures that add up a column of the account; and of what was counted of the fish, with in how many tanks.
_SUMS = {
    "tanks_supplied": "tanks_supplied", "tanks_delivered": "delivered", "tanks_reported_start": "reported_start",
    "tanks_reported_end": "reported_end", "tanks_usable": "usable", "eggs_delivered": "eggs",
    "eggs_in_usable": "eggs_in_usable", "left_alive": "left_alive",
    "alive_at_most_elsewhere": "alive_at_most_elsewhere",
}  # fmt: skip
_COUNTED = {
    "hatched": ("hatched", "tanks_hatch_known"),
    "released": ("released", "tanks_release_counted"),
    "dead_counted": ("dead_total", "tanks_dead_counted"),
}


def totals(accounting: pd.DataFrame, tanks: pd.DataFrame) -> dict[str, float]:
    """Name -> value over the rows of one season's accounting.

    Bounds: the share left alive if all eggs of delivered tanks without a usable result died, or all lived that
    were not counted dead there.
    """
    found = {name: float(accounting[column].fillna(0).sum()) for name, column in _SUMS.items()}
    for name, (column, tanks_name) in _COUNTED.items():
        values = pd.to_numeric(tanks.loc[tanks["delivered"].astype(bool), column], errors="coerce").dropna()
        found |= {name: float(values.sum()), tanks_name: float(len(values))}
    eggs, usable, alive = (found[name] for name in ("eggs_delivered", "eggs_in_usable", "left_alive"))
    if usable > 0 and eggs > 0:
        high = 100 * (alive + found["alive_at_most_elsewhere"]) / eggs
        found |= {
            "reported_pct": 100 * alive / usable,
            "bound_low_pct": 100 * alive / eggs,
            "bound_high_pct": high,
        }
    if "excess" in tanks:
        found["tanks_with_excess"] = float((tanks["excess"].fillna(0) > 0).sum())
    if "release_contradicted" in tanks:
        found["tanks_contradicted"] = float(tanks["release_contradicted"].sum())
    return found


def observed_or_most(rows: pd.DataFrame) -> pd.Series:
    """Observed survival in % of rows of a screen; of a tank without a count, the most that its dead leave."""
    most = 100.0 * rows["survivors_at_most"].astype(float) / rows["eggs"].astype(float)
    observed: pd.Series = rows["observed_pct"].astype(float).fillna(most)
    return observed


def too_many_dead(tanks: pd.DataFrame) -> pd.DataFrame:
    """tank_id, site_id, region, eggs, dead_total, left_alive of tanks with more dead and left alive together than
    eggs delivered, beyond what miscounting eggs explains; release_contradicted: already with those left alone."""
    columns = ["eggs", "dead_total", "left_alive"]
    eggs, dead, left = (pd.to_numeric(tanks[name], errors="coerce").astype(float) for name in columns)
    is_alone = tanks["release_contradicted"].astype(bool)
    is_more = exceeds_eggs(dead + left.fillna(0.0), eggs) | is_alone
    names = ["tank_id", "site_id", "region", *columns, "release_contradicted"]
    return tanks.loc[is_more, names].sort_values("tank_id")


def dead_by_stage(tanks: pd.DataFrame) -> pd.DataFrame:
    """stage, where, tanks (with a number), fish: the dead of each stage in tanks with a delivery, what is
    unaccounted for there, and the dead of other tanks, where there are any."""
    delivered = tanks["delivered"].astype(bool)
    rows = [
        {"stage": stage, "where": where, **_summed(tanks.loc[delivered, column])}
        for stage, (where, column) in _DEAD.items()
    ]
    elsewhere = _summed(tanks.loc[~delivered, "dead_total"])
    if elsewhere["fish"] > 0:
        rows.append({"stage": "no_delivery", "where": "dead in tanks without a delivery on record", **elsewhere})
    return pd.DataFrame(rows)


def _summed(values: pd.Series) -> dict[str, float]:
    known = pd.to_numeric(values, errors="coerce").dropna()
    return {"tanks": len(known), "fish": float(known.sum())}


def with_intervals(stages: pd.DataFrame) -> pd.DataFrame:
    """One row per season, species and stage, with both estimates side by side, each with a 95 % interval.

    The estimate is the mean of the tanks' own rates and the interval is Student's t on their standard error, so it
    carries how tanks differ; kept within 0–100 only where the ends are drawn as shares.
    """
    from scipy.special import stdtrit

    frame = stages.copy()
    freedom = (frame["tanks"].astype(float) - 1).clip(lower=1)
    half = pd.Series(stdtrit(freedom.to_numpy(), _LEVEL), index=frame.index) * frame["tank_se_pct"].astype(float)
    half = half.where(frame["tanks"] > 1)
    frame["pct"] = frame["tank_mean_pct"].astype(float)
    frame["low"] = (frame["pct"] - half).clip(lower=0)
    frame["high"] = (frame["pct"] + half).clip(upper=np.maximum(frame["pct"], 100))
    keys = ["season", "species", "stage", "stage_order"]
    parts = [_renamed(frame, keys, name) for name in ("release_based", "loss_based")]
    wide = parts[0].merge(parts[1], on=keys, how="outer").sort_values(["season", "species", "stage_order"])
    wide["stage_label"] = _labels(wide)
    return wide.reset_index(drop=True)


def _renamed(frame: pd.DataFrame, keys: list[str], estimate: str) -> pd.DataFrame:
    chosen = frame[frame["estimate"] == estimate]
    columns = {
        "tanks": f"tanks_{estimate}", "eggs": f"entered_{estimate}", "survivors": f"survived_{estimate}",
        "pooled_pct": f"{estimate}_pooled_pct", "pct": f"{estimate}_pct", "low": f"{estimate}_low",
        "high": f"{estimate}_high",
    }  # fmt: skip
    return chosen[[*keys, *columns]].rename(columns=columns)


def _labels(wide: pd.DataFrame) -> pd.Series:
    """Stage in words, with its species where a season has several."""
    words = wide["stage"].map(STAGE_LABELS).fillna(wide["stage"])
    several = wide.groupby("season")["species"].transform("nunique") > 1
    named = wide["species"].astype(str).str.replace("_", " ") + ": " + words
    return named.where(several, words)


#: Flagged tanks whose season is drawn; the page names the others.
MOST_TIMELINES = 4
_RANKS = {stage: rank for rank, stage in enumerate(STAGES)}

#: What a derived table is put in order by.
_TIMES = {
    "daily_temperature": "day",
    "staged_losses": "checked_on",
    "staged_stages": "first_seen_on",
    "staged_incidents": "started_at",
}
#: What dated events are read from besides.
_EVENT_TIMES = {**_TIMES, "staged_exits": "exited_on", "staged_deliveries": "delivered_on"}


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
    """tank_id, on, event: deliveries, stages when first seen, incidents beyond routine, fish that left, whatever
    became of them, and the end, by date; those of one day in that order."""
    stages, incidents = _records(store, "staged_stages", season), _records(store, "staged_incidents", season)
    incidents = incidents[~incidents["kind"].isin(ROUTINE)].sort_values("kind", kind="stable")
    exits = _records(store, "staged_exits", season)
    counted = exits[exits["fish"].notna()].sort_values("fish", kind="stable")
    counted = counted.sort_values("fate", key=lambda fate: fate.map(list(FATES).index), kind="stable")
    left = [f"{fish:.0f} fish {FATES[fate]}" for fate, fish in zip(counted["fate"], counted["fish"], strict=True)]
    # Of one day, stages stand in the order of life, whatever their names begin with.
    stages = stages.sort_values("stage", key=lambda stage: stage.map(_RANKS), kind="stable")
    parts = [
        _deliveries(_records(store, "staged_deliveries", season)),
        _dated(stages, "first_seen_on", [_seen(stage) for stage in stages["stage"]]),
        _dated(incidents, "started_at", [str(kind).replace("_", " ") for kind in incidents["kind"]]),
        _dated(counted, "exited_on", left),
        _dated(tanks, "closed_on", "tank emptied"),
    ]
    together = pd.concat([part for part in parts if len(part)] or parts[:1], ignore_index=True)
    ordered: pd.DataFrame = together.sort_values(["tank_id", "on"], kind="stable")
    return ordered


def _deliveries(deliveries: pd.DataFrame) -> pd.DataFrame:
    """Events of deliveries, with eggs and batch where a tank had several."""
    several = deliveries.duplicated("tank_id", keep=False)
    parts = deliveries["eggs_live"].astype(str) + " eggs of " + deliveries["batch_id"].astype(str) + " delivered"
    return _dated(deliveries, "delivered_on", list(parts.where(several, "eggs delivered")))


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
