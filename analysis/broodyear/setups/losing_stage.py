"""At which stage a flagged tank lost more fish than expected."""

from __future__ import annotations

import numpy as np
import pandas as pd

from broodyear.survival.tank_frame import dead_believed

#: Columns with fish found dead per stage, and the stage they stand for.
DEAD_COLUMNS = {"dead_egg": "egg", "dead_alevin": "alevin", "dead_fry": "fry", "unaccounted": "unaccounted"}
#: Stage of the outcomes that cover only part of the time in the tank.
OUTCOME_STAGES = {"hatch": "egg", "hatch_to_release": "after_hatch"}

_TANK = ["season", "tank_id"]


def losing_stage(rows: pd.DataFrame) -> pd.Series:
    """egg, alevin, fry, after_hatch, unaccounted, or empty where the records do not tell; one per row.

    Between hatch and later: the outcome with the larger number of fish below expected (eggs x (expected -
    observed)). After hatch: the dead counts that exceed the season's median share most, where stage counts
    are given. rows needs season, tank_id, outcome, eggs, survivors, expected_pct.
    """
    stage, by_count = _largest(_shortfalls(rows)), _excess_dead(rows)  # of the same tanks
    detail = (
        _largest(by_count.drop(columns="egg", errors="ignore")).reindex(stage.index).replace("", "after_hatch")
    )
    stage = stage.where(stage != "after_hatch", detail)
    stage = stage.where(stage != "", _largest(by_count).reindex(stage.index))
    keys = pd.MultiIndex.from_frame(rows[_TANK])
    return pd.Series(stage.reindex(keys).to_numpy(), index=rows.index, dtype=object)


def _shortfalls(rows: pd.DataFrame) -> pd.DataFrame:
    """Fish below expected per tank (rows) and stage (columns), from the outcomes that cover one stage."""
    short = rows["eggs"] * rows["expected_pct"] / 100.0 - rows["survivors"]
    parts = {}
    for outcome, stage in OUTCOME_STAGES.items():
        chosen = (rows["outcome"] == outcome) & short.notna()
        parts[stage] = short[chosen].groupby([rows.loc[chosen, name] for name in _TANK]).sum()
    return pd.DataFrame(parts).reindex(pd.MultiIndex.from_frame(rows[_TANK].drop_duplicates()))


def _excess_dead(rows: pd.DataFrame) -> pd.DataFrame:
    """Dead beyond the season's median share of the eggs, per tank and stage; no columns without counts.

    Running totals say nothing about a stage, so tanks whose counts look like them are left blank.
    """
    tanks = rows.sort_values("eggs", ascending=False).drop_duplicates(_TANK)
    index = pd.MultiIndex.from_frame(tanks[_TANK])
    believed = dead_believed(tanks)
    parts = {}
    for column, stage in DEAD_COLUMNS.items():
        if column in tanks:
            share = pd.to_numeric(tanks[column], errors="coerce").astype(float).where(believed) / tanks["eggs"]
            usual = share.groupby(tanks["season"]).transform("median")
            parts[stage] = ((share - usual) * tanks["eggs"]).to_numpy(dtype=float)
    return pd.DataFrame(parts, index=index, dtype=float)


def _largest(table: pd.DataFrame) -> pd.Series:
    """Column name of the largest positive value per row; empty where there is none."""
    if table.shape[1] == 0:
        return pd.Series("", index=table.index, dtype=object)
    values = table.fillna(-np.inf).to_numpy(dtype=float)
    best = values.argmax(axis=1)
    names = np.array(table.columns, dtype=object)[best]
    positive = values[np.arange(len(values)), best] > 0.0
    return pd.Series(np.where(positive, names, ""), index=table.index, dtype=object)
