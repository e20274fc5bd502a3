"""Whether the last season on record runs still, and which of its tanks are waited for: decided here alone."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import pandas as pd

#: A tank is waited for up to the stay that so large a share of others did not exceed, told by so many of them at
#: least; a season runs while so large a share of its tanks are waited for (common practice, no source).
USUAL_STAY, FEWEST_STAYS, SHARE_WAITED_FOR = 0.9, 5, 0.2
_DATES = ["delivered_on", "closed_on", "last_record_on"]
_COLUMNS = ["season", "tank_id", "delivered", "left_alive", *_DATES]


@dataclass(frozen=True)
class Running:
    """A season that runs still: the last record in the store, and the tanks whose fish are waited for."""

    season: int
    last_record_on: dt.date
    tanks: frozenset[str]


def running_season(tank_seasons: pd.DataFrame) -> Running | None:
    """The last season with a delivery, where it runs still; tank_seasons: the derived table, of every season.

    A tank is waited for while it is not emptied, nothing says what became of its fish, and the calendar allows it:
    from its delivery to the last record in the store fewer days have passed than nine in ten tanks held theirs,
    those of earlier seasons, or of this one once half of its tanks have told. Where neither is known, and for the
    list of a week, a tank holds fish until its season ends. The season runs while a fifth of its tanks are waited
    for; fewer that are left over have fallen silent, or are about to say their word.
    """
    rows = tank_seasons.reindex(columns=_COLUMNS)
    rows = rows.astype(dict.fromkeys(_DATES, "datetime64[us]"))
    got = rows[rows["delivered"].eq(True)]
    dates = pd.concat([got["delivered_on"], rows["last_record_on"]]).dropna()
    if got.empty or dates.empty:
        return None
    season, last = got["season"].max(), dates.max()
    own = got[got["season"] == season]
    is_open = own["left_alive"].isna() & own["closed_on"].isna()
    is_over = bool((rows["season"] > season)[rows["last_record_on"].notna()].any())
    longest = _usual_stay(got, season, otherwise=0.0 if is_over else np.inf)
    held = (last - own["delivered_on"]).dt.days.fillna(0.0)
    waiting = own.loc[is_open & (held < longest), "tank_id"]
    if not len(waiting) or len(waiting) < SHARE_WAITED_FOR * len(own):
        return None
    return Running(int(season), last.date(), frozenset(waiting.astype(str)))


def _usual_stay(got: pd.DataFrame, season: int, otherwise: float) -> float:
    """Days from delivery to the end that USUAL_STAY of the tanks did not exceed, of those from which fish left."""
    told = got[got["left_alive"] > 0]
    stays = (told["closed_on"].fillna(told["last_record_on"]) - told["delivered_on"]).dt.days.dropna()
    is_own = told.loc[stays.index, "season"] == season
    before, own = stays[~is_own], stays[is_own]
    chosen = before if len(before) >= FEWEST_STAYS else own
    enough = len(before) >= FEWEST_STAYS or 2 * len(own) >= (got["season"] == season).sum()
    return float(chosen.quantile(USUAL_STAY)) if enough and len(chosen) else otherwise


def with_waiting(outcomes: pd.DataFrame, running: Running | None) -> pd.DataFrame:
    """The rows of tank_outcomes with is_waiting: no count yet, of a tank that is waited for. Nobody owes one
    before the fish leave, so such a tank has not fallen silent."""
    if running is None:
        return outcomes.assign(is_waiting=False)
    is_open = (outcomes["season"] == running.season) & ~outcomes["usable"].astype(bool)
    return outcomes.assign(is_waiting=is_open & outcomes["tank_id"].astype(str).isin(running.tanks))


def without_waiting(outcomes: pd.DataFrame) -> pd.DataFrame:
    """The rows that are not waited for; a region that has nothing else keeps them, and so its name."""
    is_waiting = outcomes["is_waiting"].astype(bool)
    has_others = outcomes["region"].isin(outcomes.loc[~is_waiting, "region"])
    return outcomes[~(is_waiting & has_others)].reset_index(drop=True)
