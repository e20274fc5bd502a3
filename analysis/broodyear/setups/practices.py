"""Practices compared over all seasons, and which of them occur together."""

from __future__ import annotations

import pandas as pd

from broodyear.survival.practices import effects_report
from broodyear.survival.practices.coding import level_counts
from broodyear.survival.practices.levels import JOINT, combined
from broodyear.survival.tank_frame import MAIN_OUTCOME, prepare


def practices_table(frame: pd.DataFrame) -> pd.DataFrame:
    """The rows of practices.csv: PRACTICE_COLUMNS, one per practice, level and outcome, over all seasons.

    From one fit per outcome with all practices together. room_and_gravel holds every combination of room type and
    gravel practice. difference_points: against the tanks of all other levels (population-averaged); its interval
    and p value stand for the level alone: what is claimed is decided over the whole family (`effects_report`).
    other_practice names the practice of rows that are about neither room nor gravel. within_batch_points: the same
    difference between tanks that share a batch. Levels below 5 tanks or 2 batches have counts and the note
    "too few". No difference here is shown to be caused by the practice.
    """
    return effects_report(frame).practices


def practice_counts(frame: pd.DataFrame, outcome: str = MAIN_OUTCOME) -> pd.DataFrame:
    """Which gravel practice occurs in which room type: room_type, gravel_practice, tanks, batches, seasons,
    eggs, raw_pct; combinations that never occur are listed with 0 tanks, because they cannot be compared.
    """
    rows = prepare(frame).rows
    rows = rows[rows["is_used"] & (rows["outcome"] == outcome)]
    counted = level_counts(rows, combined(rows))
    parts = counted["level"].str.split(JOINT, n=1)
    counted["room_type"], counted["gravel_practice"] = parts.str[0], parts.str[1]
    counted = counted.set_index(["room_type", "gravel_practice"]).drop(columns="level")
    every = pd.MultiIndex.from_product([sorted(set(level)) for level in (parts.str[0], parts.str[1])])
    filled = counted.reindex(every.set_names(["room_type", "gravel_practice"]))
    numbers = ["tanks", "batches", "seasons", "eggs"]
    return filled.assign(**{name: filled[name].fillna(0).astype(int) for name in numbers}).reset_index()
