"""What to change next season: practices ordered by the fish that could be saved, each with its evidence in
words.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from broodyear.setups.bands import PRACTICES, Practice
from broodyear.setups.practices import practices_table
from broodyear.setups.tank_frame import MAIN_OUTCOME, prepare

#: Evidence is called good only with at least this many tanks and batches.
_GOOD_TANKS, _GOOD_BATCHES = 20, 4

CHANGE_COLUMNS = [
    "change", "practice", "level", "tanks_to_change", "eggs_to_change", "tanks", "batches", "seasons",
    "difference_points", "difference_low", "difference_high", "fish_saved", "fish_low", "fish_high",
    "evidence", "note",
]  # fmt: skip


def what_to_change(frame: pd.DataFrame, practices: pd.DataFrame | None = None) -> pd.DataFrame:
    """CHANGE_COLUMNS, one row per practice that did worse than the others and is still in use, most fish
    first.

    tanks_to_change, eggs_to_change: tanks with that practice in the last season of the frame, and their eggs.
    fish_saved: those eggs x the shortfall; limits from the difference's interval (fish_low may be negative:
    then none may be saved). Rows are candidates, not causes: the tanks were not assigned by lot. practices:
    the frame of `practices_table(frame)` when it is at hand.
    """
    table = practices_table(frame) if practices is None else practices
    table = table[(table["outcome"] == MAIN_OUTCOME) & (table["difference_points"] < 0.0)]
    table = table.merge(_still_in_use(frame), on=["practice", "level"], how="inner")
    for name, source in (
        ("fish_saved", "difference_points"),
        ("fish_low", "difference_high"),
        ("fish_high", "difference_low"),
    ):
        table[name] = -table[source].astype(float) / 100.0 * table["eggs_to_change"]
    table["evidence"] = [_evidence(row) for _, row in table.iterrows()]
    table["change"] = [_change(str(row["practice"]), str(row["level"])) for _, row in table.iterrows()]
    ordered = table.sort_values(["fish_saved", "practice", "level"], ascending=[False, True, True])
    return ordered[CHANGE_COLUMNS].reset_index(drop=True)


def _still_in_use(frame: pd.DataFrame) -> pd.DataFrame:
    """Tanks and eggs per practice and level in the last season, tanks without a usable count included."""
    rows = prepare(frame).rows
    rows = rows[(rows["outcome"] == MAIN_OUTCOME) & (rows["season"] == rows["season"].max())]
    counted = [_level_use(rows, practice) for practice in PRACTICES if set(practice.columns) <= set(rows.columns)]
    columns = ["practice", "level", "tanks_to_change", "eggs_to_change"]
    return pd.concat(counted, ignore_index=True)[columns] if counted else pd.DataFrame(columns=columns)


def _level_use(rows: pd.DataFrame, practice: Practice) -> pd.DataFrame:
    levels = rows.assign(level=practice.make(rows)).dropna(subset=["level"]).groupby("level", sort=True)
    table = levels.agg(tanks_to_change=("tank_id", "size"), eggs_to_change=("eggs", "sum")).reset_index()
    return table.assign(practice=practice.name, level=table["level"].astype(str))


def _evidence(row: pd.Series) -> str:
    """Grade in words: good, fair, weak, or cannot be separated."""
    if "cannot be told apart" in str(row["note"]):
        return "none: it cannot be separated from what it goes together with"
    within = row["within_batch_points"]
    agrees = bool(np.isnan(within)) or within < 0.5 * row["difference_points"]
    clear = row["difference_high"] < 0.0
    if clear and agrees and row["tanks"] >= _GOOD_TANKS and row["batches"] >= _GOOD_BATCHES:
        return "good for records, yet no trial: clear of chance after adjustment, tanks not assigned by lot"
    if clear:
        return "fair: clear of chance, but in few tanks or batches, or not the same within batches"
    return "weak: may be chance, the interval reaches no difference"


def _change(practice: str, level: str) -> str:
    """What would have to change, without promising that it helps."""
    words = next(known.words for known in PRACTICES if known.name == practice)
    if level == "no":
        return f"{words}: provide it where there is none"
    return f"{words}: something other than {level.replace('_', ' ')}"
