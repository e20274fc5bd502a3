"""What to change next season: practices ordered by the fish that could be saved, each with its evidence in words."""

from __future__ import annotations

import numpy as np
import pandas as pd

from broodyear.setups.bands import PRACTICES
from broodyear.setups.practices import practices_table
from broodyear.setups.tank_frame import MAIN_OUTCOME

#: Evidence is called good only with at least this many tanks and batches.
_GOOD_TANKS, _GOOD_BATCHES = 20, 4

CHANGE_COLUMNS = [
    "practice", "level", "outcome", "tanks", "batches", "seasons", "eggs_per_season", "difference_points",
    "difference_low", "difference_high", "fish_per_season", "fish_low", "fish_high", "evidence", "sentence",
]  # fmt: skip

_WORDS = {practice.name: practice.words for practice in PRACTICES}


def what_to_change(frame: pd.DataFrame, practices: pd.DataFrame | None = None) -> pd.DataFrame:
    """CHANGE_COLUMNS, one row per practice that did worse than the others, most fish first.

    fish_per_season: eggs a season in these tanks x the shortfall; limits from the difference's interval (fish_low
    may be negative: then none may be saved). Rows are candidates, not causes: the tanks were not assigned by lot.
    practices: the frame of `practices_table(frame)` when it is at hand.
    """
    table = practices_table(frame) if practices is None else practices
    table = table[(table["outcome"] == MAIN_OUTCOME) & (table["difference_points"] < 0.0)].copy()
    table["eggs_per_season"] = table["eggs"] / table["seasons"].clip(lower=1)
    for name, source in (
        ("fish_per_season", "difference_points"),
        ("fish_low", "difference_high"),
        ("fish_high", "difference_low"),
    ):
        table[name] = -table[source].astype(float) / 100.0 * table["eggs_per_season"]
    table["evidence"] = [_evidence(row) for _, row in table.iterrows()]
    table["sentence"] = [_sentence(row) for _, row in table.iterrows()]
    ordered = table.sort_values(["fish_per_season", "practice", "level"], ascending=[False, True, True])
    return ordered[CHANGE_COLUMNS].reset_index(drop=True)


def _evidence(row: pd.Series) -> str:
    """Grade in words: good, fair, weak, or cannot be separated."""
    if "cannot be told apart" in str(row["note"]):
        return "cannot be separated from what it goes together with"
    within = row["within_batch_points"]
    agrees = bool(np.isnan(within)) or within < 0.5 * row["difference_points"]
    clear = row["difference_high"] < 0.0
    if clear and agrees and row["tanks"] >= _GOOD_TANKS and row["batches"] >= _GOOD_BATCHES:
        return "good, for records: clear of chance after adjustment, but never assigned by lot"
    if clear:
        return "fair: clear of chance, but in few tanks or batches, or not the same within batches"
    return "weak: the interval reaches no difference"


def _sentence(row: pd.Series) -> str:
    level = str(row["level"]).replace("_", " ")
    start = f"{_WORDS[row['practice']].capitalize()} {level}: {row['difference_points']:.1f} points against the others"
    span = f"({row['difference_low']:.1f} to {row['difference_high']:.1f})"
    fish = f"about {row['fish_per_season']:.0f} fish a season if these tanks did as the others"
    return f"{start} {span}, {fish}; a split-batch trial would show whether changing it helps."
