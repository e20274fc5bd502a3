"""One tidy frame of tank-seasons and outcomes from whatever columns the caller has.

Required: season, tank_id, site_id, batch_id, eggs, survivors. Optional: outcome (delivered_to_release when
absent), usable and why_unusable, and the context columns named below.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from broodyear.errors import NothingToAnalyse, UsageError
from broodyear.notes import note

REQUIRED = ("season", "tank_id", "site_id", "batch_id", "eggs", "survivors")
HATCH = "hatch"
OUTCOMES = (HATCH, "hatch_to_release", "delivered_to_release")
MAIN_OUTCOME = "delivered_to_release"

#: Context that the results repeat; blank where the caller has no such column.
REPEATED = ("region", "room_type", "gravel_practice")

#: Below this many eggs a percentage says nothing about a tank.
FEWEST_EGGS = 10

#: With more dead than this times the eggs, one of the two counts is wrong (common practice, no source); as in
#: queries/tank_seasons.sql.
MISCOUNTED = 1.1

_LATER = ("hatch_to_release", MAIN_OUTCOME)
#: What is found dead in a tank, and the outcomes that start from those.
_DEAD = {"dead_egg": (HATCH, MAIN_OUTCOME), "late_picks": _LATER, "dead_alevin": _LATER, "dead_fry": _LATER}

NOT_RECORDED = "not recorded"


def prepare(frame: pd.DataFrame) -> pd.DataFrame:
    """Every row given, in the order given, with `is_used` and `why_left_out`; eggs and survivors are floats, and
    survivors are capped at the eggs (`is_capped`); `is_waiting` as `running.with_waiting` has it. Raises when a
    required column is missing or there is no row."""
    if not isinstance(frame, pd.DataFrame):
        raise UsageError(f"tank-seasons are a pandas DataFrame, but this is of type {type(frame).__name__}")
    missing = [name for name in REQUIRED if name not in frame.columns]
    if missing:
        raise UsageError(note("survival", "columns_missing", missing=missing, needed=REQUIRED))
    if frame.empty:
        raise NothingToAnalyse(note("survival", "no_tank_season"))
    rows = frame.reset_index(drop=True).copy()
    rows["outcome"] = rows["outcome"] if "outcome" in rows else MAIN_OUTCOME
    for name in REPEATED:
        rows[name] = rows[name].astype(object).where(rows[name].notna(), "") if name in rows else ""
    for name in ("eggs", "survivors"):
        rows[name] = pd.to_numeric(rows[name], errors="coerce").astype(float)
    if "eggs_delivered" in rows:
        # Needed for the bounds of tanks without a usable count; after hatch they would be the hatched, not known.
        delivered = pd.to_numeric(rows["eggs_delivered"], errors="coerce").astype(float)
        rows["eggs"] = rows["eggs"].fillna(delivered.where(rows["outcome"] != "hatch_to_release"))
    rows["site_id"] = rows["site_id"].astype(object).where(rows["site_id"].notna(), NOT_RECORDED)
    rows["is_capped"] = rows["survivors"] > rows["eggs"]
    rows["survivors"] = rows["survivors"].where(~rows["is_capped"], rows["eggs"])
    rows["is_waiting"] = rows["is_waiting"].astype(bool) if "is_waiting" in rows else False
    rows["why_left_out"] = _reasons(rows)
    rows["is_used"] = rows["why_left_out"] == ""
    return rows


def dead_believed(tanks: pd.DataFrame) -> pd.Series:
    """Whether a tank's dead counts are taken as counts; all are where nobody says otherwise.

    Not where they look like running totals, nor where counts disagree so far that the eggs may be what is wrong.
    """
    doubts = tanks.reindex(columns=["losses_look_cumulative", "counts_disagree"]).astype("boolean").fillna(False)
    return ~doubts.astype(bool).any(axis=1)


def counted_dead(tanks: pd.DataFrame) -> pd.Series:
    """Dead counted of those that the outcome of a row starts from; nan where none were or they are in doubt."""
    counts = tanks.reindex(columns=list(_DEAD)).apply(pd.to_numeric, errors="coerce").astype(float)
    own = pd.DataFrame({name: tanks["outcome"].isin(outcomes) for name, outcomes in _DEAD.items()})
    dead: pd.Series = counts.where(own).sum(axis=1, min_count=1).where(dead_believed(tanks))
    return dead


def exceeds_eggs(counted: pd.Series, eggs: pd.Series) -> pd.Series:
    """Whether more fish were counted than there were eggs, beyond what miscounting explains; not where unknown."""
    more: pd.Series = counted > MISCOUNTED * eggs
    return more


def _reasons(rows: pd.DataFrame) -> pd.Series:
    """Why each row cannot be judged; empty when it can."""
    usable = rows.get("usable", pd.Series(True, index=rows.index)).astype(object)
    given = rows.get("why_unusable", pd.Series(None, index=rows.index, dtype=object)).astype(object)
    tests = {
        "no batch recorded": rows["batch_id"].isna(),
        "survivors not recorded yet": rows["survivors"].isna() | (rows["survivors"] < 0),
        "no eggs recorded": rows["eggs"].isna() | (rows["eggs"] <= 0),
        "no season recorded": rows["season"].isna(),
        "no outcome recorded": rows["outcome"].isna(),
    }
    unusable = ~usable.where(usable.notna(), True).astype(bool)
    named = given.where(given.notna() & (given != ""), "marked as not usable")
    reason = np.select([unusable, *tests.values()], [named, *tests], default="")
    return pd.Series(reason, index=rows.index, dtype=object)
