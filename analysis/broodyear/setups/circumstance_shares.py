"""How often each circumstance is on record in one group of tanks, beside all the others; nothing about causes."""

from __future__ import annotations

import numpy as np
import pandas as pd

from broodyear.setups.circumstances import circumstances_held
from broodyear.statistics.numbers import IntArray

SHARE_COLUMNS = ["evidence", "tanks_with", "tanks", "share_pct", "elsewhere_pct", "stands_out"]

#: A group stands out where its share exceeds that of the others by this many points and this many standard errors
#: (common practice, no source): some thirty circumstances are looked at in every group.
POINTS_MORE, ERRORS_MORE = 10.0, 3.0


def circumstance_shares(rows: pd.DataFrame, by: str) -> pd.DataFrame:
    """`by` and SHARE_COLUMNS, one row per group and circumstance on record in any group.

    rows: one per tank and season. tanks: those of the group in which it could be on record; elsewhere_pct: share
    of those in all other groups, nan where there are none; stands_out: more often than elsewhere, beyond chance.
    """
    held, columns = circumstances_held(rows), [by, *SHARE_COLUMNS]
    group, names = pd.factorize(rows[by], sort=True)
    parts = [_shares(group, len(names), *held[code]).assign(evidence=code) for code in sorted(held)]
    if not parts:
        return pd.DataFrame(columns=columns)
    table = pd.concat(parts).rename_axis(by).reset_index()
    table[by] = names.take(table[by].to_numpy())
    return table.sort_values([by, "evidence"], kind="stable").reset_index(drop=True)[columns]


def _shares(group: IntArray, groups: int, holds: pd.Series, is_recorded: pd.Series) -> pd.DataFrame:
    """SHARE_COLUMNS of one circumstance by group, for groups in which it could be on record."""
    known = group >= 0
    number, of = (
        np.bincount(group[known], one.to_numpy(dtype=float)[known], groups) for one in (holds, is_recorded)
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        own, elsewhere = number / of, (number.sum() - number) / (of.sum() - of)
        pooled = number.sum() / max(of.sum(), 1.0)
        error = np.sqrt(pooled * (1.0 - pooled) * (1.0 / of + 1.0 / (of.sum() - of)))
    more = own - elsewhere
    table = pd.DataFrame(
        {"tanks_with": number.astype(int), "tanks": of.astype(int), "share_pct": 100.0 * own,
         "elsewhere_pct": 100.0 * elsewhere,
         "stands_out": (100.0 * more >= POINTS_MORE) & (more >= ERRORS_MORE * error)}
    )  # fmt: skip
    return table[of > 0]
