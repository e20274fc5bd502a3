"""Tanks nobody knows the end of, at their most favourable: as many left as the dead counted leave of the eggs.

Where even that is below what ordinary tanks show, the tank is a finding, for it can only be worse.
"""

from __future__ import annotations

import pandas as pd

from broodyear.survival.tank_frame import FEWEST_EGGS, HATCH, MAIN_OUTCOME, MISCOUNTED, dead_believed

#: The dead that are missing at the end of each outcome.
_DEAD = {HATCH: ["dead_egg"], MAIN_OUTCOME: ["dead_egg", "late_picks", "dead_alevin", "dead_fry"]}


def counted_at_most(rows: pd.DataFrame, used: pd.DataFrame, outcome: str) -> pd.DataFrame:
    """The rows of an outcome that are not used but have dead counted, survivors being the most that these leave.

    rows: `TankFrame.rows`; used: those of them that are judged. Running totals are no counts; a tank is compared
    with others of its batch, so one without is left out, as are those of few eggs.
    """
    missing = rows[(rows["outcome"] == outcome) & ~rows["is_used"] & (rows["eggs"] >= FEWEST_EGGS)]
    counted = missing.reindex(columns=_DEAD.get(outcome, [])).apply(pd.to_numeric, errors="coerce").astype(float)
    dead = counted.sum(axis=1, min_count=1)
    peers = pd.MultiIndex.from_frame(used[["season", "batch_id"]])
    has_peers = pd.MultiIndex.from_frame(missing[["season", "batch_id"]]).isin(peers)
    kept = has_peers & (dead <= MISCOUNTED * missing["eggs"]) & dead_believed(missing)
    at_most: pd.DataFrame = missing.assign(survivors=(missing["eggs"] - dead).clip(lower=0.0))[kept]
    return at_most
