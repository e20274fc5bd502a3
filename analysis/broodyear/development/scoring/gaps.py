"""Stages left out because temperatures were not read for long, and what would have kept each."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

# As the table observed_stages says it.
GAP_REASON = "too many days without readings"
GAP_COLUMNS = (
    "species", "stage", "season", "tank_id", "first_seen_on", "not_read_pct", "gap_se_days", "gap_from", "gap_to",
    "readings_wanted", "would_have_kept",
)  # fmt: skip


def left_out_for_gaps(rows: pd.DataFrame) -> pd.DataFrame:
    """One row per stage left out for its gaps: GAP_COLUMNS. rows: as ``stage_rows`` gives them.

    would_have_kept: in words, about how many readings in the longest gap would have made its error small enough.
    """
    found = rows[rows["why_not"] == GAP_REASON] if "gap_from" in rows else rows.iloc[:0]
    named = found.assign(tank_id=found.get("tank_label", found["tank_id"]), would_have_kept=None)
    if len(named):
        named["would_have_kept"] = [_in_words(row) for row in named.to_dict("records")]
    return named.reindex(columns=GAP_COLUMNS).reset_index(drop=True)


def _in_words(row: Mapping[Any, Any]) -> str:
    wanted = row["readings_wanted"]
    if pd.isna(row["gap_from"]) or pd.isna(row["gap_se_days"]):
        return "a reading on some days, or the set point"
    readings = "one reading" if wanted == 1 else f"{wanted:.0f} readings, spread"
    return f"{readings} between {str(row['gap_from'])[:10]} and {str(row['gap_to'])[:10]}"
