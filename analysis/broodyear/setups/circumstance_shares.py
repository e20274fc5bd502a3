"""How often each circumstance is on record in one group of tanks, beside all the others; nothing about causes."""

from __future__ import annotations

import numpy as np
import pandas as pd

from broodyear.setups.circumstances import circumstances_held

SHARE_COLUMNS = ["evidence", "tanks_with", "tanks", "share_pct", "elsewhere_pct", "stands_out"]

#: A group stands out where its share exceeds that of the others by this many points and this many standard errors
#: (common practice, no source): some thirty circumstances are looked at in every group.
POINTS_MORE, ERRORS_MORE = 10.0, 3.0


def circumstance_shares(rows: pd.DataFrame, by: str) -> pd.DataFrame:
    """`by` and SHARE_COLUMNS, one row per group and circumstance on record in any group.

    rows: one per tank and season. tanks: those of the group in which it could be on record; elsewhere_pct: share
    of those in all other groups, nan where there are none; stands_out: more often than elsewhere, beyond chance.
    """
    held = circumstances_held(rows)
    parts = [_shares(rows[by], code, *held[code]) for code in sorted(held)]
    columns = [by, *SHARE_COLUMNS]
    table = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)
    return table.sort_values([by, "evidence"], kind="stable").reset_index(drop=True)[columns]


def _shares(groups: pd.Series, code: str, holds: pd.Series, is_recorded: pd.Series) -> pd.DataFrame:
    counts = pd.DataFrame({"with": holds.astype(int), "of": is_recorded.astype(int)}).groupby(groups).sum()
    counts = counts[counts["of"] > 0]
    others = counts.sum() - counts
    own = counts["with"] / counts["of"]
    elsewhere = others["with"] / others["of"].where(others["of"] > 0)
    pooled = counts["with"].sum() / max(counts["of"].sum(), 1)
    error = np.sqrt(pooled * (1.0 - pooled) * (1.0 / counts["of"] + 1.0 / others["of"].where(others["of"] > 0)))
    more = own - elsewhere
    return pd.DataFrame(
        {groups.name: counts.index, "evidence": code, "tanks_with": counts["with"], "tanks": counts["of"],
         "share_pct": 100.0 * own, "elsewhere_pct": 100.0 * elsewhere,
         "stands_out": (100.0 * more >= POINTS_MORE) & (more >= ERRORS_MORE * error)}
    )  # fmt: skip
