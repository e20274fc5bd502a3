"""Fish that left: what people write down when tanks are emptied, in part or whole."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .batches import written_count
from .frames import as_date, given
from .plan import Plan
from .records import finish
from .season import SeasonTruth
from .streams import Ints, pick, stream

EXIT_METHODS = {"hand_once": 0.75, "hand_twice": 0.25}
FEWEST_COUNTED_WITH_ERROR = 20
"""Smaller groups are counted right."""


def exits_written(truth: SeasonTruth, plan: Plan, seed: int) -> pd.DataFrame:
    """Fish that left: releases, transfers, some kept back, some put down, escapes now and then seen."""
    rng = stream(seed, "exits written", truth.calendar.season)
    surplus = _some(plan.records.surplus_share, 60, (10, 30), truth, rng)
    parts = _groups(truth, surplus, plan, rng)
    frame = pd.concat([_exit_rows(count, day, fate, truth) for count, day, fate in parts], ignore_index=True)
    is_surplus = (frame["fate"] == "euthanised").to_numpy() & (surplus[frame["_at"].to_numpy(dtype=int)] > 0)
    frame["reason"] = given(is_surplus, "surplus")
    frame["count_method"] = pick(rng, EXIT_METHODS, len(frame))
    big = (frame["fate"] == "released") & (frame["count"] > FEWEST_COUNTED_WITH_ERROR)
    written = written_count(frame["count"].to_numpy(), frame["count_method"].to_numpy(), plan, rng)
    frame["count"] = np.where(big, written, frame["count"])
    return finish(frame.sort_values(["_at", "_day", "fate"]), "exits", truth)


def _some(
    share: float, fewest_left: int, between: tuple[int, int], truth: SeasonTruth, rng: np.random.Generator
) -> Ints:
    """(tanks,) how many fish a share of the tanks sets aside, where enough are left; 0 elsewhere."""
    tanks = len(truth.setups)
    chosen = (rng.random(tanks) < share) & (truth.fates.left > fewest_left)
    counts: Ints = np.where(chosen, rng.integers(*between, tanks), 0)
    return counts


def _groups(
    truth: SeasonTruth, surplus: Ints, plan: Plan, rng: np.random.Generator
) -> list[tuple[Ints, Ints, str]]:
    """(counts, days, fate) by tank of every kind of exit."""
    fates, schedule = truth.fates, truth.schedule
    kept_back = _some(plan.records.kept_back_share, 12, (2, 7), truth, rng)
    sick = _some(plan.records.sick_share, 30, (1, 8), truth, rng)
    put_down = np.where(surplus > 0, surplus, sick)
    seen = np.where(rng.random(len(surplus)) < plan.records.escape_seen_share, fates.escaped, 0)
    receiving_day = np.full(len(surplus), -1)
    senders = np.flatnonzero(schedule.move_to >= 0)
    receiving_day[schedule.move_to[senders]] = schedule.move_day[senders]
    return [
        (fates.left - kept_back - put_down, schedule.close_day, "released"),
        (fates.partial, schedule.partial_day, "released"),
        (kept_back, schedule.close_day, "retained"),
        (put_down, schedule.close_day, "euthanised"),
        (seen, schedule.escape_day + 1, "escaped"),
        (fates.moved_out, schedule.move_day, "transferred_out"),
        (fates.moved_in, receiving_day, "transferred_in"),
    ]


def _exit_rows(count: Ints, day: Ints, fate: str, truth: SeasonTruth) -> pd.DataFrame:
    at = np.flatnonzero((count > 0) & (day >= 0) & (day < truth.silent_day))
    return pd.DataFrame(
        {
            "_at": at,
            "_day": day[at],
            "fate": fate,
            "count": count[at],
            "tank_id": truth.setups["tank_id"].to_numpy()[at],
            "exited_on": as_date(truth.calendar.dates[day[at]]),
        }
    )
