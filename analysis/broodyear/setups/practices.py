"""Practices compared over all seasons: adjusted survival, with what each is confounded with."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from broodyear.setups.adjusted import AdjustedLevels, adjusted_levels, level_counts, with_batch_shares
from broodyear.setups.bands import PRACTICES, Practice, available
from broodyear.setups.confounding import goes_together_with
from broodyear.setups.tank_frame import MAIN_OUTCOME, OUTCOMES, prepare

#: Practices checked within batches too; the others are rarely handed out by batch.
_CHECKED_WITHIN_BATCH = ("room_and_gravel", "gravel_practice", "room_type")
#: Above this many tank-seasons an outcome's other practices are left to delivered_to_release, to stay quick.
_MOST_ROWS_FOR_EVERY_STAGE = 5000
#: The two answers are said to differ when they are this many points apart.
_POINTS_APART = 3.0

PRACTICE_NAMES = tuple(practice.name for practice in PRACTICES if practice.name != "room_and_gravel")
PRACTICE_COLUMNS = [
    "practice", "level", *PRACTICE_NAMES, "other_practice", "outcome", "tanks", "batches", "seasons",
    "eggs", "raw_pct",
    "adjusted_pct", "adjusted_low", "adjusted_high", "difference_points", "difference_low", "difference_high",
    "p_value", "within_batch_points", "note",
]  # fmt: skip


def practices_table(frame: pd.DataFrame) -> pd.DataFrame:
    """The rows of practices.csv: PRACTICE_COLUMNS, one per practice, level and outcome, over all seasons.

    Above 5 000 tank-seasons hatch and hatch_to_release have rows for room type and gravel practice only.
    room_and_gravel holds every combination of room type and gravel practice; the other practices are adjusted
    for room type and gravel practice. difference_points: against the tanks of all other levels
    (population-averaged). other_practice names the practice of rows that are about neither room nor gravel.
    within_batch_points: the same difference with the batches' own shares held fixed. Levels below 5 tanks or
    2 batches have counts and the note "too few". No difference here is shown to be caused by the practice.
    """
    return practices_from(practice_parts(frame, OUTCOMES))


def practice_parts(frame: pd.DataFrame, outcomes: Sequence[str]) -> list[pd.DataFrame]:
    """The rows of ``practices_table`` for some outcomes, practice by practice, to be put together later."""
    tanks = prepare(frame)
    used = tanks.rows[tanks.rows["is_used"]]
    parts = []
    for outcome in outcomes:
        rows = used[used["outcome"] == outcome]
        every = outcome == MAIN_OUTCOME or len(rows) <= _MOST_ROWS_FOR_EVERY_STAGE
        chosen = [practice for practice in available(rows) if every or practice.name in _CHECKED_WITHIN_BATCH]
        parts += [_practice_rows(rows, practice, outcome) for practice in chosen]
    return parts


def practices_from(parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """The table made of such parts, in their order."""
    filled = [part for part in parts if len(part)]
    return pd.concat(filled, ignore_index=True) if filled else pd.DataFrame(columns=PRACTICE_COLUMNS)


def _practice_rows(used: pd.DataFrame, practice: Practice, outcome: str) -> pd.DataFrame:
    rows = used.assign(**{practice.name: practice.make(used)})
    blank = int(rows[practice.name].isna().sum())
    rows = rows[rows[practice.name].notna()].reset_index(drop=True)
    if rows.empty:
        return pd.DataFrame(columns=PRACTICE_COLUMNS)
    result = adjusted_levels(rows, practice.name, practice.adjust_for)
    table = result.table.rename(columns={practice.name: "level"})
    table["within_batch_points"] = _within_batch(rows, practice, result)
    together = goes_together_with(rows, practice.name, practice.columns)
    table["note"] = [_note(row, result, together.get(str(row["level"]), ""), blank) for _, row in table.iterrows()]
    return _placed(table, practice, outcome)


def _within_batch(rows: pd.DataFrame, practice: Practice, result: AdjustedLevels) -> pd.Series:
    """Differences with each batch's share of the level held fixed; missing where it was not asked or not
    possible.
    """
    levels = result.table["level"]
    is_main = (rows["outcome"] == MAIN_OUTCOME).all()
    if not is_main or practice.name not in _CHECKED_WITHIN_BATCH or not result.fitted_levels:
        return pd.Series(np.nan, index=levels.index)
    chosen = rows[rows[practice.name].astype(str).isin(result.fitted_levels)]
    frame, shares = with_batch_shares(chosen, practice.name)
    within = adjusted_levels(frame, practice.name, practice.adjust_for, extra_terms=shares)
    points = within.table.set_index("level")["difference_points"]
    return pd.Series(levels.map(points).to_numpy(dtype=float), index=levels.index)


def _note(row: pd.Series, result: AdjustedLevels, together: str, blank: int) -> str:
    apart = row["within_batch_points"] - row["difference_points"]
    parts = [str(row["note"]), "" if row["note"] else result.sentence]
    if result.could_not_adjust_for and result.fitted_levels:
        names = ", ".join(name.replace("_", " ") for name in result.could_not_adjust_for)
        parts.append(f"cannot be told apart from {names} in these records")
    if abs(apart) >= _POINTS_APART:
        parts.append(f"within batches the difference is {row['within_batch_points']:+.1f} points")
    parts += [together, f"{blank} tank-seasons without this record left out" if blank else ""]
    return "; ".join(part for part in parts if part)


def _placed(table: pd.DataFrame, practice: Practice, outcome: str) -> pd.DataFrame:
    """The level in the column of its practice; blank in the columns of the others."""
    table = table.assign(practice=practice.name, outcome=outcome)
    for name in PRACTICE_NAMES:
        table[name] = table["level"] if name == practice.name else ""
    table["other_practice"] = (
        "" if practice.name in _CHECKED_WITHIN_BATCH else practice.words + ": " + table["level"]
    )
    if practice.name == "room_and_gravel":
        parts = table["level"].str.split(" / ", n=1)
        table["room_type"], table["gravel_practice"] = parts.str[0], parts.str[1]
    return table[PRACTICE_COLUMNS]


def practice_counts(frame: pd.DataFrame, outcome: str = "delivered_to_release") -> pd.DataFrame:
    """Which gravel practice occurs in which room type: room_type, gravel_practice, tanks, batches, seasons,
    eggs, raw_pct; combinations that never occur are listed with 0 tanks, because they cannot be compared.
    """
    rows = prepare(frame).rows
    combined = PRACTICES[0]
    rows = rows[rows["is_used"] & (rows["outcome"] == outcome)]
    rows = rows.assign(combination=combined.make(rows)).dropna(subset=["combination"])
    counted = level_counts(rows, "combination")
    parts = counted["level"].str.split(" / ", n=1)
    counted["room_type"], counted["gravel_practice"] = parts.str[0], parts.str[1]
    counted = counted.set_index(["room_type", "gravel_practice"]).drop(columns="level")
    every = pd.MultiIndex.from_product([sorted(set(level)) for level in (parts.str[0], parts.str[1])])
    filled = counted.reindex(every.set_names(["room_type", "gravel_practice"]))
    numbers = ["tanks", "batches", "seasons", "eggs"]
    return filled.assign(**{name: filled[name].fillna(0).astype(int) for name in numbers}).reset_index()
